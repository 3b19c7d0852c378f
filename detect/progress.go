package detect

import "math"

// What State tells about the play in progress, beyond what is caught: how far
// the reading is from the extremum sought, how far it was let away, which
// reversals are taken for the hand's. The slow part is filled in at a look, the
// rest when State is asked for.

// progress is filled in at a look.
type progress struct {
	seek      [2]SeekState
	backs     [MaxTurnBacks]TurnBack
	nBacks    int
	sigma     float64 // of one bin, counts
	visible   float64 // counts
	low, high float64 // since the play of the adjustment sought began, counts
	lowFar    float64 // since its last pass, counts
	highFar   float64
	begun     bool
	slide     int // seek that the second axis belongs to, or −1
	y0        float64
	yStart    float64
}

// survey fills in the progress after a look.
func (d *Detector) survey(v verdict, lacks [2]ReasonCode) {
	a, l := &d.an, &d.live
	p := &l.prog
	*p = progress{slide: -1}
	p.sigma = math.Abs(a.counts(a.sigma))
	p.visible = math.Abs(a.counts(math.Max(math.Max(6*a.ss[len(a.ss)-1], 1.3*a.q), 0.08)))
	for k := range 2 {
		s := &p.seek[k]
		s.Caught, s.Lacks = v.good[k], lacks[k]
		for i := range a.dec.n {
			if ph := &a.dec.ph[i]; ph.seek == k {
				s.Played, s.Passes = true, ph.n
			}
		}
		if v.good[k] {
			s.Extreme, s.Seen = l.points[k].Value, true
		}
	}
	for i := range a.dec.n {
		d.turnBacks(&a.dec.ph[i])
	}
	for i := range a.slide.n {
		if f := &a.slide.at[i]; a.hasY && a.dec.n > 0 && f.claim == slideCrossed {
			p.slide, p.y0, p.yStart = a.slide.seek, f.y0, a.y[0]
		}
	}
	if l.sought < 0 {
		return
	}
	// Since when the adjustment sought is being played, and since when its
	// extremum has not been passed.
	from, pass := 0, 0
	if n := a.dec.n; n > 0 {
		ph := &a.dec.ph[n-1]
		switch {
		case ph.seek == l.sought:
			from = a.hinges[ph.from].b
			pass = from
			if ph.n > 0 && ph.slide == 0 {
				pass = a.piv[ph.passes[ph.n-1]].k
			} else if ph.slide > 0 {
				pass = a.lastVertex(ph)
			}
		default:
			if m := len(a.rests); m > 0 {
				from = a.rests[m-1].a
			}
			if ph.n > 0 && ph.slide == 0 {
				from = max(from, a.piv[ph.passes[ph.n-1]].k)
			}
			pass = from
		}
	}
	last := len(a.sm) - 1
	extent := func(from int) (lo, hi float64) {
		lo, hi = math.Inf(1), math.Inf(-1)
		for _, x := range a.sm[min(from, last):] {
			lo, hi = min(lo, x), max(hi, x)
		}
		lo, hi = a.counts(lo), a.counts(hi)
		return min(lo, hi), max(lo, hi)
	}
	p.low, p.high = extent(from)
	p.lowFar, p.highFar = extent(pass)
	p.begun = true
}

// lastVertex is the bin at which the slide last passed the vertex of its arc in
// phase ph, or where the phase begins.
func (a *analyser) lastVertex(ph *phase) int {
	s := &a.slide.at[ph.slide-1]
	for i := s.b; i > s.a; i-- {
		if (a.y[i] < s.y0) != (a.y[i-1] < s.y0) {
			return i
		}
	}
	return s.a
}

// turnBacks notes the reversals of phase ph that are not taken for passes.
func (d *Detector) turnBacks(ph *phase) {
	a, c, p := &d.an, &d.c, &d.live.prog
	sense := a.sense(ph.seek)
	lo, hi := a.hinges[ph.from].b, a.hinges[ph.to].a
	passed := a.dec.mask>>ph.seek&1 == 1 && ph.caught
	for x := range a.piv {
		v := &a.piv[x]
		if v.kind != sense || v.k <= lo || v.k >= hi {
			continue
		}
		isPass := false
		switch {
		case ph.slide > 0:
			s := &a.slide.at[ph.slide-1]
			isPass = s.claim == slideCrossed && math.Abs(v.v-s.v) < math.Max(0.15, math.Max(4*a.sigma, a.q))
		case passed:
			for _, id := range ph.passes[:ph.n] {
				isPass = isPass || id == x
			}
		}
		if isPass {
			continue
		}
		if p.nBacks == MaxTurnBacks {
			copy(p.backs[:], p.backs[1:])
			p.nBacks--
		}
		s := a.p.Seeks[ph.seek]
		p.backs[p.nBacks] = TurnBack{Adjustment: s.Adjustment, Sense: s.Sense, At: a.stationTime(c, v.t), Value: a.counts(v.v)}
		p.nBacks++
	}
}

// moved takes the mean of a group of readings, counts.
func (p *progress) moved(x float64) {
	if !p.begun {
		p.low, p.high, p.lowFar, p.highFar, p.begun = x, x, x, x, true
		return
	}
	p.low, p.high = math.Min(p.low, x), math.Max(p.high, x)
	p.lowFar, p.highFar = math.Min(p.lowFar, x), math.Max(p.highFar, x)
}

// newest returns the mean reading of the last 40 ms and the position of the
// second axis, counts above their origins.
func (c *contact) newest() (x, y float64, hasY bool) {
	var sum, sumY, n, nY int64
	for i := len(c.bins) - 1; i >= 0; i-- {
		b := &c.bins[i]
		if n > 0 && c.t-b.sumT/int64(b.n) > groupNS {
			break
		}
		sum += b.sumX
		sumY += b.sumY
		n += int64(b.n)
		nY += int64(b.nY)
	}
	if n == 0 {
		return float64(c.goodX), 0, false
	}
	x = float64(sum) / float64(n)
	if nY > 0 {
		return x, float64(sumY) / float64(nY), true
	}
	return x, 0, false
}

// progressInto completes a snapshot of an entry in settled contact.
func (d *Detector) progressInto(s *State) {
	c, l := &d.c, &d.live
	p := &l.prog
	x, y, hasY := c.newest()
	s.X, s.Noise, s.Visible = x, p.sigma, p.visible
	if s.Visible == 0 {
		s.Visible = math.Max(1.3*float64(c.quantum), 0.08/(d.p.StepMM*umPerMM))
	}
	s.Seek = p.seek
	if p.nBacks > 0 {
		s.TurnBacks = append([]TurnBack(nil), p.backs[:p.nBacks]...)
	}
	if l.limit > 0 {
		s.Still = float64(c.t-l.stillT) * 1e-9
		s.Resting = s.Still >= d.p.RestSeconds
	}
	s.Seconds = float64(c.t) * 1e-9
	s.Confirmed, s.Flat = l.confirmed, l.flat && l.complete
	k := max(l.sought, 0)
	q := &s.Seek[k]
	if !p.begun {
		return
	}
	far := p.highFar
	best := math.Min(p.low, x)
	if d.p.Seeks[k].Sense == Maximum {
		best, far = math.Max(p.high, x), p.lowFar
	}
	if !q.Caught {
		q.Extreme, q.Seen = best, true
	}
	toward := float64(d.p.Seeks[k].Sense)
	q.Away = math.Max(0, (q.Extreme-x)*toward)
	q.Deepest = math.Max(q.Away, math.Max(0, (q.Extreme-far)*toward))
	if p.slide == k && hasY {
		um := d.p.StepMM * umPerMM
		now, start := y*um-p.y0, p.yStart-p.y0
		q.Side = SidePast
		if now < 0 == (start < 0) {
			q.Side = SideBefore
		}
	}
}

// Lacking sorts the reasons of one entry to the adjustments: it returns, by seek
// index, why a turning point was not caught. The reasons that speak of one
// adjustment come in the order of the adjustments that are not caught.
func Lacking(codes []ReasonCode, caught [2]bool) (out [2]ReasonCode) {
	i := 0
	for k := range 2 {
		if caught[k] {
			continue
		}
		for i < len(codes) && !codes[i].ofSeek() {
			i++
		}
		if i < len(codes) {
			out[k] = codes[i]
			i++
		}
	}
	return out
}

// ofSeek reports whether the reason speaks of one adjustment.
func (r ReasonCode) ofSeek() bool {
	switch r {
	case ReasonNotCrossed, ReasonSeenOnce, ReasonFewPasses, ReasonPassesDisagree, ReasonEndStop, ReasonNotPlayed, ReasonTooFlat:
		return true
	}
	return false
}
