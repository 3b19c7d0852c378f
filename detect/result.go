package detect

import (
	"fmt"
	"math"
)

// maxDoubt is the largest probability that the hands changed over at another
// place, with another diameter, with which one is given.
const maxDoubt = 0.15

// minClaim is the probability below which a claim is not even a doubt: nothing was
// passed there.
const minClaim = 0.45

// maxU is the largest standard uncertainty, µm, with which a diameter is reported
// (a step of the readout where that is more). More than that means that the pieces
// of the entry do not fit together.
const maxU = 0.2

// verdict is what may be said about an entry.
type verdict struct {
	good    [2]bool // the turning point of the seek is sure
	outcome Outcome
	flat    bool // the other adjustment was too flat to see
	unclear bool // the turning points are sure, the place between them is not
}

// verdict draws the conclusion from the decision.
func (a *analyser) verdict() verdict {
	d, e := &a.dec, &a.est
	var v verdict
	sure := 1 - a.p.FalseProbability
	doubt := false
	for k := range 2 {
		claimed := d.mask>>k&1 == 1 && e.ok
		v.good[k] = claimed && d.prob[k] >= sure
		doubt = doubt || claimed && !v.good[k] && d.prob[k] >= minClaim || !claimed && d.prob[k] < 0.5
	}
	switch {
	case e.flat && v.good[1-e.flatSeek]:
		v.outcome, v.flat = OutcomeDiameter, true
	case v.good[0] && v.good[1]:
		v.outcome = OutcomeDiameter
		if d.doubt > maxDoubt || a.overfull || e.u > math.Max(maxU, a.q) {
			v.unclear = true
			v.outcome = OutcomeAmbiguous
		}
	case doubt:
		v.outcome = OutcomeAmbiguous
	case v.good[0]:
		v.outcome = OnlyOutcome(a.p.Seeks[0].Adjustment)
	case v.good[1]:
		v.outcome = OnlyOutcome(a.p.Seeks[1].Adjustment)
	default:
		v.outcome = OutcomeIncomplete
	}
	return v
}

// name returns for example "tilt minimum".
func (s Seek) name() string {
	if s.Sense == Minimum {
		return string(s.Adjustment) + " minimum"
	}
	return string(s.Adjustment) + " maximum"
}

// side returns the word for the side of the extremum on which nothing lies.
func (s Seek) side() string {
	if s.Sense == Minimum {
		return "below"
	}
	return "above"
}

// reasons explains the verdict, the seek that is missing first.
func (a *analyser) reasons(c *contact, v verdict) []Reason {
	d := &a.dec
	var out []Reason
	say := func(code ReasonCode, format string, args ...any) {
		out = append(out, Reason{Code: code, Text: fmt.Sprintf(format, args...)})
	}
	if v.unclear {
		say(ReasonPhasesUnclear, "Both turning points were passed, but where one adjustment ended and the other began is not clear enough.")
	}
	for k := range 2 {
		if v.good[k] {
			continue
		}
		s := a.p.Seeks[k]
		if v.flat && k == a.est.flatSeek {
			say(ReasonTooFlat, "The %s is too flat to see here; what it can hide is part of the uncertainty.", s.name())
			continue
		}
		var ph *phase
		for i := range d.n {
			if d.ph[i].seek == k {
				ph = &d.ph[i]
			}
		}
		switch {
		case ph == nil:
			say(ReasonNotPlayed, "The %s was not played in this contact.", s.Adjustment)
		case ph.slide > 0 && a.slide.at[ph.slide-1].claim == slideOdd:
			say(ReasonPassesDisagree, "The reading over the position of the %s slide follows no arc that a ring gives.", s.Adjustment)
		case ph.slide > 0 && a.slide.at[ph.slide-1].claim == slideOpen:
			say(ReasonFewPasses, "The %s lies at the edge of what the slide has covered.", s.name())
		case ph.n == 0 || d.mask>>k&1 == 0 && d.prob[k] >= 0.8:
			best := a.extremeOf(ph, k)
			say(ReasonNotCrossed, "The reading never came back from %s %s: the %s was not passed.", s.side(), a.mm(c, best), s.name())
		case ph.n == 1:
			say(ReasonSeenOnce, "The %s was passed once, at %s, and not found again.", s.name(), a.mm(c, ph.value))
		default:
			lo, hi := math.Inf(1), math.Inf(-1)
			for x := range ph.n {
				p := &a.piv[ph.passes[x]]
				lo, hi = math.Min(lo, p.v), math.Max(hi, p.v)
			}
			switch {
			case hi-lo > math.Max(0.3, math.Max(6*a.sigma, a.q)):
				say(ReasonPassesDisagree, "%d passes over the %s disagree by %.2f µm.", ph.n, s.name(), hi-lo)
			case a.shapeOfAll(ph.passes[:ph.n]) < -float64(ph.n)/2:
				say(ReasonEndStop, "The reading turned %d times near %s, but as at a stop or a resting hand, not as at a %s.", ph.n, a.mm(c, ph.value), s.name())
			default:
				say(ReasonFewPasses, "%d passes over the %s agree near %s, but the hand moved too little around it to be sure.", ph.n, s.name(), a.mm(c, ph.value))
			}
		}
	}
	return out
}

// extremeOf returns the value of phase ph that lies farthest towards the
// extremum of seek k, µm.
func (a *analyser) extremeOf(ph *phase, k int) float64 {
	sg := float64(a.sense(k))
	lo, hi := a.hinges[ph.from].a, a.hinges[ph.to].b
	best := a.sm[lo]
	for i := lo; i <= hi && i < len(a.sm); i++ {
		if (a.sm[i]-best)*sg > 0 {
			best = a.sm[i]
		}
	}
	return best
}

// mm prints a value of the analysis as the readout would show it.
func (a *analyser) mm(c *contact, um float64) string {
	decimals := int(math.Max(0, math.Ceil(-math.Log10(a.p.ResolutionMM)-1e-9)))
	return fmt.Sprintf("%.*f mm", decimals, (float64(c.origin)+a.counts(um))*a.p.StepMM)
}

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
	return b.at + int64((t-float64(b.sumT)/float64(b.n)*1e-9)*1e9)
}

// capture makes the final statement about the entry.
func (a *analyser) capture(c *contact, how Ending) *Capture {
	d, e := &a.dec, &a.est
	v := a.verdict()
	cp := &Capture{Origin: c.origin, Ending: how, Outcome: v.outcome, Probability: d.prob}
	first, last := &c.bins[a.bin[0]], &c.bins[a.bin[len(a.bin)-1]]
	cp.StartAt, cp.EndAt = first.at, last.at
	cp.At = cp.EndAt
	if e.ok {
		cp.At = a.stationTime(c, e.tEnd)
	}
	for k := range 2 {
		if v.good[k] {
			cp.Points = append(cp.Points, a.point(c, k))
		}
		cp.Residual[k], cp.ResidualU[k] = math.Abs(a.counts(e.resid[k])), math.Abs(a.counts(e.residU[k]))
		cp.Parked[k] = e.parked[k]
	}
	cp.Reasons = a.reasons(c, v)
	if how == EndReadingsLost {
		// What was between is not known: nothing in it may be trusted.
		cp.Outcome, cp.Points = OutcomeIncomplete, nil
		cp.Reasons = append([]Reason{{ReasonReadingsLost, "Readings are missing inside this contact."}}, cp.Reasons...)
	}
	if c.preset || a.preset {
		cp.Outcome, cp.Points = OutcomeAmbiguous, nil
		cp.Reasons = append([]Reason{{ReasonPreset, "The reading stepped while nothing moved, as when a preset or zero key is pressed."}}, cp.Reasons...)
	}
	if how == EndLost && !d.finished(a) && cp.Outcome != OutcomeDiameter {
		cp.Reasons = append(cp.Reasons, Reason{ReasonContactLost, "The contact was lost in the middle of a movement."})
	}
	if c.clockJumps > 0 {
		cp.Reasons = append(cp.Reasons, Reason{ReasonClock, "The times of the readings jumped within this contact."})
	}
	if cp.Outcome == OutcomeDiameter {
		cp.Saddle, cp.U = a.counts(e.saddle), math.Abs(a.counts(e.u))
		if e.unseenE {
			cp.Reasons = append(cp.Reasons, Reason{ReasonNoRest, "The reading did not hold still between the two adjustments."})
		}
		if math.Abs(e.slope)*60 > 0.25 {
			cp.Reasons = append(cp.Reasons, Reason{ReasonDrift, fmt.Sprintf("The reading drifts by %.1f µm a minute.", math.Abs(e.slope)*60)})
		}
	}
	return cp
}

// finished reports whether the entry ended at rest.
func (d *decision) finished(a *analyser) bool { return a.endRest }
