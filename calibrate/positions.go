package calibrate

import (
	"maps"
	"math"
	"slices"
)

// Estimate is a quantity of a ring with its uncertainty.
type Estimate struct {
	ValueMM float64 `json:"value_mm"`
	UMM     float64 `json:"u_mm"`
	// Dof is nil if infinite.
	Dof            *float64 `json:"dof"`
	CoverageFactor float64  `json:"coverage_factor"`
	ExpandedMM     float64  `json:"expanded_uncertainty_mm"`
}

// PositionResult is the diameter at one position, the mean of its captures.
type PositionResult struct {
	Position *SetPosition `json:"position,omitempty"`
	Captures []string     `json:"captures"`
	Estimate
	// SpreadMM is the largest less the smallest diameter of the captures.
	SpreadMM     float64  `json:"spread_mm"`
	FloorApplied bool     `json:"floor_applied"`
	Decision     string   `json:"decision"`
	Verdict      *Verdict `json:"verdict,omitempty"`
	// Terms is the budget of the mean: what the captures share counts once. The
	// inputs behind it are those of the single results.
	Terms []Term `json:"terms"`
}

// RingSummary is what all positions of a work ring say together. What the
// positions have in common (master, scale, opening and closing readings) is not
// averaged away in Mean and cancels in Taper and OutOfRoundness.
type RingSummary struct {
	Ring      string           `json:"ring"`
	Positions []PositionResult `json:"positions"`
	// Mean is the mean of the positions. Its uncertainty contains FormMM/√n, n
	// positions, where FormMM is the scatter of the positions in excess of their
	// measurement uncertainty.
	Mean      Estimate `json:"mean"`
	MeanTerms []Term   `json:"mean_terms"`
	FormMM    float64  `json:"form_sd_mm"`
	// TaperMM is the change of the diameter over the span of heights, positive if
	// it grows with the height: a least-squares line. Nil with one height.
	Taper *Estimate `json:"taper,omitempty"`
	// OutOfRoundness is the largest less the smallest diameter over the directions
	// of one height, at the height where it is largest. It grows with the noise of
	// the measurement, and diameters do not see lobes of odd number.
	OutOfRoundness *Estimate `json:"out_of_roundness,omitempty"`
	// Decision joins the verdicts of the positions.
	Decision string `json:"decision"`
}

// functional is a linear combination of diameters with the signed contribution of
// every input, so that what two of them share is known.
type functional struct {
	value  float64
	parts  map[string]float64
	inputs map[string]Input   // the inputs behind the parts; a product has none
	terms  map[string]string  // the term of every part
	values map[string]float64 // estimates by term
}

func newFunctional() functional {
	return functional{
		parts: map[string]float64{}, inputs: map[string]Input{},
		terms: map[string]string{}, values: map[string]float64{},
	}
}

// add adds w times g.
func (f *functional) add(w float64, g functional) {
	f.value += w * g.value
	for k, v := range g.parts {
		f.parts[k] += w * v
	}
	for k, v := range g.inputs {
		f.inputs[k] = v
	}
	for k, v := range g.terms {
		f.terms[k] = v
	}
	for k, v := range g.values {
		f.values[k] += w * v
	}
}

// functional returns the diameter of a capture as a functional.
func (ev *evaluated) functional() functional {
	f := newFunctional()
	p := ev.propagation
	f.value = p.Estimate + p.Bias
	for i, in := range ev.model.Inputs {
		if in.U == 0 {
			continue
		}
		f.parts[in.ID], f.inputs[in.ID], f.terms[in.ID] = p.Sensitivities[i]*in.U, in, in.Term
	}
	for _, s := range p.Second {
		id := ev.model.Inputs[s.I].ID + " × " + ev.model.Inputs[s.J].ID
		f.parts[id] += s.signed
		f.terms[id] = secondTerm(ev.model, s)
	}
	for _, t := range ev.terms {
		f.values[t.ID] = t.Value
	}
	return f
}

// keys returns the keys of the parts in a fixed order, so that sums do not depend on
// that of a map.
func (f *functional) keys() []string {
	return slices.Sorted(maps.Keys(f.parts))
}

// variance returns u².
func (f *functional) variance() float64 {
	var v float64
	for _, k := range f.keys() {
		v += f.parts[k] * f.parts[k]
	}
	return v
}

// estimate gives the functional its uncertainty.
func (f *functional) estimate(probability float64) Estimate {
	var variance float64
	var inputs []Input
	var c []float64
	for _, k := range f.keys() {
		variance += f.parts[k] * f.parts[k]
		if in, ok := f.inputs[k]; ok && in.Dof > 0 {
			inputs, c = append(inputs, in), append(c, f.parts[k])
		}
	}
	u := math.Sqrt(variance)
	dof := effectiveDof(u, inputs, c, nil)
	k := CoverageFactor(probability, dof)
	return Estimate{ValueMM: f.value, UMM: u, Dof: finite(dof), CoverageFactor: k, ExpandedMM: k * u}
}

// budget returns the terms of the functional.
func (f *functional) budget() []Term {
	type group struct {
		variance float64
		inputs   []Input
		c        []float64
	}
	groups := map[string]*group{}
	for _, id := range TermIDs() {
		groups[id] = &group{}
	}
	var total float64
	for _, k := range f.keys() {
		g := groups[f.terms[k]]
		v := f.parts[k] * f.parts[k]
		g.variance += v
		total += v
		if in, ok := f.inputs[k]; ok {
			g.inputs, g.c = append(g.inputs, in), append(g.c, f.parts[k])
		}
	}
	var out []Term
	for _, id := range TermIDs() {
		g := groups[id]
		t := Term{ID: id, Value: f.values[id], U: math.Sqrt(g.variance), Sensitivity: 1, Inputs: []TermInput{}}
		t.Symbol, t.Name = termName(id)
		t.Contribution = t.U
		t.Dof = finite(effectiveDof(t.U, g.inputs, g.c, nil))
		t.describe(g.inputs)
		if total > 0 {
			t.Share = g.variance / total
		}
		out = append(out, t)
	}
	return out
}

// summaries sums up every work ring of the set.
func (c *compiledSet) summaries(all []evaluated, out *Outcome) []RingSummary {
	sums := []RingSummary{}
	for i := range c.in.Rings {
		ring := &c.in.Rings[i]
		var own []evaluated
		for _, ev := range all {
			if c.in.Captures[ev.index].Ring == ring.ID {
				own = append(own, ev)
			}
		}
		if len(own) == 0 {
			continue
		}
		s := c.summary(ring, own)
		if d := s.Mean.ValueMM - ring.NominalMM; math.Abs(d) > 0.1 {
			out.reserve("ring %s measures %+.3f mm from its nominal diameter: is it the ring that was meant?", ring.ID, d)
		}
		if s.OutOfRoundness != nil {
			out.reserve("ring %s: out-of-roundness from diameters does not show lobes of odd number; measure the form where it matters", ring.ID)
		}
		sums = append(sums, s)
	}
	return sums
}

// place is one position of a ring with its diameter.
type place struct {
	position *SetPosition
	diameter functional
}

func (c *compiledSet) summary(ring *SetRing, own []evaluated) RingSummary {
	s := RingSummary{Ring: ring.ID, Positions: []PositionResult{}}
	var places []place
	var order []string
	groups := map[string][]evaluated{}
	for _, ev := range own {
		key := c.artefact(ev.index)
		if _, ok := groups[key]; !ok {
			order = append(order, key)
		}
		groups[key] = append(groups[key], ev)
	}
	for _, key := range order {
		g := groups[key]
		f := newFunctional()
		r := PositionResult{Position: c.in.Captures[g[0].index].Position}
		low, high := math.Inf(1), math.Inf(-1)
		for i := range g {
			one := g[i].functional()
			f.add(1/float64(len(g)), one)
			r.Captures = append(r.Captures, c.in.Captures[g[i].index].ID)
			low, high = math.Min(low, one.value), math.Max(high, one.value)
		}
		r.Estimate, r.SpreadMM, r.Terms = f.estimate(c.probability), high-low, f.budget()
		if floor := c.in.LaboratoryFloor; floor != nil {
			if a := floor.At(r.ValueMM); a > r.ExpandedMM {
				r.ExpandedMM, r.FloorApplied = a, true
			}
		}
		dof := math.Inf(1)
		if r.Dof != nil {
			dof = *r.Dof
		}
		r.Verdict, r.Decision = c.decide(ring, r.ValueMM, r.ExpandedMM/r.CoverageFactor, dof, r.ExpandedMM)
		places = append(places, place{r.Position, f})
		s.Positions = append(s.Positions, r)
	}
	s.Mean, s.MeanTerms, s.FormMM = c.mean(places)
	s.Taper = c.taper(places)
	s.OutOfRoundness = c.outOfRoundness(places)
	s.Decision = ringDecision(s.Positions)
	return s
}

// mean returns the mean over the places, its budget and the standard deviation of
// form.
func (c *compiledSet) mean(places []place) (Estimate, []Term, float64) {
	n := float64(len(places))
	m := newFunctional()
	values := make([]float64, 0, len(places))
	var trace float64
	for i := range places {
		m.add(1/n, places[i].diameter)
		values = append(values, places[i].diameter.value)
		trace += places[i].diameter.variance()
	}
	if len(places) < 2 {
		return m.estimate(c.probability), m.budget(), 0
	}
	// With covariance V of the places the expected sample variance is
	// (tr V − 1ᵀV1/n)/(n − 1) without form; 1ᵀV1/n² is the variance of the mean.
	_, sd := MeanSD(values)
	form := math.Sqrt(math.Max(0, sd*sd-(trace-n*m.variance())/(n-1)))
	if form > 0 {
		id := "form of the positions"
		m.parts[id] = form / math.Sqrt(n)
		m.inputs[id] = Input{ID: id, U: form, Dof: n - 1, Kind: "A", Term: TermForm}
		m.terms[id] = TermForm
	}
	return m.estimate(c.probability), m.budget(), form
}

// taper returns slope times span of a least-squares line over the heights.
func (c *compiledSet) taper(places []place) *Estimate {
	var mean, n float64
	low, high := math.Inf(1), math.Inf(-1)
	for _, p := range places {
		if p.position == nil {
			continue
		}
		mean += p.position.HeightMM
		n++
		low, high = math.Min(low, p.position.HeightMM), math.Max(high, p.position.HeightMM)
	}
	if !(high > low) {
		return nil
	}
	mean /= n
	var ss float64
	for _, p := range places {
		if p.position != nil {
			ss += (p.position.HeightMM - mean) * (p.position.HeightMM - mean)
		}
	}
	f := newFunctional()
	for _, p := range places {
		if p.position != nil {
			f.add((p.position.HeightMM-mean)/ss*(high-low), p.diameter)
		}
	}
	e := f.estimate(c.probability)
	return &e
}

// outOfRoundness returns the largest range over the directions of one height.
func (c *compiledSet) outOfRoundness(places []place) *Estimate {
	var best *functional
	for i := range places {
		for j := range places {
			p, q := places[i], places[j]
			if p.position == nil || q.position == nil || p.position.HeightMM != q.position.HeightMM ||
				p.position.DirectionDeg == q.position.DirectionDeg {
				continue
			}
			if d := p.diameter.value - q.diameter.value; d >= 0 && (best == nil || d > best.value) {
				f := newFunctional()
				f.add(1, p.diameter)
				f.add(-1, q.diameter)
				best = &f
			}
		}
	}
	if best == nil {
		return nil
	}
	e := best.estimate(c.probability)
	return &e
}

// ringDecision joins the verdicts: the ring conforms if every position does, and
// does not if one position does not.
func ringDecision(positions []PositionResult) string {
	rank := func(o VerdictOutcome) int {
		return slices.Index([]VerdictOutcome{Conforms, InsideNotProven, OutsideNotProven, DoesNotConform}, o)
	}
	var worst *PositionResult
	for i := range positions {
		p := &positions[i]
		if p.Verdict == nil {
			return "no tolerance given"
		}
		if worst == nil || rank(p.Verdict.Outcome) > rank(worst.Verdict.Outcome) ||
			(p.Verdict.Outcome == worst.Verdict.Outcome && p.Verdict.Conformance < worst.Verdict.Conformance) {
			worst = p
		}
	}
	if len(positions) == 1 {
		return worst.Decision
	}
	return "least favourable position" + positionName(worst.Position) + ": " + worst.Decision
}
