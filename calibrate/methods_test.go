package calibrate

import (
	"math"
	"testing"
)

// With many degrees of freedom and no dominant rectangle both methods agree, and the
// report says so; a coarse readout and few degrees of freedom do not pass as
// validated.
func TestMethodsAgree(t *testing.T) {
	s := loadSet(t, "two-rings.json")
	s.Repeatability.Dof = 0
	o, err := Evaluate(s, Options{Method: MethodBoth, MaxTrials: 400_000})
	if err != nil {
		t.Fatal(err)
	}
	r := o.Results[0]
	mc := r.MonteCarlo
	if !mc.Validated {
		t.Errorf("not validated: %+v", *mc)
	}
	near(t, "u by both methods", mc.UMM, r.UMM, 0.01*r.UMM)
	near(t, "mean by both methods", mc.MeanMM, r.DiameterMM, 5*r.UMM/math.Sqrt(400_000))

	// A readout of 1 µm dominates: the distribution is nearly a trapezium, and the
	// budget's interval is too wide.
	s.Instrument.ResolutionMM = 0.001
	o, err = Evaluate(s, Options{Method: MethodMC, MaxTrials: 400_000})
	if err != nil {
		t.Fatal(err)
	}
	r = o.Results[0]
	if r.MonteCarlo.Validated || r.CoverageFactor > 1.95 {
		t.Errorf("k = %g, %+v", r.CoverageFactor, *r.MonteCarlo)
	}
	near(t, "U is half the symmetric interval", r.ExpandedMM, (r.MonteCarlo.SymmetricMM[1]-r.MonteCarlo.SymmetricMM[0])/2, 1e-12)
	if r.Dof != nil || r.UMM != r.MonteCarlo.UMM {
		t.Errorf("ν %v, u %g", r.Dof, r.UMM)
	}
	if _, err := Evaluate(s, Options{Method: "guess"}); err == nil {
		t.Error("unknown method: no error")
	}
}

// Second-order products against trials: both rings 1 K off within ±2 K, whose
// coefficients are known to 10 %: first order alone would miss most of u.
func TestSecondOrderAgainstTrials(t *testing.T) {
	s := bare(nil, []float64{0})
	own := s.Materials[0]
	own.ID = "work"
	a := Quantity{Value: 11.5e-6, U: 1.2e-6}
	own.ExpansionPerK, s.Materials[0].ExpansionPerK = &a, &a
	s.Materials = append(s.Materials, own)
	s.Rings[1].Material = "work"
	s.CommonTemperatureOffsetK = &Quantity{HalfWidth: 2, Distribution: "rectangular"}
	for i := range s.Captures {
		s.Captures[i].CrossOffsetMM = &Quantity{U: 0.05}
		s.Captures[i].TiltMrad = &Quantity{U: 3}
	}
	c := compile(&s)
	ref, err := c.referenceOf()
	if err != nil {
		t.Fatal(err)
	}
	m, _ := c.modelFor(1, c.weights(ref, 1))
	p := Propagate(m, true)
	_, mean, sd := sample(m, 1, 500_000)
	if p.UFirst > 0.2*p.U {
		t.Errorf("first order %g of %g mm: not the case that is meant", p.UFirst, p.U)
	}
	near(t, "u / µm", p.U*1000, sd*1000, 0.01*sd*1000)
	near(t, "expectation / µm", (p.Estimate+p.Bias)*1000, mean*1000, 5*sd*1000/math.Sqrt(500_000))
	if math.Abs(p.Bias) < 1e-5 {
		t.Errorf("bias %g mm", p.Bias)
	}
}

// A gagemaker class in a set gives the limits of the decision.
func TestGaugeInSet(t *testing.T) {
	s := loadSet(t, "two-rings.json")
	s.Rings[1].ToleranceMM, s.Rings[1].Gauge = nil, &SetGauge{Class: "X", Use: "go"}
	v := mustEvaluate(t, s).Results[0].Verdict
	near(t, "lower limit", v.LowerMM, 32-0.001524, 1e-12) // 0.825 to 1.510 in: 60 µin
	near(t, "upper limit", v.UpperMM, 32, 1e-12)
	s.Rings[1].Gauge.Class = "Q"
	if _, err := Evaluate(s, Options{}); err == nil {
		t.Error("unknown class: no error")
	}
	s.Rings[1].Gauge, s.Decision = nil, nil
	if r := mustEvaluate(t, s).Results[0]; r.Verdict != nil || r.Decision != "no tolerance given" {
		t.Errorf("%v, %q", r.Verdict, r.Decision)
	}
}
