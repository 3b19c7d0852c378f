package calibrate

import (
	"fmt"
	"math"
)

// closingSlackMM is what the sum of rounded decimals may add to a closing
// difference that lies exactly at its limit.
const closingSlackMM = 1e-12

// evaluated is one work capture with its model and propagation.
type evaluated struct {
	index       int
	model       *Model
	propagation Propagation
	terms       []Term
	result      Result
}

// Evaluate works out the diameters of a set. The error joins all faults of the
// input (see SetFile.Validate); a set without closing reference is evaluated and
// its outcome is provisional.
func Evaluate(in SetFile, opt Options) (Outcome, error) {
	if err := in.Validate(); err != nil {
		return Outcome{}, err
	}
	switch opt.Method {
	case "":
		opt.Method = MethodGUM
	case MethodGUM, MethodMC, MethodBoth:
	default:
		return Outcome{}, &FieldError{"method", string(opt.Method), "gum, mc, both", ""}
	}
	return evaluate(&in, opt)
}

// evaluate does the work of Evaluate for a valid set.
func evaluate(in *SetFile, opt Options) (Outcome, error) {
	c := compile(in)
	ref, err := c.referenceOf()
	if err != nil {
		return Outcome{}, err
	}
	out := Outcome{Status: Accepted, Results: []Result{}, Rings: []RingSummary{}, Reservations: []string{}, Drift: ref.fit}
	c.closingHalfWidth, c.closingName = ref.wander/2, "what the straight line from opening to closing may miss"
	switch d := ref.difference; {
	case math.IsNaN(d):
		out.Status = Provisional
		c.closingHalfWidth, c.closingName = c.limit, "drift since the opening, not closed: taken as up to the closing limit"
		out.reserve("no closing reference: the result is provisional, and the drift is only assumed to stay within ±%s µm", micrometres(c.limit))
	default:
		out.ClosingDifferenceMM = &d
		if math.Abs(d) > c.limit+closingSlackMM {
			out.Status = NotAccepted
			out.reserve("closing difference %+.2f µm is beyond its limit of ±%s µm: the set is not accepted", d*1000, micrometres(c.limit))
		}
	}
	if f := ref.fit; f != nil && f.LackOfFit {
		out.reserve("the readings scatter more about a linear drift than their uncertainties allow (χ² probability %.2g, residual standard deviation %s µm, %d degrees of freedom)", f.FitP, micrometres(f.ResidualSDMM), f.Dof)
	}
	if f := ref.fit; f != nil && f.DriftSignificant {
		out.reserve("the drift is significant (%.2f µm per hour, t = %.2f, probability %.2g)", f.RateMMPerS*3600*1000, f.DriftT, f.DriftP)
	}
	c.reserveShared(&out)
	var all []evaluated
	for _, k := range c.order {
		if in.Captures[k].Role != RoleWork {
			continue
		}
		m, eq := c.modelFor(k, c.weights(ref, k))
		p := Propagate(m, true)
		ev := evaluated{index: k, model: m, propagation: p}
		if err := c.inRange(in.Captures[k].ID, p.Estimate); err != nil {
			return Outcome{}, err
		}
		ev.terms = budgetTerms(m, p, eq.termValues(m, p, p.Estimate+p.Bias))
		ev.result = c.result(ev, opt)
		all = append(all, ev)
	}
	// Results in the order of the captures as given.
	for k := range in.Captures {
		for _, ev := range all {
			if ev.index == k {
				out.Results = append(out.Results, ev.result)
			}
		}
	}
	out.Rings = c.summaries(all, &out)
	return out, nil
}

func (o *Outcome) reserve(format string, args ...any) {
	o.Reservations = append(o.Reservations, fmt.Sprintf(format, args...))
}

// reserveShared says where a ring shares the entry of its material with another
// piece, since that makes their errors cancel.
func (c *compiledSet) reserveShared(out *Outcome) {
	shared := map[string]bool{}
	for i := range c.in.Rings {
		r := &c.in.Rings[i]
		m := r.Material
		if r.Role != string(Master) && m == c.master.ring.Material && !shared[m] && c.rings[r.ID].expand.StandardUncertainty() > 0 {
			shared[m] = true
			out.reserve("master and work share the material entry %q: their coefficients of expansion and moduli are taken as the same, error included; give each piece an entry of its own if they may differ", m)
		}
	}
}

// inRange refuses a diameter outside the verified range of the instrument.
func (c *compiledSet) inRange(capture string, mm float64) error {
	if r := c.in.Instrument.RangeMM; !(mm >= r[0] && mm <= r[1]) {
		return &RangeError{"diameter of capture " + capture, mm, r[0], r[1]}
	}
	return nil
}

// result makes the result of one work capture.
func (c *compiledSet) result(ev evaluated, opt Options) Result {
	cp := &c.in.Captures[ev.index]
	p := ev.propagation
	y := p.Estimate + p.Bias
	r := Result{
		Capture: cp.ID, Ring: cp.Ring, Position: cp.Position,
		DiameterMM: y, UMM: p.U, Dof: finite(p.Dof),
		CoverageFactor: CoverageFactor(c.probability, p.Dof),
		Terms:          ev.terms,
	}
	r.ExpandedMM = r.CoverageFactor * r.UMM
	dof := p.Dof
	if opt.Method != MethodGUM {
		mc := MonteCarlo(ev.model, c.probability, c.in.Seed, opt.MaxTrials, opt.ForEach)
		mc.Validate(y, r.ExpandedMM)
		r.MonteCarlo = &mc
		if opt.Method == MethodMC {
			r.DiameterMM, r.UMM, r.Dof, dof = mc.MeanMM, mc.UMM, nil, math.Inf(1)
			r.ExpandedMM = (mc.SymmetricMM[1] - mc.SymmetricMM[0]) / 2
			if r.UMM > 0 {
				r.CoverageFactor = r.ExpandedMM / r.UMM
			}
		}
	}
	r.ComputedExpandedMM = r.ExpandedMM
	if f := c.in.LaboratoryFloor; f != nil {
		if a := f.At(r.DiameterMM); a > r.ExpandedMM {
			r.ExpandedMM, r.FloorApplied = a, true
		}
	}
	r.Verdict, r.Decision = c.decide(c.rings[cp.Ring].ring, r.DiameterMM, r.ExpandedMM/r.CoverageFactor, dof, r.ExpandedMM)
	return r
}

// decide judges a diameter of a ring; nil without tolerance.
func (c *compiledSet) decide(ring *SetRing, y, u, dof, expanded float64) (*Verdict, string) {
	l, ok := ring.limits()
	if !ok {
		return nil, "no tolerance given"
	}
	v := Decide(c.in.Decision, l, y, u, dof, expanded)
	return &v, v.Sentence(y)
}
