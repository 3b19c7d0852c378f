package calibrate

import (
	"fmt"
	"math"
)

// The term ids of a budget, in the order of its table.
const (
	TermMaster        = "master"
	TermDrift         = "drift_master"
	TermReading       = "reading"
	TermScale         = "scale"
	TermTemperature   = "temperature"
	TermExpansion     = "expansion"
	TermAlignment     = "alignment"
	TermCompression   = "compression"
	TermResolution    = "resolution"
	TermRepeatability = "repeatability"
	TermClosing       = "closing"
	TermForm          = "form"
)

// TermIDs returns the ids of all terms in the order of the table.
func TermIDs() []string {
	return []string{
		TermMaster, TermDrift, TermReading, TermScale, TermTemperature, TermExpansion,
		TermAlignment, TermCompression, TermResolution, TermRepeatability, TermClosing, TermForm,
	}
}

const referenceCelsius = 20

// ringConstants is what the equation needs of a ring beside its random variables.
type ringConstants struct {
	ring    *SetRing
	feature Feature
	// diameter is the certified or nominal diameter, mm: where a change of
	// 10⁻⁴ of it does not matter (contacts, alignment).
	diameter float64
	expand   Quantity
	young    Quantity
	poisson  Quantity
	align    alignmentShape
	contact  contactShape
}

// builder collects the inputs of a model, each once.
type builder struct {
	inputs []Input
	index  map[string]int
}

func (b *builder) add(in Input) int {
	if i, ok := b.index[in.ID]; ok {
		return i
	}
	b.index[in.ID] = len(b.inputs)
	b.inputs = append(b.inputs, in)
	return len(b.inputs) - 1
}

// captureInputs are the places of one capture's inputs in x.
type captureInputs struct {
	weight                        float64 // in the reference; 1 for the capture itself
	ring                          *ringConstants
	fixed                         float64 // length that expands, if not that of the master
	reading, repeat, resolution   int
	temperature, expansion        int
	cross, tilt, swivel, sideways int
	height                        int
}

// equation is the measurement equation of one work capture (see the package
// comment), ready to be evaluated.
type equation struct {
	set    *compiledSet
	sign   float64
	side   float64 // +1 internal, −1 external
	base   float64 // nominal diameter of the work ring, mm
	master *ringConstants
	work   captureInputs
	refs   []captureInputs

	certificate, drift         int
	common, scaleTemperature   int
	scaleExpansion             int
	scale                      []weighted
	force                      int
	youngBall, poissonBall     int
	youngMaster, poissonMaster int
	youngWork, poissonWork     int
	closing                    int
	form                       []weighted
	corrections                []weighted
}

// weighted is an input with a constant factor.
type weighted struct {
	index  int
	factor float64
}

// modelFor builds the model of the diameter found by the work capture at index k
// of the set, referred to the line with the given weights of the captures.
func (c *compiledSet) modelFor(k int, weights []refWeight) (*Model, *equation) {
	b := &builder{index: map[string]int{}}
	set := c.in
	capture := &set.Captures[k]
	work := c.rings[capture.Ring]
	e := &equation{
		set: c, sign: c.sign, side: 1, base: work.ring.NominalMM, master: c.master,
	}
	if !work.feature.Internal() {
		e.side = -1
	}
	cert := c.master.ring.Certificate
	e.certificate = b.add(Input{
		ID: "master.certificate", Term: TermMaster, Symbol: "D_M", Kind: "B", Unit: "mm",
		Name: "master diameter at 20 °C, certificate", Value: cert.DiameterMM, U: cert.ExpandedMM / cert.CoverageFactor,
	})
	e.drift = b.add(orZero(c.master.ring.DriftMM).input("master.drift", TermDrift, "δ_D", "change of the master since its calibration", "mm", "B"))

	e.common = b.add(orZero(set.CommonTemperatureOffsetK).input("temperature.common", TermTemperature, "Δt", "common error of all temperatures", "K", "B"))
	e.work = c.captureInputs(b, k, 1)
	for _, w := range weights {
		e.refs = append(e.refs, c.captureInputs(b, w.capture, w.weight))
	}
	e.scaleTemperature = b.add(capture.ScaleCelsius.input("capture."+capture.ID+".scale_celsius", TermTemperature, "t_S", "temperature of the scale, "+capture.ID, "°C", "B"))
	e.scaleExpansion = b.add(c.scaleExpand.input("expansion."+set.Instrument.ScaleMaterial, TermExpansion, "α("+set.Instrument.ScaleMaterial+")", "coefficient of expansion, "+set.Instrument.ScaleMaterial, "1/K", "B"))
	e.scale = c.scaleInputs(b, work)

	ball := c.ball
	e.force = b.add(set.Contacts.ForceN.input("contacts.force", TermCompression, "F", "measuring force", "N", "B"))
	add := func(m string, young, poisson Quantity) (int, int) {
		return b.add(young.input("young."+m, TermCompression, "E("+m+")", "modulus of elasticity, "+m, "GPa", "B")),
			b.add(poisson.input("poisson."+m, TermCompression, "ν("+m+")", "Poisson's ratio, "+m, "1", "B"))
	}
	e.youngBall, e.poissonBall = add(set.Contacts.Material, ball.young, ball.poisson)
	e.youngMaster, e.poissonMaster = add(c.master.ring.Material, c.master.young, c.master.poisson)
	e.youngWork, e.poissonWork = add(work.ring.Material, work.young, work.poisson)

	e.closing = b.add(Input{
		ID: "closing", Term: TermClosing, Symbol: "δ_Z", Name: c.closingName, Unit: "mm", Kind: "B",
		Dist: Rectangular, HalfWidth: c.closingHalfWidth, U: c.closingHalfWidth / math.Sqrt(3),
	})
	if q := work.ring.FormMM; q != nil {
		e.form = append(e.form, weighted{b.add(q.input("form."+work.ring.ID, TermForm, "δ_F("+work.ring.ID+")", "form at the place of measurement, "+work.ring.ID, "mm", "B")), -1})
	}
	if q := c.master.ring.FormMM; q != nil {
		e.form = append(e.form, weighted{b.add(q.input("form."+c.master.ring.ID, TermForm, "δ_F("+c.master.ring.ID+")", "form at the place of measurement, "+c.master.ring.ID, "mm", "B")), 1})
	}
	for i, corr := range set.Corrections {
		in := corr.CorrectionMM.input(fmt.Sprintf("correction.%d", i), corr.Term, fmt.Sprintf("δ_%d", i+1), corr.Name, "mm", "B")
		e.corrections = append(e.corrections, weighted{b.add(in), 1})
	}
	return &Model{Inputs: b.inputs, Base: e.base, Eval: e.eval}, e
}

// captureInputs adds the inputs of the capture at index k.
func (c *compiledSet) captureInputs(b *builder, k int, weight float64) captureInputs {
	set := c.in
	cp := &set.Captures[k]
	ring := c.rings[cp.Ring]
	id := "capture." + cp.ID + "."
	in := captureInputs{weight: weight, ring: ring}
	if ring != c.master {
		in.fixed = ring.ring.NominalMM
	}
	in.reading = b.add(Input{
		ID: id + "reading", Term: TermReading, Symbol: "r(" + cp.ID + ")", Name: "reading at the saddle, " + cp.ID, Unit: "mm", Kind: "A",
		Value: cp.ReadingMM, U: cp.UMM,
	})
	rep := SetRepeatability{}
	if set.Repeatability != nil {
		rep = *set.Repeatability
	}
	in.repeat = b.add(Input{
		ID: id + "repeat", Term: TermRepeatability, Symbol: "δ_W(" + cp.ID + ")", Name: "repeatability of one entry, " + cp.ID, Unit: "mm", Kind: "A",
		U: rep.SMM, Dof: rep.Dof, Pool: "repeatability",
	})
	q := set.Instrument.ResolutionMM / 2
	in.resolution = b.add(Input{
		ID: id + "resolution", Term: TermResolution, Symbol: "δ_Q(" + cp.ID + ")", Name: "rounding of the readout, " + cp.ID, Unit: "mm", Kind: "B",
		U: q / math.Sqrt(3), HalfWidth: q, Dist: Rectangular,
	})
	in.temperature = b.add(cp.RingCelsius.input(id+"ring_celsius", TermTemperature, "t("+cp.ID+")", "temperature of ring "+cp.Ring+", "+cp.ID, "°C", "B"))
	m := ring.ring.Material
	in.expansion = b.add(ring.expand.input("expansion."+m, TermExpansion, "α("+m+")", "coefficient of expansion, "+m, "1/K", "B"))
	in.cross = b.add(orZero(cp.CrossOffsetMM).input(id+"cross", TermAlignment, "y("+cp.ID+")", "cross offset left in the reading, "+cp.ID, "mm", "B"))
	in.tilt = b.add(orZero(cp.TiltMrad).scaled(1e-3).input(id+"tilt", TermAlignment, "θ("+cp.ID+")", "tilt left in the reading, "+cp.ID, "rad", "B"))
	in.swivel = b.add(orZero(cp.SwivelMrad).scaled(1e-3).input(id+"swivel", TermAlignment, "ψ("+cp.ID+")", "swivel left in the reading, "+cp.ID, "rad", "B"))
	in.sideways = b.add(orZero(set.Contacts.OffsetSidewaysMM).input("contacts.sideways", TermAlignment, "e", "offset between the balls, sideways", "mm", "B"))
	in.height = b.add(orZero(set.Contacts.OffsetHeightMM).input("contacts.height", TermAlignment, "h", "offset between the balls, in height", "mm", "B"))
	return in
}

// scaleInputs adds the error of the scale over the distance from master to work.
func (c *compiledSet) scaleInputs(b *builder, work *ringConstants) []weighted {
	ins := &c.in.Instrument
	switch {
	case ins.ScaleMPE != nil:
		a := ins.ScaleMPE.At(math.Abs(work.diameter - c.master.diameter))
		q := Quantity{HalfWidth: a, Distribution: distRectangular}
		return []weighted{{b.add(q.input("scale."+work.ring.ID, TermScale, "E_S", "error of the scale within its permissible error", "mm", "B")), 1}}
	case len(ins.ScaleErrors) > 0:
		// The error at each of the two diameters, interpolated in the table; rows
		// that both use combine, so nearly equal diameters share the error.
		factors := make([]float64, len(ins.ScaleErrors))
		addInterpolation(factors, ins.ScaleErrors, work.diameter, 1)
		addInterpolation(factors, ins.ScaleErrors, c.master.diameter, -1)
		var out []weighted
		for i, f := range factors {
			if f == 0 {
				continue
			}
			row := ins.ScaleErrors[i]
			in := row.ErrorMM.input(fmt.Sprintf("scale.row%d", i), TermScale, fmt.Sprintf("E_S%d", i+1), fmt.Sprintf("error of the scale at %g mm", row.AtMM), "mm", "B")
			out = append(out, weighted{b.add(in), f})
		}
		return out
	default:
		return []weighted{{b.add(orZero(ins.ScaleErrorMM).input("scale", TermScale, "E_S", "error of the scale over the distance measured", "mm", "B")), 1}}
	}
}

// addInterpolation adds sign times the weights of linear interpolation at x.
func addInterpolation(factors []float64, rows []SetScaleError, x, sign float64) {
	for i := 1; i < len(rows); i++ {
		lo, hi := rows[i-1].AtMM, rows[i].AtMM
		if x <= hi || i == len(rows)-1 {
			f := (x - lo) / (hi - lo)
			factors[i-1] += sign * (1 - f)
			factors[i] += sign * f
			return
		}
	}
	factors[0] += sign
}

// eval returns the diameter at 20 °C minus the nominal one, in mm.
func (e *equation) eval(x []float64) float64 {
	p := e.parts(x)
	return (p.master - e.base + p.drift + p.reading + p.scale + p.thermal + p.alignment +
		p.compression + p.form + p.closing + p.corrections - e.base*p.workExpansion) / (1 + p.workExpansion)
}

// equationParts are the summands of the measurement equation, in mm.
type equationParts struct {
	master, drift, reading, scale, thermal, alignment float64
	compression, form, closing, corrections           float64
	// workExpansion is α_W times the temperature deviation of the work ring.
	workExpansion float64
}

func (e *equation) parts(x []float64) equationParts {
	var p equationParts
	p.master = x[e.certificate]
	p.drift = x[e.drift]
	masterLength := p.master + p.drift

	w := &e.work
	p.reading = x[w.reading] + x[w.repeat] + x[w.resolution]
	p.alignment = -w.alignmentError(x)
	offset := x[e.common] - referenceCelsius
	for i := range e.refs {
		r := &e.refs[i]
		p.reading -= r.weight * (x[r.reading] + x[r.repeat] + x[r.resolution])
		length := r.fixed
		if length == 0 {
			length = masterLength
		}
		p.thermal += r.weight * length * x[r.expansion] * (x[r.temperature] + offset)
		p.alignment += r.weight * r.alignmentError(x)
	}
	p.reading *= e.sign
	for _, s := range e.scale {
		p.scale -= s.factor * x[s.index]
	}
	p.thermal += (p.reading + p.scale) * x[e.scaleExpansion] * (x[e.scaleTemperature] + offset)
	p.workExpansion = x[w.expansion] * (x[w.temperature] + offset)

	if f := x[e.force]; f > 0 {
		// Moduli are kept positive where a trial draws from a wide distribution.
		ball := (1 - x[e.poissonBall]*x[e.poissonBall]) / math.Max(x[e.youngBall], 1)
		m := 1 / (ball + (1-x[e.poissonMaster]*x[e.poissonMaster])/math.Max(x[e.youngMaster], 1))
		v := 1 / (ball + (1-x[e.poissonWork]*x[e.poissonWork])/math.Max(x[e.youngWork], 1))
		p.compression = 2 * e.side * (e.master.contact.at(f, m) - w.ring.contact.at(f, v))
	}
	p.closing = x[e.closing]
	for _, f := range e.form {
		p.form += f.factor * x[f.index]
	}
	for _, f := range e.corrections {
		p.corrections += f.factor * x[f.index]
	}
	return p
}

func (c *captureInputs) alignmentError(x []float64) float64 {
	return c.ring.align.err(Alignment{
		CrossMM: x[c.cross], TiltRad: x[c.tilt], SwivelRad: x[c.swivel],
		SidewaysMM: x[c.sideways], HeightMM: x[c.height],
	})
}
