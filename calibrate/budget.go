package calibrate

import (
	"fmt"
	"math"
)

// termName returns symbol and name of a term.
func termName(id string) (symbol, name string) {
	switch id {
	case TermMaster:
		return "D_M", "master diameter, certificate"
	case TermDrift:
		return "δ_D", "change of the master since its calibration"
	case TermReading:
		return "s·Δr", "difference of readings (detector)"
	case TermScale:
		return "−E_S", "error of the scale over the distance"
	case TermTemperature:
		return "δ_T", "temperatures of rings and scale"
	case TermExpansion:
		return "δ_α", "coefficients of expansion"
	case TermAlignment:
		return "δ_G", "alignment of rings and balls"
	case TermCompression:
		return "δ_C", "elastic compression, master less work"
	case TermResolution:
		return "δ_Q", "rounding of the readout"
	case TermRepeatability:
		return "δ_W", "repeatability of entries"
	case TermClosing:
		return "δ_Z", "drift between opening and closing"
	default:
		return "δ_F", "form of the rings"
	}
}

// finite returns nil for an infinite number of degrees of freedom.
func finite(dof float64) *float64 {
	if math.IsInf(dof, 0) || dof == 0 {
		return nil
	}
	return &dof
}

// budgetTerms turns a propagation into the lines of a budget. values are the
// estimates by term id.
func budgetTerms(m *Model, p Propagation, values map[string]float64) []Term {
	var terms []Term
	for _, id := range TermIDs() {
		t := Term{ID: id, Value: values[id], Inputs: []TermInput{}}
		t.Symbol, t.Name = termName(id)
		var variance float64
		common := true // all inputs have the same u
		var u float64
		var own []Input
		for i, in := range m.Inputs {
			if in.Term != id {
				continue
			}
			t.Inputs = append(t.Inputs, TermInput{
				Symbol: in.Symbol, Name: in.Name, Unit: in.Unit, Value: in.Value, U: in.U,
				Dof: finite(in.Dof), Kind: in.Kind, Distribution: in.distributionName(),
				Sensitivity: p.Sensitivities[i], Contribution: p.Contributions[i],
			})
			if in.U == 0 {
				continue
			}
			variance += p.Contributions[i] * p.Contributions[i]
			if u != 0 && in.U != u {
				common = false
			}
			u = in.U
			own = append(own, in)
		}
		single := common && id != TermTemperature && id != TermExpansion && id != TermAlignment && id != TermCompression
		for _, s := range p.Second {
			if secondTerm(m, s) != id {
				continue
			}
			a, b := m.Inputs[s.I], m.Inputs[s.J]
			row := TermInput{
				Symbol: a.Symbol + " · " + b.Symbol, Name: "product of " + a.Name + " and " + b.Name,
				Unit: "mm", U: s.Contribution, Kind: "B", Distribution: "product",
				Sensitivity: 1, Contribution: s.Contribution, SecondOrder: true,
			}
			if s.I == s.J {
				row.Symbol, row.Name = a.Symbol+"²", "curvature over "+a.Name
			}
			variance += s.Contribution * s.Contribution
			// Hundreds of products are far below a picometre: listing them would
			// hide the few that count.
			if s.Contribution > 1e-9 {
				t.Inputs = append(t.Inputs, row)
			}
		}
		t.Contribution = math.Sqrt(variance)
		t.U, t.Sensitivity = t.Contribution, 1
		if single && u > 0 {
			t.U, t.Sensitivity = u, t.Contribution/u
		}
		t.Dof = finite(effectiveDof(t.Contribution, m.Inputs, p.Contributions, func(i int) bool { return m.Inputs[i].Term == id }))
		if p.U > 0 {
			t.Share = variance / (p.U * p.U)
		}
		t.describe(own)
		terms = append(terms, t)
	}
	return terms
}

// describe sets kind and distribution from the uncertain inputs of the term.
func (t *Term) describe(inputs []Input) {
	t.Kind = "B"
	a, b := false, len(inputs) == 0
	for i, in := range inputs {
		a, b = a || in.Kind == "A", b || in.Kind == "B"
		switch name := in.distributionName(); {
		case i == 0:
			t.Distribution = name
		case t.Distribution != name:
			t.Distribution = "several"
		}
	}
	if a {
		t.Kind = "A"
	}
	if a && b {
		t.Kind = "A, B"
	}
}

// distributionName names the distribution for people.
func (in Input) distributionName() string {
	if in.Dist == Normal && in.Dof > 0 {
		return fmt.Sprintf("t (%g)", in.Dof)
	}
	return in.Dist.String()
}

// secondTerm returns the term under which a second-order contribution is listed:
// expansion if a coefficient takes part, else temperature, alignment or
// compression, else that of the first input.
func secondTerm(m *Model, s SecondOrder) string {
	a, b := m.Inputs[s.I].Term, m.Inputs[s.J].Term
	for _, t := range []string{TermExpansion, TermTemperature, TermAlignment, TermCompression} {
		if a == t || b == t {
			return t
		}
	}
	return a
}

// termValues returns the estimate of every term; they add up to the diameter y.
func (e *equation) termValues(m *Model, p Propagation, y float64) map[string]float64 {
	q := e.parts(m.estimates())
	values := map[string]float64{
		TermMaster: q.master, TermDrift: q.drift, TermReading: q.reading, TermScale: q.scale,
		TermAlignment: q.alignment, TermCompression: q.compression, TermClosing: q.closing, TermForm: q.form,
	}
	for i, in := range m.Inputs {
		if in.Term == TermAlignment {
			values[TermAlignment] += p.Biases[i]
		}
	}
	for i, c := range e.corrections {
		values[e.set.in.Corrections[i].Term] += c.factor * m.Inputs[c.index].Value
	}
	rest := y
	for _, id := range TermIDs() {
		if id != TermTemperature {
			rest -= values[id]
		}
	}
	values[TermTemperature] = rest
	return values
}
