package detect

import (
	"slices"

	"ringsaddle/acquire"
)

// This file holds the part of the detector that sees every reading: it finds
// the stretches in which the carriage rests on a ring, leaves out readings that
// lie elsewhere for a moment, and keeps what the decision needs in bins.

const (
	// binNS is the width of a bin of readings, ns. It doubles when the bins of a
	// long contact are full.
	binNS = 5_000_000
	// maxBins bounds the memory of a contact: 145 s at the finest width.
	maxBins = 29_000
	// filterLen is the length of the filter for stray readings; a run of up to
	// three is outvoted.
	filterLen  = 11
	filterMid  = filterLen / 2
	filterMask = 15
	// anchorNS is the time over which the speed of approach is judged, ns.
	anchorNS = 100_000_000
	// settleNS is how long the reading must have been slow before the contact
	// counts as settled, ns.
	settleNS = 200_000_000
	// liftMM is the smallest abrupt displacement that means loss of contact, mm.
	liftMM = 0.012
	// holeNS is the longest time without any reading in a contact, ns.
	holeNS = 3_000_000_000
	// tickNS is the time over which abrupt displacements are judged, and burstNS
	// the longest that one takes, ns.
	tickNS  = 40_000_000
	burstNS = 150_000_000
	// stillReadings is how many readings in a row may carry one time before the
	// clock is taken to stand still.
	stillReadings = 64
)

// bin sums up neighbouring readings, exactly.
type bin struct {
	sumX, sumY int64  // counts above the origin
	sumT       int64  // ns since the start of the contact
	at         int64  // station clock of the last reading
	seq        uint64 // Seq of the last reading
	n          int32
	nY         int32
}

// The stages of an abrupt displacement.
const (
	burstNone = iota
	burstRising
	burstAway
	burstLost
)

// sample is a reading on its way through the filter.
type sample struct {
	x, y int64 // counts above the origin
	t    int64 // ns since the start of the contact
	at   int64
	seq  uint64
	hasY bool
}

// contact is a stretch in which the reading stays within reach.
type contact struct {
	begin
	// The readings that passed the filter.
	track track
	bins  []bin

	// generation changes whenever bins but the last one change.
	generation uint32

	quantum int64 // resolution, counts
	lift    int64 // smallest abrupt displacement that means loss of contact, counts
	lossNS  int64
}

// begin is the part of a contact that is new with each one.
type begin struct {
	origin, originY int64
	hasOriginY      bool
	firstSeq        uint64
	firstAt         int64
	lastAt          int64 // station clock of the reading before
	t               int64 // ns since the start
	period          int64 // typical time between readings, ns
	count           int64 // readings
	late            bool  // readings come late, in a bunch
	pace, arrived   int64 // of the late ones: ns from one to the next, station clock of the last
	still           int
	clockJumps      int
	moved           bool // an approach or a withdrawal came before
	preset          bool // it began with a step from the contact before

	fifo  [filterMask + 1]sample
	nFifo int // readings that have entered
	stray int // readings left out by the filter
	// Usual second differences at the distances 1 and 3, as limits, and their
	// running means times 32, counts.
	usual, usualFar   int64
	meanNear, meanFar int64

	// The last reading that was taken for good, and the run of readings that
	// lie elsewhere since.
	goodX, goodT int64
	goodAt       int64
	goodSeq      uint64
	outs         int
	outSame      int   // of those, how many lie together at one place
	outX         int64 // the first of them

	settledBin int // first bin of the settled contact
	settled    bool
	announced  bool
	due        bool // something has come to an end that may be evidence

	// The last place that was left slowly, while the reading moves fast.
	leaving  bool
	leaveX   int64
	leaveBin int

	// The watch for abrupt displacements.
	burst    uint8
	burstX   int64 // where the displacement began
	burstT   int64
	burstBin int
	burstV   float64
	burstFar int64

	width int64 // of a bin, ns
	// Readings up to binEnd belong to the last bin, as all in it do that began at
	// binStart; 0 if that is not known.
	binStart, binEnd int64
}

// reset begins a contact at r. What follows depends on r and later readings
// alone, so that a replay from r on gives the same.
func (c *contact) reset(r acquire.Reading, moved bool) {
	bins := c.bins[:0]
	if bins == nil {
		bins = make([]bin, 0, maxBins)
	}
	c.begin = begin{origin: r.X, firstSeq: r.Seq, firstAt: r.At, lastAt: r.At, goodAt: r.At, width: binNS, moved: moved}
	c.bins = bins
	c.generation++
	c.track.clear()
	if r.Flags&acquire.HasY != 0 {
		c.originY, c.hasOriginY = r.Y, true
	}
}

// advance moves the contact's own time on and returns the time since the
// reading before, ns. Times that stand still in bunches are taken as they are;
// times that run backwards or jump are replaced by the usual period.
func (c *contact) advance(at int64) int64 {
	c.count++
	if c.late {
		if dt, ok := c.catchUp(at); ok {
			return dt
		}
	}
	dt := at - c.lastAt
	c.lastAt = at
	switch {
	case dt == 0:
		c.still++
		if c.still > stillReadings {
			dt = c.period
			if dt == 0 {
				dt = 1_000_000
			}
			if c.still == stillReadings+1 {
				c.clockJumps++
			}
		}
	case dt < 0 || dt > 3600_000_000_000:
		c.clockJumps++
		dt = c.period
		c.still = 0
	default:
		c.still = 0
		switch {
		case c.period == 0:
			c.period = dt
		case dt < c.period:
			c.period -= (c.period - dt) >> 4
		case dt < 4*c.period:
			c.period += (dt - c.period) >> 4
		default:
			c.period += c.period >> 4
		}
	}
	c.t += dt
	return dt
}

// feed puts a reading that lies within reach into the filter; what leaves the
// filter goes to the bins.
func (c *contact) feed(s sample) {
	c.fifo[c.nFifo&filterMask] = s
	c.nFifo++
	switch {
	case c.nFifo < filterLen:
	case c.nFifo == filterLen:
		// The first half has no full neighbourhood; it is judged by this one.
		for i := 0; i <= filterMid; i++ {
			c.judge(i, 0)
		}
	default:
		i := c.nFifo - 1 - filterMid
		x := c.fifo[i&filterMask].x
		// Most readings are beyond doubt: they lie midway between their neighbours
		// at two distances. Runs of up to three cannot hide from both.
		near := 2*x - c.fifo[(i-1)&filterMask].x - c.fifo[(i+1)&filterMask].x
		far := 2*x - c.fifo[(i-3)&filterMask].x - c.fifo[(i+3)&filterMask].x
		near, far = max(near, -near), max(far, -far)
		if near <= c.usual && far <= c.usualFar {
			c.put(c.fifo[i&filterMask])
		} else {
			c.judge(i, c.nFifo-filterLen)
		}
		// Limits of three to four times the mean, in thirty-seconds.
		c.meanNear += min(near, 4*c.usual+c.quantum) - c.meanNear>>5
		c.meanFar += min(far, 4*c.usualFar+c.quantum) - c.meanFar>>5
		c.usual = c.meanNear >> 3
		c.usualFar = c.meanFar >> 3
	}
}

// drain empties the filter at the end of a contact.
func (c *contact) drain() {
	from := c.nFifo - filterMid
	start := c.nFifo - filterLen
	if c.nFifo < filterLen {
		from, start = 0, 0
	}
	for i := from; i < c.nFifo; i++ {
		c.judge(i, start)
	}
	c.nFifo = 0
}

// judge passes reading i of the filter on, unless it stands apart from the line
// through its neighbours, from reading start on, by more than they do.
func (c *contact) judge(i, start int) {
	s := c.fifo[i&filterMask]
	n := min(filterLen, c.nFifo-start)
	if n < filterLen {
		c.put(s)
		return
	}
	var v [filterMid]int64
	for j := range filterMid {
		v[j] = c.fifo[(start+j)&filterMask].x
	}
	m1 := median5(v)
	for j := range filterMid {
		v[j] = c.fifo[(start+filterMid+1+j)&filterMask].x
	}
	m2 := median5(v)
	// The medians stand for the middles of the two halves, 6 readings apart.
	line := func(j int) int64 { return m1 + (m2-m1)*int64(j-start-filterMid/2)/(filterMid+1) }
	var r [filterLen]int64
	for j := range filterLen {
		d := c.fifo[(start+j)&filterMask].x - line(start+j)
		d = max(d, -d)
		k := j
		for k > 0 && r[k-1] > d {
			r[k] = r[k-1]
			k--
		}
		r[k] = d
	}
	if d := s.x - line(i); max(d, -d) > 7*r[filterLen/2]+3*c.quantum {
		c.stray++
		return
	}
	c.put(s)
}

// median5 returns the median of five numbers.
func median5(v [filterMid]int64) int64 {
	for i := 1; i < len(v); i++ {
		x := v[i]
		k := i
		for k > 0 && v[k-1] > x {
			v[k] = v[k-1]
			k--
		}
		v[k] = x
	}
	return v[2]
}

// watch compares a reading of the settled contact with those 0.1 s, 80 ms and
// 40 ms before it.
func (c *contact) watch() {
	k := &c.track
	if k.fast && !c.leaving {
		c.leaving, c.leaveX, c.leaveBin = true, k.lag100().x, int(k.lag100().bins)
	} else if !k.fast {
		c.leaving = false
	}
	c.watchBurst(k)
}

// watchBurst looks for a displacement that begins and ends abruptly: no hand
// turns a knob that way, so the contact has been lost (or found) by less than a
// jump. One that is taken back at once is only left out.
func (c *contact) watchBurst(k *track) {
	d, v := k.step40()
	switch c.burst {
	case burstNone:
		if 4*max(d, -d) < c.lift {
			return
		}
		if before := k.speed80(); v > 8*before {
			m := k.lag40()
			c.burst, c.burstX, c.burstT, c.burstBin, c.burstV = burstRising, m.x, m.t, int(m.bins), v
		}
	case burstRising:
		far := k.x - c.burstX
		switch {
		case v < 0.3*c.burstV && max(far, -far) >= c.lift:
			c.burst, c.burstFar = burstAway, far
		case v < 0.3*c.burstV || k.t-tickNS-c.burstT > max(burstNS, 2*c.period):
			c.burst = burstNone
		default:
			c.burstV = max(c.burstV, v)
		}
	case burstAway:
		far := k.x - c.burstX
		if 4*max(far, -far) < max(c.burstFar, -c.burstFar) {
			if c.burstBin < len(c.bins) {
				c.bins = c.bins[:c.burstBin]
				c.binEnd = 0
				c.generation++
				c.settledBin = min(c.settledBin, c.burstBin)
			}
			c.burst = burstNone
		} else if k.t-c.burstT > c.lossNS+anchorNS {
			c.burst = burstLost
		}
	}
}

// put adds a sample to the bins.
func (c *contact) put(s sample) {
	c.track.push(s.x, s.t-c.track.t, len(c.bins))
	if c.settled {
		c.watch()
	}
	if n := len(c.bins); n > 0 {
		b := &c.bins[n-1]
		in := s.t < c.binEnd && s.t-c.binStart < c.width-c.width/8
		if !in && (s.t < c.binEnd || c.binEnd == 0) {
			first := b.sumT / int64(b.n)
			in = s.t-first < c.width-c.width/8 && s.t/c.width == first/c.width
		}
		if in {
			b.sumX += s.x
			b.sumT += s.t
			b.at, b.seq = s.at, s.seq
			b.n++
			if s.hasY {
				b.sumY += s.y
				b.nY++
			}
			return
		}
		if n == maxBins {
			c.fold()
		}
	}
	c.binStart, c.binEnd = s.t, s.t-s.t%c.width+c.width
	nb := bin{sumX: s.x, sumT: s.t, at: s.at, seq: s.seq, n: 1}
	if s.hasY {
		nb.sumY, nb.nY = s.y, 1
	}
	c.bins = append(c.bins, nb)
}

// fold joins neighbouring bins in pairs.
func (c *contact) fold() {
	c.width *= 2
	c.binEnd = 0
	c.generation++
	half := len(c.bins) / 2
	for i := range half {
		a, b := c.bins[2*i], c.bins[2*i+1]
		c.bins[i] = bin{
			sumX: a.sumX + b.sumX, sumY: a.sumY + b.sumY, sumT: a.sumT + b.sumT,
			at: b.at, seq: b.seq, n: a.n + b.n, nY: a.nY + b.nY,
		}
	}
	c.bins = slices.Delete(c.bins, half, len(c.bins))
	c.leaveBin = min(c.leaveBin/2, half)
	c.track.fold()
	c.burstBin = min(c.burstBin/2, half)
	c.settledBin = min(c.settledBin/2, half)
}
