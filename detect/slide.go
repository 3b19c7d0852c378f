package detect

import (
	"math"
	"slices"
)

// The second axis. Where the readout sends the position y of the cross slide,
// the cross phase needs no guess: it is the stretch in which y moves, and in it
// the reading over y is the arc of the geometry,
//
//	x = C ∓ (y − y₀)²/ρ ∓ (y − y₀)⁴/(4ρ³),  ρ = R − r (or R + r outside)
//
// fitted by robust least squares, whatever the hand did over time. The vertex
// within the travel of y is a passed extremum, one beyond it is none. What moves
// the reading while y stands still is the other adjustment.

const (
	// maxSlides bounds the stretches in which the slide moves.
	maxSlides = maxPhases
	// slideWindow is half the time over which the slide's movement is judged, s.
	slideWindow = 0.15
	// slideGuard is how long the frame takes to relax when the hand leaves a
	// knob, s.
	slideGuard = 0.5
	// minSlideUM is the smallest travel that counts as play, µm.
	minSlideUM = 5.0
	// slideIdleUM is the movement of the reading that is no play, µm.
	slideIdleUM = 0.45
	// slideWander is the part of the wander that no repetition within an entry
	// shows.
	slideWander = 0.7
	// flexLimUM is the flexure above which passes in one direction are doubted, µm.
	flexLimUM = 0.1
	// lnSingle is the price of a single pass in x alone beside a rest: where the
	// stretches are known no other division of the entry speaks against it.
	lnSingle = -1.2
	// Radii that a ring and a ball can leave, µm.
	minRhoUM, maxRhoUM = 500.0, 120_000.0
)

// slideClaim is what the arc says about the extremum.
type slideClaim uint8

const (
	slideOpen    slideClaim = iota // the vertex lies at the edge of the travel
	slideOdd                       // the readings follow no plausible arc
	slideMissed                    // the vertex lies beyond the travel
	slideCrossed                   // the vertex lies within the travel
)

// slide is a stretch in which y moves, and the arc fitted to it.
type slide struct {
	a, b      int // first and last bin
	lo, hi    float64
	claim     slideClaim
	v, s, t   float64 // vertex: reading and standard uncertainty, µm; time, s
	y0, sy0   float64 // its place, µm
	kappa, sk float64 // 1/ρ, 1/µm
	flex      float64 // of the frame, µm
	crossings int
}

// stretch is a range of bins.
type stretch struct{ a, b int }

// slideView is what is known of the second axis of one entry.
type slideView struct {
	seek   int     // that y belongs to
	noise  float64 // of y, µm
	step   float64 // smallest change of y, µm
	moving []bool
	flex   float64   // of the frame, as the arcs show it, µm
	dir    []float64 // of the slide, as the flexure of the frame follows it
	at     [maxSlides]slide
	n      int
}

// findSlides divides the entry into stretches in which the slide is played. It
// reports whether the second axis is alive and the stretches tell anything.
func (a *analyser) findSlides() bool {
	v := &a.slide
	v.n, v.seek, v.flex = 0, -1, 0
	for k, s := range a.p.Seeks {
		if s.Adjustment == Cross {
			v.seek = k
		}
	}
	n := len(a.z)
	if !a.hasY || v.seek < 0 || n < 32 {
		return false
	}
	a.measureSlide()
	thr := math.Max(math.Max(5*v.noise, 1.2*v.step), 0.5)
	w := math.Max(slideWindow, 1.01*a.period)
	if cap(v.moving) < n {
		v.moving = make([]bool, n, roomFor(n))
	}
	v.moving = v.moving[:n]
	v.dir = grow(v.dir, n)
	lo, hi := 0, 0
	last, level := 0.0, 0.0
	for i := range n {
		for a.t[lo] < a.t[i]-w {
			lo++
		}
		for hi < n-1 && a.t[hi+1] <= a.t[i]+w {
			hi++
		}
		dy := a.y[hi] - a.y[lo]
		v.moving[i] = math.Abs(dy) > thr
		goal := 0.5 * last
		if v.moving[i] {
			last = math.Copysign(1, dy)
			goal = last
		}
		if i > 0 {
			level += (goal - level) * (1 - math.Exp(-(a.t[i]-a.t[i-1])/0.12))
		}
		v.dir[i] = level
	}
	// Stretches of movement; those between which nothing else was played are one.
	cur := stretch{-1, -1}
	full := false
	flush := func() {
		if cur.a < 0 {
			return
		}
		s := slide{a: cur.a, b: cur.b}
		cur = stretch{-1, -1}
		s.lo, s.hi = a.travel(s.a, s.b)
		if s.hi-s.lo < math.Max(minSlideUM, math.Max(12*v.noise, 4*v.step)) {
			return
		}
		if v.n == maxSlides {
			full = true
			return
		}
		v.at[v.n] = s
		v.n++
	}
	for i := 0; i < n; {
		if !v.moving[i] {
			i++
			continue
		}
		j := i
		for j+1 < n && v.moving[j+1] {
			j++
		}
		if a.t[j]-a.t[i] >= 0.2 || j-i >= 8 {
			if cur.a >= 0 && !a.activeBetween(cur.b, i) {
				cur.b = j
			} else {
				flush()
				cur = stretch{i, j}
			}
		}
		i = j + 1
	}
	flush()
	if full || v.n == 0 {
		return false
	}
	seen := false
	for i := range v.n {
		s := &v.at[i]
		a.fitSlide(s)
		lo, hi := a.sm[s.a], a.sm[s.a]
		for k := s.a; k <= s.b; k++ {
			lo, hi = math.Min(lo, a.sm[k]), math.Max(hi, a.sm[k])
		}
		seen = seen || hi-lo > math.Max(0.3, math.Max(6*a.sigma, 2*a.q))
	}
	return seen
}

// measureSlide estimates noise and step of y.
func (a *analyser) measureSlide() {
	v := &a.slide
	d := a.tmp[:0]
	v.step = math.Inf(1)
	stride := 1 + len(a.y)/3000
	for i := 0; i+2 < len(a.y); i += stride {
		if dy := math.Abs(a.y[i+1] - a.y[i]); dy > 1e-6 {
			v.step = math.Min(v.step, dy)
		}
		d = append(d, math.Abs(a.y[i]-2*a.y[i+1]+a.y[i+2]))
	}
	a.tmp = d
	v.noise = nth(d, len(d)/2) / (0.6745 * math.Sqrt(6))
	if math.IsInf(v.step, 1) {
		v.step = a.q
	}
}

// travel returns the range of y within bins i…j, lone values left out.
func (a *analyser) travel(i, j int) (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for k := max(i, 1); k <= j && k+1 < len(a.y); k++ {
		p, q, r := a.y[k-1], a.y[k], a.y[k+1]
		m := math.Max(math.Min(p, q), math.Min(math.Max(p, q), r))
		lo, hi = math.Min(lo, m), math.Max(hi, m)
	}
	return lo, hi
}

// activeBetween reports whether the reading was moved between bins i and j, in
// which the slide stands still.
func (a *analyser) activeBetween(i, j int) bool {
	lo, hi := math.Inf(1), math.Inf(-1)
	for k := i; k <= j; k++ {
		if i > 0 && a.t[k] < a.t[i]+slideGuard || j < len(a.t)-1 && a.t[k] > a.t[j]-slideGuard {
			continue
		}
		lo, hi = math.Min(lo, a.sm[k]+2*a.ss[k]), math.Max(hi, a.sm[k]-2*a.ss[k])
	}
	return hi-lo > math.Max(slideIdleUM, math.Max(5*a.sigma, 2*a.q))
}

// decideSlides fills in the decision from the stretches of the slide. It reports
// false if there are more phases than can be kept.
func (a *analyser) decideSlides() bool {
	v, d := &a.slide, &a.dec
	last := len(a.z) - 1
	a.hinges = a.hinges[:0]
	a.hinges = append(a.hinges, a.hingeIn(0, 0, false))
	a.endRest = len(a.rests) > 0 && a.t[last]-a.t[a.rests[len(a.rests)-1].b] < 0.4
	add := func(ph phase, h hinge) bool {
		if d.n == maxPhases {
			return false
		}
		ph.from, ph.to = len(a.hinges)-1, len(a.hinges)
		a.hinges = append(a.hinges, h)
		d.ph[d.n] = ph
		d.n++
		return true
	}
	cross, other := v.seek, 1-v.seek
	from := 0
	for i := 0; i <= v.n; i++ {
		to := last
		if i < v.n {
			to = v.at[i].a
		}
		if a.activeBetween(from, to) {
			if i > 0 {
				a.hinges[len(a.hinges)-1] = a.hingeIn(from, to, false)
			} else {
				a.hinges[0] = a.hingeIn(0, to, false)
				if a.hinges[0].seen && a.t[a.hinges[0].a] > a.t[0]+0.6 {
					a.hinges[0] = a.hingeIn(0, 0, false)
				}
			}
			if !add(phase{seek: other}, a.hingeIn(from, to, true)) {
				d.n = 0
				return false
			}
		} else if h := a.hingeIn(from, to, i < v.n || i == 0); i > 0 || h.seen {
			a.hinges[len(a.hinges)-1] = h
		}
		if i == v.n {
			break
		}
		from = v.at[i].b
		if !add(phase{seek: cross, slide: i + 1}, hinge{}) {
			d.n = 0
			return false
		}
	}
	a.claimSlides()
	return true
}

// hingeIn makes the hinge of a rest within bins i…j, in which the slide stands
// still: the last one, or the first.
func (a *analyser) hingeIn(i, j int, late bool) hinge {
	k := i
	if late {
		k = j
	}
	h := hinge{a: k, b: k, level: a.sm[k], s: a.ss[k], t: a.t[k], tStart: a.t[k]}
	for _, r := range a.rests {
		lo, hi := max(r.a, i), min(r.b, j)
		if lo >= hi || a.t[hi]-a.t[lo] < minRestSeconds {
			continue
		}
		if late && a.t[j]-a.t[hi] > 1.2 && j < len(a.z)-1 {
			continue
		}
		m := a.measureRest(lo, hi)
		h = hinge{a: lo, b: hi, level: m.level, s: m.s, t: m.t, seen: true, dur: a.t[hi] - a.t[lo], tStart: a.t[lo]}
		if !late {
			break
		}
	}
	return h
}

// claimSlides draws the conclusions for both adjustments.
func (a *analyser) claimSlides() {
	v, d := &a.slide, &a.dec
	a.linkHinges()
	var none [2]float64 // probability that the extremum was not passed
	var best [2]float64
	none[0], none[1] = 1, 1
	var p [maxPhases]float64
	for i := range d.n {
		ph := &d.ph[i]
		if ph.slide > 0 {
			s := &v.at[ph.slide-1]
			a.checkRests(ph, s)
			if s.claim == slideCrossed {
				v.flex = math.Max(v.flex, s.flex)
			}
		}
	}
	for i := range d.n {
		ph := &d.ph[i]
		if ph.slide > 0 {
			s := &v.at[ph.slide-1]
			p[i] = [...]float64{slideOpen: 0.5, slideOdd: 0.5, slideMissed: 1e-4, slideCrossed: 1 - 1e-4}[s.claim]
			if s.claim == slideCrossed {
				ph.n, ph.value = s.crossings, s.v
			}
		} else {
			from, to := ph.from, ph.to
			caught, not, ok := a.weigh(from, to, ph.seek, ph)
			p[i] = 0
			if ok {
				if ph.n == 1 {
					caught += lnSingle
				}
				p[i] = 1 / (1 + math.Exp(not-caught))
				if a.doubtful(ph) {
					p[i] = math.Min(p[i], 0.9)
				}
			}
		}
		none[ph.seek] *= 1 - p[i]
		best[ph.seek] = math.Max(best[ph.seek], p[i])
	}
	for i := range d.n {
		ph := &d.ph[i]
		ph.caught = p[i] >= 0.98 || p[i] > 0.5 && p[i] == best[ph.seek]
		if ph.caught {
			d.mask |= 1 << ph.seek
		}
	}
	for k := range 2 {
		d.prob[k] = none[k]
		if d.mask>>k&1 == 1 {
			d.prob[k] = 1 - none[k]
		}
	}
}

// doubtful reports whether the passes of ph, which x alone shows, are worth
// less than their agreement says: none was left by more than the noise on both
// sides, or the frame gives so much to the hand that passes in one direction
// alone would be misread.
func (a *analyser) doubtful(ph *phase) bool {
	high := 0.0
	for _, id := range ph.passes[:ph.n] {
		p := &a.piv[id]
		if p.prom > math.Max(0.3, math.Max(10*a.ss[p.k], a.q)) {
			high++
		}
	}
	if high == 0 {
		return true
	}
	f := a.slide.flex
	if f < flexLimUM {
		return false
	}
	if ph.n < 2 {
		return true
	}
	for x := range a.piv {
		p := &a.piv[x]
		if p.k <= a.hinges[ph.from].b || p.k >= a.hinges[ph.to].a || p.kind != a.sense(ph.seek) {
			continue
		}
		if !slices.Contains(ph.passes[:ph.n], x) && math.Abs(p.v-ph.value) < 0.1+2.4*f {
			return true
		}
	}
	return false
}

// checkRests compares the levels at rest before and after the slide was played
// with the arc. Where they lie off it something else has moved meanwhile.
func (a *analyser) checkRests(ph *phase, s *slide) {
	if s.claim != slideCrossed {
		return
	}
	for _, i := range [2]int{ph.from, ph.to} {
		h := &a.hinges[i]
		r, sr, ok := a.residualOf(h)
		if !ok {
			continue
		}
		d := h.level - s.v - r
		if math.Abs(d) > math.Max(0.2, a.q)+4*math.Sqrt(h.s*h.s+sr*sr+s.s*s.s)+0.5*s.flex {
			s.claim = slideOdd
		}
	}
}

// residualOf returns what the place of the slide at hinge h says about the
// reading there: its distance from the extremum and the standard uncertainty,
// µm, by the best arc of the entry.
func (a *analyser) residualOf(h *hinge) (r, s float64, ok bool) {
	v := &a.slide
	var arc *slide
	for i := range v.n {
		if x := &v.at[i]; x.claim == slideCrossed && (arc == nil || x.sk/x.kappa < arc.sk/arc.kappa) {
			arc = x
		}
	}
	if arc == nil || !h.seen {
		return 0, 0, false
	}
	sum, n := 0.0, 0.0
	for k := h.a; k <= h.b; k++ {
		if math.Abs(a.t[k]-h.t) <= 0.6 && !v.moving[k] {
			sum += a.y[k]
			n++
		}
	}
	if n == 0 {
		return 0, 0, false
	}
	d := sum/n - arc.y0
	sd := math.Hypot(arc.sy0, math.Hypot(v.noise, v.step/math.Sqrt(12)))
	r = -float64(a.sense(v.seek)) * arc.kappa * d * d
	s = math.Sqrt(math.Pow(2*arc.kappa*d*sd, 2) + math.Pow(arc.sk*d*d, 2) + math.Pow(arc.kappa*sd*sd, 2) + 1e-5)
	return r, s, true
}
