package detect

import (
	"math"

	"ringsaddle/acquire"
)

// maxDoubt is the largest probability that the hands changed over at another
// place, with another diameter, with which one is given.
const maxDoubt = 0.15

// liveView is what State shows while an entry is in progress.
type liveView struct {
	points   [2]TurningPoint
	caught   [2]bool
	complete bool
	state    State
	next     int
}

func (l *liveView) reset() { *l = liveView{} }

// follow keeps the provisional view up to date.
func (d *Detector) follow(r acquire.Reading) {}

// State returns a snapshot of the entry in progress.
func (d *Detector) State() State { return State{Stage: StageIdle, Sought: -1} }

// counts turns a length of the analysis into counts above the origin.
func (a *analyser) counts(um float64) float64 { return um / a.um }

// point makes the turning point of seek k.
func (a *analyser) point(c *contact, k int) TurningPoint {
	e := &a.est
	return TurningPoint{
		Adjustment: a.p.Seeks[k].Adjustment, Sense: a.p.Seeks[k].Sense,
		At:    a.stationTime(c, e.valueT[k]),
		Value: a.counts(e.value[k]), U: math.Abs(a.counts(e.valueU[k])),
		Crossings: e.n[k],
		First:     c.bins[a.bin[e.first[k]]].seq, Last: c.bins[a.bin[e.last[k]]].seq,
	}
}

// stationTime returns the station clock at t seconds into the contact.
func (a *analyser) stationTime(c *contact, t float64) int64 {
	lo, hi := 0, len(a.t)-1
	for lo < hi {
		mid := (lo + hi) / 2
		if a.t[mid] < t {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	b := &c.bins[a.bin[lo]]
	return b.at + int64((t-a.t[lo])*1e9)
}

// capture makes the final statement about the entry.
func (a *analyser) capture(c *contact, how Ending) *Capture {
	d, e := &a.dec, &a.est
	cp := &Capture{Origin: c.origin, Ending: how, Outcome: OutcomeIncomplete}
	first, last := &c.bins[a.bin[0]], &c.bins[a.bin[len(a.bin)-1]]
	cp.StartAt, cp.EndAt = first.at, last.at
	cp.At = cp.EndAt
	if e.ok {
		cp.At = a.stationTime(c, e.tEnd)
	}
	cp.Probability = d.prob
	sure := 1 - a.p.FalseProbability
	var good [2]bool
	for k := range 2 {
		if d.mask>>k&1 == 1 && e.ok {
			good[k] = d.prob[k] >= sure
			if good[k] {
				cp.Points = append(cp.Points, a.point(c, k))
			}
		}
	}
	say := func(code ReasonCode, text string) {
		cp.Reasons = append(cp.Reasons, Reason{code, text})
	}
	unclear := good[0] && good[1] && d.doubt > maxDoubt
	switch {
	case unclear:
	case good[0] && good[1]:
		cp.Outcome = OutcomeDiameter
		cp.Saddle, cp.U = a.counts(e.saddle), math.Abs(a.counts(e.u))
	case good[0]:
		cp.Outcome = OnlyOutcome(a.p.Seeks[0].Adjustment)
	case good[1]:
		cp.Outcome = OnlyOutcome(a.p.Seeks[1].Adjustment)
	}
	if unclear {
		cp.Outcome = OutcomeAmbiguous
		say(ReasonPhasesUnclear, "")
	} else if cp.Outcome != OutcomeDiameter {
		doubt := false
		for k := range 2 {
			if d.mask>>k&1 == 1 && !good[k] {
				doubt = true
			}
			if d.mask>>k&1 == 0 && d.prob[k] < 0.8 {
				doubt = true
			}
		}
		if doubt {
			cp.Outcome = OutcomeAmbiguous
			say(ReasonSeenOnce, "")
		} else {
			say(ReasonNotCrossed, "")
		}
	}
	for k := range 2 {
		cp.Residual[k], cp.ResidualU[k] = a.counts(e.resid[k])*0+math.Abs(a.counts(e.resid[k])), math.Abs(a.counts(e.residU[k]))
		cp.Parked[k] = e.parked[k]
	}
	return cp
}
