package detect

import (
	"math"
	"slices"

	"ringsaddle/acquire"
)

// Cues in mid-entry. The evidence is weighed again whenever something has come
// to an end that may be evidence: a reversal has been left by more than the
// noise, or the reading has come to rest. Between two such moments nothing is
// computed. The readings are taken in groups of 40 ms for this; the capture at
// the end of the entry is worked out from all of them, so cues may differ from
// it and are provisional.

// liveView is what State shows while an entry is in progress.
type liveView struct {
	// Watch for reversals and rests, on bins, in counts.
	at        int     // bins seen
	sum       int64   // of the group in progress
	n         int64   // readings in it
	groupT    int64   // its start, ns
	dir       int     // +1 rising, −1 falling, 0 not known
	high      float64 // extremes since the last reversal
	low       float64
	stillT    int64 // since when the reading has not left still, ns
	still     float64
	rested    bool
	lastRun   int64 // ns
	limit     float64
	points    [2]TurningPoint
	caught    [2]bool
	complete  bool
	flat      bool // complete only because one adjustment cannot be seen
	confirmed bool // complete by all readings, at a rest that lasts
	saddle    float64
	u         float64
	resid     [2]float64
	parked    [2]bool
	sought    int
	missing   Reason
	prog      progress
}

// groupNS is the length of a group, runNS the shortest time between two looks,
// and announceNS how long a contact must have been settled to be announced, ns.
const (
	groupNS    = 40_000_000
	runNS      = 250_000_000
	announceNS = 300_000_000
)

func (l *liveView) reset() { *l = liveView{sought: -1} }

// follow is told of every new bin of a settled contact.
func (d *Detector) follow(r acquire.Reading) {
	c, l := &d.c, &d.live
	if !c.announced && c.moved && c.t > settleNS+announceNS {
		c.announced = true
		d.events = append(d.events, Event{Kind: EventContact, Seq: r.Seq, At: r.At})
	}
	if l.at > len(c.bins)-1 {
		l.at = max(0, len(c.bins)-1) // bins were folded or taken out
	}
	trigger := false
	for ; l.at < len(c.bins)-1; l.at++ {
		b := &c.bins[l.at]
		t := b.sumT / int64(b.n)
		if l.n > 0 && t-l.groupT >= groupNS {
			trigger = l.group(float64(l.sum)/float64(l.n), t, d) || trigger
			l.n = 0
		}
		if l.n == 0 {
			l.sum, l.groupT = 0, t
		}
		l.sum += b.sumX
		l.n += int64(b.n)
	}
	c.due = c.due || trigger
	if c.due && c.t-l.lastRun >= runNS+c.t/50 {
		c.due = false
		l.lastRun = c.t
		d.look(r)
	}
}

// group takes the mean of 40 ms and reports whether a reversal has been left or
// a rest begun.
func (l *liveView) group(x float64, t int64, d *Detector) bool {
	if l.limit == 0 {
		l.limit = math.Max(0.25/(d.p.StepMM*umPerMM), 2*float64(d.c.quantum))
		l.high, l.low, l.still, l.stillT = x, x, x, t
	}
	l.prog.moved(x)
	hit := false
	switch {
	case x > l.high:
		l.high = x
		if l.dir >= 0 {
			break
		}
		fallthrough
	case l.dir <= 0 && x-l.low > l.limit:
		if x-l.low > l.limit {
			hit = l.dir < 0
			l.dir, l.high = 1, x
		}
	case x < l.low || l.dir >= 0 && l.high-x > l.limit:
		if l.high-x > l.limit {
			hit = l.dir > 0
			if l.dir != -1 {
				l.low = x
			}
			l.dir = -1
		}
		l.low = math.Min(l.low, x)
	}
	if math.Abs(x-l.still) > l.limit {
		l.still, l.stillT, l.rested, l.confirmed = x, t, false, false
	} else if !l.rested && float64(t-l.stillT) >= d.p.RestSeconds*1e9 {
		l.rested = true
		hit = true
	}
	return hit
}

// look weighs the evidence so far and announces what is new.
func (d *Detector) look(r acquire.Reading) {
	c, a, l := &d.c, &d.an, &d.live
	a.run(c, EndOfStream, true)
	if l.rested && a.played && a.verdict().outcome == OutcomeDiameter {
		// The hand may be about to leave: what is said then must hold for the
		// capture, so it is worked out from all readings.
		a.run(c, EndOfStream, false)
	}
	if !a.played {
		return
	}
	if !c.announced {
		c.announced = true
		d.events = append(d.events, Event{Kind: EventContact, Seq: r.Seq, At: r.At})
	}
	v := a.verdict()
	for k := range 2 {
		was := l.caught[k]
		l.caught[k] = v.good[k]
		event := Event{Seq: r.Seq, At: r.At, Seek: k, Point: l.points[k]}
		if v.good[k] {
			p := a.point(c, k)
			event.Point = p
			switch {
			case !was:
				event.Kind = EventCaught
			case p.Crossings != l.points[k].Crossings || math.Abs(p.Value-l.points[k].Value) > 0.5*p.U:
				event.Kind = EventRefined
			}
			l.points[k] = p
		} else if was {
			event.Kind = EventRevoked
		}
		if event.Kind != "" {
			d.events = append(d.events, event)
		}
		l.resid[k], l.parked[k] = math.Abs(a.counts(a.est.resid[k])), a.est.parked[k]
	}
	done := v.outcome == OutcomeDiameter
	if done {
		l.saddle, l.u = a.counts(a.est.saddle), math.Abs(a.counts(a.est.u))
		if !l.complete {
			d.events = append(d.events, Event{Kind: EventComplete, Seq: r.Seq, At: r.At})
		}
	}
	l.complete = done
	l.confirmed = done && l.rested
	l.flat = v.flat
	l.sought = l.seekNext(d.hint.Seek, v, l.rested)
	l.missing = Reason{}
	var lacks [2]ReasonCode
	if !done {
		rs := a.reasons(c, v)
		lacks = Lacking(codesOf(rs), v.good)
		if len(rs) > 0 {
			l.missing = rs[0]
			if rs[0].Code == ReasonNotPlayed && l.sought >= 0 {
				l.missing.Text = "Now the " + d.p.Seeks[l.sought].name() + ": go past it, come back over it once, and take the hand off."
			} else if info := reasonInfo(rs[0].Code); info.Advice != "" {
				l.missing.Text += " " + info.Advice
			}
		}
	}
	d.survey(v, lacks)
}

// seekNext picks the adjustment that the hand should be at. Which one is in play
// is a guess that may change from look to look, so a hand is led in the order of
// the task: to the one that is not caught, and back to the other only from a rest.
func (l *liveView) seekNext(hint int, v verdict, rested bool) int {
	switch {
	case hint >= 0:
		return hint
	case v.good[0] && v.good[1]:
		return max(l.sought, 0)
	case v.good[0]:
		return 1
	case v.good[1] || l.sought < 0 || rested:
		return 0
	}
	return l.sought
}

// State returns a snapshot of the entry in progress.
func (d *Detector) State() State {
	c, l := &d.c, &d.live
	s := State{Stage: StageIdle, Sought: d.hint.Seek}
	if !d.active {
		return s
	}
	switch {
	case c.announced:
		s.Stage = StageContact
	case c.moved:
		s.Stage = StageApproach
		return s
	default:
		return s
	}
	s.Origin, s.StartSeq = c.origin, c.firstSeq
	s.Sought = l.sought
	s.Missing, s.Complete = l.missing, l.complete
	s.Best, s.U = l.saddle, l.u
	s.Residual, s.Parked = l.resid, l.parked
	for k := range 2 {
		if l.caught[k] {
			s.Points = append(s.Points, l.points[k])
		}
	}
	s.Points = slices.Clip(s.Points)
	d.progressInto(&s)
	return s
}

func codesOf(rs []Reason) []ReasonCode {
	out := make([]ReasonCode, len(rs))
	for i := range rs {
		out[i] = rs[i].Code
	}
	return out
}
