package calibrate

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// Rule is a decision rule (JCGM 106, clause 8).
type Rule string

// The rules.
const (
	// SimpleAcceptance accepts a measured value inside the limits (8.2).
	SimpleAcceptance Rule = "simple_acceptance"
	// GuardBand accepts inside limits drawn in by w = r·U (8.3.2).
	GuardBand Rule = "guard_band"
	// ConformanceProbability accepts if the probability of conformity is at least
	// the agreed one (8.3.3).
	ConformanceProbability Rule = "conformance_probability"
)

// VerdictOutcome says on which side of a limit the value lies and whether the
// uncertainty allows to say so.
type VerdictOutcome string

// The outcomes.
const (
	// Conforms: inside, and the rule allows to say so.
	Conforms VerdictOutcome = "conforms"
	// InsideNotProven: inside, but too near a limit for the rule.
	InsideNotProven VerdictOutcome = "inside_not_proven"
	// OutsideNotProven: outside, but too near the limit to state non-conformity.
	OutsideNotProven VerdictOutcome = "outside_not_proven"
	// DoesNotConform: outside, and the rule allows to say so.
	DoesNotConform VerdictOutcome = "does_not_conform"
)

// Verdict is a decision in figures. Lengths are millimetres.
type Verdict struct {
	Outcome VerdictOutcome `json:"outcome"`
	Rule    Rule           `json:"rule"`
	// LowerMM and UpperMM are the tolerance limits, LowerAcceptanceMM and
	// UpperAcceptanceMM the limits of acceptance (equal to them but for a guard
	// band).
	LowerMM           float64 `json:"lower_limit_mm"`
	UpperMM           float64 `json:"upper_limit_mm"`
	LowerAcceptanceMM float64 `json:"lower_acceptance_mm"`
	UpperAcceptanceMM float64 `json:"upper_acceptance_mm"`
	// Conformance is the probability that the true diameter lies inside the
	// limits, given this measurement and no knowledge from before. Risk is the
	// specific risk of the statement made: of wrong acceptance, 1 − Conformance,
	// if the value lies inside, else of wrong rejection, Conformance.
	Conformance float64 `json:"conformance_probability"`
	Risk        float64 `json:"specific_risk"`
	// Capability is the measurement capability index T/(4u) (JCGM 106, 7.6).
	Capability float64 `json:"capability_index"`
}

// Limits are the lower and upper limit of a diameter, mm.
type Limits struct{ LowerMM, UpperMM float64 }

// Conformance returns the probability that a quantity with estimate y, standard
// uncertainty u and dof degrees of freedom (+Inf: normal) lies inside the limits:
// JCGM 106, 7.4, equation (9); 8.3.3 uses the t distribution likewise. Infinite
// limits are permitted.
func (l Limits) Conformance(y, u, dof float64) float64 {
	if u == 0 {
		if y >= l.LowerMM && y <= l.UpperMM {
			return 1
		}
		return 0
	}
	cdf := func(x float64) float64 {
		if math.IsInf(x, 0) || math.IsInf(dof, 1) {
			return distuv.UnitNormal.CDF(x)
		}
		return distuv.StudentsT{Sigma: 1, Nu: dof}.CDF(x)
	}
	return cdf((l.UpperMM-y)/u) - cdf((l.LowerMM-y)/u)
}

// Decide applies a decision to a diameter with standard uncertainty u, dof
// degrees of freedom and expanded uncertainty U. A nil decision is a guard band of
// one U.
func Decide(d *SetDecision, l Limits, y, u, dof, expanded float64) Verdict {
	if d == nil {
		d = &SetDecision{Rule: string(GuardBand), R: 1}
	}
	v := Verdict{
		Rule: Rule(d.Rule), LowerMM: l.LowerMM, UpperMM: l.UpperMM,
		LowerAcceptanceMM: l.LowerMM, UpperAcceptanceMM: l.UpperMM,
		Conformance: l.Conformance(y, u, dof),
	}
	if u > 0 {
		v.Capability = (l.UpperMM - l.LowerMM) / (4 * u)
	}
	inside := y >= l.LowerMM && y <= l.UpperMM
	var accept, reject bool
	switch v.Rule {
	case GuardBand:
		w := d.R * expanded
		v.LowerAcceptanceMM += w
		v.UpperAcceptanceMM -= w
		accept = y >= v.LowerAcceptanceMM && y <= v.UpperAcceptanceMM
		reject = y < l.LowerMM-w || y > l.UpperMM+w
	case ConformanceProbability:
		accept = inside && v.Conformance >= d.Probability
		reject = !inside && 1-v.Conformance >= d.Probability
	default:
		accept, reject = inside, !inside
	}
	switch {
	case accept:
		v.Outcome = Conforms
	case reject:
		v.Outcome = DoesNotConform
	case inside:
		v.Outcome = InsideNotProven
	default:
		v.Outcome = OutsideNotProven
	}
	v.Risk = 1 - v.Conformance
	if !inside {
		v.Risk = v.Conformance
	}
	return v
}

// Sentence returns the verdict on the diameter y in plain words.
func (v Verdict) Sentence(y float64) string {
	side := "inside the limits"
	switch {
	case y > v.UpperMM:
		side = fmt.Sprintf("above the upper limit by %s µm", micrometres(y-v.UpperMM))
	case y < v.LowerMM:
		side = fmt.Sprintf("below the lower limit by %s µm", micrometres(v.LowerMM-y))
	case v.UpperMM-y < y-v.LowerMM:
		side = fmt.Sprintf("inside, %s µm below the upper limit", micrometres(v.UpperMM-y))
	default:
		side = fmt.Sprintf("inside, %s µm above the lower limit", micrometres(y-v.LowerMM))
	}
	var says string
	switch v.Outcome {
	case Conforms:
		says = "conforms: " + side + "; risk of wrong acceptance " + percent(v.Risk)
	case InsideNotProven:
		says = "conformity not proven: " + side + ", but the uncertainty does not allow to state conformity; risk of wrong acceptance " + percent(v.Risk)
	case OutsideNotProven:
		says = "non-conformity not proven: " + side + ", but the uncertainty does not allow to state non-conformity; probability of conformity " + percent(v.Conformance)
	default:
		says = "does not conform: " + side + "; risk of wrong rejection " + percent(v.Risk)
	}
	return says
}

func micrometres(mm float64) string { return fmt.Sprintf("%.2f", mm*1000) }

func percent(p float64) string {
	switch {
	case p < 0.0001:
		return "below 0.01 %"
	case p < 0.01:
		return fmt.Sprintf("%.2f %%", 100*p)
	default:
		return fmt.Sprintf("%.1f %%", 100*p)
	}
}

// GlobalRisk is what a rule does to a production (JCGM 106, clause 9.5).
type GlobalRisk struct {
	// Consumer is the probability that an item does not conform and is accepted,
	// Producer that it conforms and is rejected, Accepted that it is accepted,
	// Conforming that it conforms.
	Consumer, Producer, Accepted, Conforming float64
}

// Density is a probability density with its cumulative distribution, as the
// distributions of gonum have.
type Density interface {
	Prob(x float64) float64
	CDF(x float64) float64
}

// GlobalRisks integrates over the production's distribution of true values, with
// support from lo to hi, for measurements that are normal about the true value
// with standard uncertainty u: JCGM 106 equations (17) to (20). Limits may be
// infinite.
func GlobalRisks(production Density, lo, hi, u float64, tolerance, acceptance Limits) (GlobalRisk, error) {
	if !(u > 0) || !(hi > lo) {
		return GlobalRisk{}, errors.New("global risk: u above 0 and a support from lo to hi above lo are needed")
	}
	accept := func(eta float64) float64 {
		return distuv.UnitNormal.CDF((acceptance.UpperMM-eta)/u) - distuv.UnitNormal.CDF((acceptance.LowerMM-eta)/u)
	}
	// Pieces between the limits keep the integrand smooth; the panels resolve u.
	integrate := func(a, b float64, f func(float64) float64) float64 {
		a, b = math.Max(a, lo), math.Min(b, hi)
		if b <= a {
			return 0
		}
		const panels = 64
		var sum float64
		for i := range panels {
			x0 := a + (b-a)*float64(i)/panels
			x1 := a + (b-a)*float64(i+1)/panels
			sum += quad.Fixed(f, x0, x1, 12, nil, 0)
		}
		return sum
	}
	good := func(eta float64) float64 { return production.Prob(eta) * accept(eta) }
	bad := func(eta float64) float64 { return production.Prob(eta) * (1 - accept(eta)) }
	var g GlobalRisk
	g.Consumer = integrate(lo, tolerance.LowerMM, good) + integrate(tolerance.UpperMM, hi, good)
	g.Producer = integrate(tolerance.LowerMM, tolerance.UpperMM, bad)
	g.Conforming = production.CDF(tolerance.UpperMM) - production.CDF(tolerance.LowerMM)
	g.Accepted = g.Conforming - g.Producer + g.Consumer
	return g, nil
}

// UpdateNormal combines knowledge of an item from before (y0, u0) with a
// measurement (y, u), both normal: JCGM 106, A.4.4.
func UpdateNormal(y0, u0, y, u float64) (mean, sd float64) {
	w0, w := 1/(u0*u0), 1/(u*u)
	return (w0*y0 + w*y) / (w0 + w), u0 * u / math.Hypot(u0, u)
}
