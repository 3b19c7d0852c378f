package detect

import (
	"math"
)

const (
	// maxPivots bounds the reversals and the rests kept of one entry.
	maxPivots = 512
	// maxOfKind bounds the reversals of one kind that are weighed in one phase.
	maxOfKind = 64
	// minRestSeconds is the shortest rest that may lie between two adjustments, s.
	minRestSeconds = 0.35
	// liveSeconds is how finely a provisional look resolves time, s.
	liveSeconds = 0.04
	// leaveSeconds is how long a contact may take to move away before it is seen
	// to be lost, s.
	leaveSeconds = 0.8
	// handSeconds is the shortest movement of a hand in an entry without any
	// reversal, s.
	handSeconds = 0.7
	// umPerMM is micrometres per millimetre.
	umPerMM = 1000
)

// analyser weighs the readings of one entry. It works in micrometres above the
// entry's origin and in seconds since the entry's first reading. If the first
// adjustment seeks a maximum the sign of the reading is turned, so that a
// mirrored task is computed with the very same numbers.
type analyser struct {
	p     Params
	sign  float64 // of the reading in this file's coordinates
	um    float64 // µm per count, with sign
	q     float64 // resolution, µm
	drift float64 // standard deviation of the drift to expect, µm/s

	t, z, sm, ss, y []float64
	local           []float64
	count           []uint16 // of bins in each mean of sm
	bin             []int32  // index of the bin in the contact
	tmp             []float64
	hasY            bool

	period, sigma, white, half float64
	coarse                     bool
	loud                       bool      // the noise is not the same everywhere
	sums                       []float64 // of the noise of so many bins, if it is
	live                       bool      // the look is provisional
	stale                      int
	overfull                   bool

	piv    []pivot
	rests  []rest
	slow   []rest // and halts shorter than rests
	hinges []hinge
	table  chainTable
	pairs  pairTable
	bounds boundTable
	rough  bool // pairs are only bounded
	dec    decision
	est    estimate
	slide  slideView

	play play // what was last weighed

	groups keptGroups
	fits   fitTable
	shapes [keptShapes]keptShape
	window windowKey // of this look
	closed int32     // bins of the contact that are complete

	room   flexRoom
	normal cholesky // room for fitPolynomial
	soft   softTable
	exps   expTable

	flex [2]float64 // flexure to reckon with beyond what the own passes tell, µm

	played  bool
	endRest bool
	span    float64 // range of the smoothed reading, µm
	preset  bool
}

func (a *analyser) init(p Params) {
	a.p = p
	a.sign = 1
	if p.Seeks[0].Sense == Maximum {
		a.sign = -1
	}
	a.um = a.sign * p.StepMM * umPerMM
	a.q = p.ResolutionMM * umPerMM
	a.soft.fill()
	a.exps.fill()
	a.room.fill()
	a.drift = p.DriftMMPerMin * umPerMM / 60
}

// sense returns the sense of seek k in the coordinates of the analysis.
func (a *analyser) sense(k int) int8 {
	return int8(a.sign) * int8(a.p.Seeks[k].Sense)
}

// roomFor is the capacity for n values of a contact, with room to grow.
func roomFor(n int) int { return max(n, min(n+n/2+64, maxBins)) }

func grow(s []float64, n int) []float64 {
	if cap(s) < n {
		return make([]float64, n, roomFor(n))
	}
	return s[:n]
}

// load takes the bins over; groups of bins as long as liveSeconds if the look is
// only provisional.
func (a *analyser) load(c *contact, live bool) {
	off := min(c.settledBin, len(c.bins))
	bins := c.bins[off:]
	group := 1
	if n := len(bins); live && n > 1 {
		span := float64(bins[n-1].sumT)/float64(bins[n-1].n) - float64(bins[0].sumT)/float64(bins[0].n)
		group = max(1, int(liveSeconds*1e9*float64(n)/math.Max(span, 1)))
	}
	a.window = windowKey{generation: c.generation, group: int32(group)}
	a.closed = int32(len(c.bins) - 1)
	n := (len(bins) + group - 1) / group
	a.t, a.z, a.sm, a.ss = grow(a.t, n), grow(a.z, n), grow(a.sm, n), grow(a.ss, n)
	a.local = grow(a.local, n)[:0]
	if cap(a.bin) < n {
		a.bin = make([]int32, n, roomFor(n))
	}
	a.bin = a.bin[:n]
	// Frames without y are bridged where they are few.
	a.hasY = false
	if c.hasOriginY {
		missing := 0
		for i := range bins {
			if bins[i].nY == 0 {
				missing++
			}
		}
		a.hasY = n > 0 && missing <= len(bins)/50
	}
	done := 0
	if a.hasY {
		a.y = grow(a.y, n)
	} else if group > 1 {
		done = a.loadGroups(bins[:max(0, len(bins)-1)], off)
	}
	for i := done; i < n; i++ {
		first, last := i*group, min(len(bins), (i+1)*group)
		a.bin[i] = int32(off + last - 1)
		var sum bin
		for k := range bins[first:last] {
			b := &bins[first+k]
			sum.sumX += b.sumX
			sum.sumT += b.sumT
			sum.n += b.n
		}
		m := float64(sum.n)
		a.t[i] = float64(sum.sumT) / m * 1e-9
		a.z[i] = float64(sum.sumX) / m * a.um
		if !a.hasY {
			continue
		}
		for k := range bins[first:last] {
			b := &bins[first+k]
			sum.sumY += b.sumY
			sum.nY += b.nY
		}
		switch {
		case sum.nY > 0:
			a.y[i] = float64(sum.sumY) / float64(sum.nY) * a.p.StepMM * umPerMM
		case i > 0:
			a.y[i] = a.y[i-1]
		default:
			a.y[i] = 0
		}
	}
}

// keptGroups are the groups of bins of the last provisional look.
type keptGroups struct {
	window windowKey
	off    int
	t, z   []float64
}

// loadGroups takes over the groups of bins, to which no reading is added any more, and
// returns their number. They are the same from look to look.
func (a *analyser) loadGroups(bins []bin, off int) int {
	g, group := &a.groups, int(a.window.group)
	n := len(bins) / group
	if g.window != a.window || g.off != off {
		g.window, g.off, g.t, g.z = a.window, off, g.t[:0], g.z[:0]
	}
	if cap(g.t) < n {
		g.t = append(make([]float64, 0, roomFor(n)), g.t...)
		g.z = append(make([]float64, 0, roomFor(n)), g.z...)
	}
	for i := len(g.t); i < n; i++ {
		var x, t int64
		var m int32
		for k := range group {
			b := &bins[i*group+k]
			x += b.sumX
			t += b.sumT
			m += b.n
		}
		g.t = append(g.t, float64(t)/float64(m)*1e-9)
		g.z = append(g.z, float64(x)/float64(m)*a.um)
	}
	copy(a.t, g.t[:n])
	copy(a.z, g.z[:n])
	for i := range n {
		a.bin[i] = int32(off + (i+1)*group - 1)
	}
	return n
}

// move copies element from to place to, when elements are taken out.
func (a *analyser) move(to, from int) {
	a.t[to], a.z[to], a.bin[to] = a.t[from], a.z[from], a.bin[from]
	if a.hasY {
		a.y[to] = a.y[from]
	}
}

func (a *analyser) cut(n int) {
	a.t, a.z, a.sm, a.ss, a.bin = a.t[:n], a.z[:n], a.sm[:n], a.ss[:n], a.bin[:n]
	if a.hasY {
		a.y = a.y[:n]
	}
}

// run weighs the readings of c so far.
func (a *analyser) run(c *contact, how Ending, live bool) {
	a.played, a.overfull, a.preset, a.stale = false, false, false, 0
	a.dec, a.est = decision{}, estimate{}
	a.flex = [2]float64{}
	a.live = live
	a.load(c, live)
	if len(a.z) < 8 {
		return
	}
	a.measureNoise()
	a.dropStale()
	a.trimSettling()
	if how == EndLost {
		a.trimLeaving()
	}
	if len(a.z) < 8 {
		return
	}
	a.smooth()
	if a.loud = a.half > 0 && a.followNoise(); a.loud {
		a.smoothNoise()
	}
	sm := a.sm
	if how == EndLost {
		// What is moved last may be the leaving itself.
		end := a.t[len(a.t)-1]
		n := len(sm)
		for n > 0 && end-a.t[n-1] < leaveSeconds {
			n--
		}
		sm = sm[:n]
	}
	lo, hi := a.sm[0], a.sm[0]
	for _, v := range sm {
		if v < lo {
			lo = v
		}
		if v > hi {
			hi = v
		}
	}
	a.span = hi - lo
	a.played = a.span > math.Max(math.Max(0.5, 8*a.sigma), 3*a.q) && a.t[len(a.t)-1]-a.t[0] > 0.5
	if !a.played {
		return
	}
	a.findPivots()
	a.findRests()
	a.legs()
	if a.played = a.handMoved(); !a.played {
		return
	}
	for i := range a.piv {
		a.fitPivot(i)
	}
	a.weighShape()
	a.weighPivots()
	if !a.findSlides() || !a.decideSlides() {
		a.decide()
		a.weighHinges()
	}
	a.findLevels()
	a.assure()
	a.estimate()
	a.estimateFlat()
}

// handMoved reports whether the reading moved as when a hand plays, and not only
// by a step or two between rests.
func (a *analyser) handMoved() bool {
	for i := range a.piv {
		if p := &a.piv[i]; p.prom > math.Max(0.3, math.Max(10*a.ss[p.k], a.q)) {
			return true
		}
	}
	moving := a.t[len(a.t)-1] - a.t[0]
	for _, r := range a.rests {
		moving -= a.t[r.b] - a.t[r.a]
	}
	return moving > handSeconds
}

// trimSettling cuts off the beginning, where the carriage comes to its force.
func (a *analyser) trimSettling() {
	n := len(a.z)
	cut := 0
	w := math.Max(0.12, 1.01*a.period)
	// The settling is the fast, slowing, one-way movement at the very start.
	j := 0
	for i := 0; i < n; i++ {
		for j < n-1 && a.t[j] < a.t[i]+w {
			j++
		}
		if j >= n-1 {
			break
		}
		v := math.Abs(a.z[j]-a.z[i]) / (a.t[j] - a.t[i])
		if v < 3+3*a.sigma/w+a.q/w || a.t[i]-a.t[0] > 4 {
			break
		}
		cut = i
	}
	if cut == 0 {
		return
	}
	if a.t[cut]-a.t[0] > 3.9 {
		return // no settling: the hand moves from the start
	}
	copy(a.t, a.t[cut:])
	copy(a.z, a.z[cut:])
	copy(a.bin, a.bin[cut:])
	copy(a.local, a.local[cut:])
	if a.hasY {
		copy(a.y, a.y[cut:])
	}
	a.cut(n - cut)
	a.local = a.local[:n-cut]
}

// trimLeaving cuts off the end, where the contact moves away with growing speed
// before it is seen to be lost.
func (a *analyser) trimLeaving() {
	n := len(a.z)
	w := math.Max(0.08, 1.01*a.period)
	j := n - 1
	cut := n
	for i := n - 1; i > 0; i-- {
		for j > 0 && a.t[j] > a.t[i]-w {
			j--
		}
		v := math.Abs(a.z[j]-a.z[i]) / math.Max(1e-9, a.t[i]-a.t[j])
		if v < 8+4*a.sigma/w+a.q/w || a.t[n-1]-a.t[i] > 0.6 {
			break
		}
		cut = j + 1
	}
	if cut < n && a.t[n-1]-a.t[cut] <= 0.6+w {
		// The start of the movement is slower still.
		for cut > 1 && a.t[n-1]-a.t[cut-1] < 0.8 && math.Abs(a.z[cut-1]-a.z[cut-2]) > 4*a.sigma {
			cut--
		}
		a.cut(cut)
		a.local = a.local[:cut]
	}
}
