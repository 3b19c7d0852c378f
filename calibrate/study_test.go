package calibrate

import (
	"math"
	"testing"
)

// Shewhart limits by hand: two groups of two, means 11 and 15, s √2 each.
func TestShewhart(t *testing.T) {
	means, sds, err := Shewhart([][]float64{{10, 12}, {14, 16}})
	if err != nil {
		t.Fatal(err)
	}
	c4 := math.Sqrt(2 / math.Pi) // c₄ of two values
	s := math.Sqrt2
	near(t, "centre", means.Centre, 13, 1e-12)
	near(t, "upper limit of means", means.Upper, 13+3*s/(c4*math.Sqrt2), 1e-9)
	near(t, "centre of s", sds.Centre, s, 1e-12)
	near(t, "upper limit of s", sds.Upper, s*(1+3*math.Sqrt(1-c4*c4)/c4), 1e-9)
	near(t, "lower limit of s", sds.Lower, 0, 0)
	if _, _, err := Shewhart([][]float64{{1, 2}, {1}}); err == nil {
		t.Error("unequal groups: no error")
	}
	if _, _, err := Shewhart([][]float64{{1, 2}}); err == nil {
		t.Error("one group: no error")
	}
}

// NIST/SEMATECH e-Handbook, 6.3.2.2, single values of a flow (from memory; the printed
// limits follow from the values with d₂ = 1.128).
func TestPublishedSingleValues(t *testing.T) {
	x := []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	l, err := ShewhartSingle(x)
	if err != nil {
		t.Fatal(err)
	}
	printed(t, "mean", l.Centre, "50.81")
	near(t, "upper limit", l.Upper, 55.8041, 0.002) // d₂ rounded to 1.128 in print
	near(t, "lower limit", l.Lower, 45.8159, 0.002)
	for _, v := range x {
		if l.Out(v) {
			t.Errorf("%g is out", v)
		}
	}
	if !l.Out(56) || !l.Out(45) {
		t.Error("values beyond the limits are not out")
	}
	if _, err := ShewhartSingle(x[:1]); err == nil {
		t.Error("one value: no error")
	}
}

// Limits of a check ring, and the analysis of variance at its edges.
func TestStudyEdges(t *testing.T) {
	l := CheckLimits(25.0002, 0.0001, 9, 0.05)
	near(t, "check limit", l.Upper, 25.0002+2.262157*0.0001, 1e-9)
	near(t, "check limit", l.Lower, 25.0002-2.262157*0.0001, 1e-9)

	a, err := OneWay([][]float64{{1, 1}, {1, 1}})
	if err != nil || a.F != 0 || a.P != 1 || a.Significant {
		t.Errorf("constant values: %+v, %v", a, err)
	}
	a, err = OneWay([][]float64{{1, 1}, {2, 2}})
	if err != nil || !math.IsInf(a.F, 1) || a.P != 0 || !a.Significant {
		t.Errorf("only a group effect: %+v, %v", a, err)
	}
	near(t, "s_B of it", a.BetweenSD, math.Sqrt(0.5), 1e-12)
	for _, g := range [][][]float64{nil, {{1, 2}}, {{1}, {2}}, {{1, 2}, {}}} {
		if _, err := OneWay(g); err == nil {
			t.Errorf("groups %v: no error", g)
		}
	}
	if _, err := OneWayFromSummary([]float64{1, 2}, []float64{1}, 5); err == nil {
		t.Error("a standard deviation is missing: no error")
	}
	if sd, dof := PooledSD([][]float64{{1}, {2}}); sd != 0 || dof != 0 {
		t.Errorf("no repeats: %g, %d", sd, dof)
	}
	if _, err := EWMA(nil, 0, 1, 1.5, 3); err == nil {
		t.Error("λ = 1.5: no error")
	}
	if _, err := CUSUM(nil, 0, 1, 0); err == nil {
		t.Error("h = 0: no error")
	}
	if got := Lag1([]float64{5, 5, 5}); got != 0 {
		t.Errorf("lag-1 of a constant: %g", got)
	}
}

// What least squares cannot solve is an error that says why.
func TestLeastSquaresEdges(t *testing.T) {
	for name, f := range map[string]func() error{
		"none":    func() error { _, err := SolveLeastSquares(nil, nil, nil); return err },
		"too few": func() error { _, err := SolveLeastSquares([][]float64{{1, 2}}, []float64{1}, nil); return err },
		"singular": func() error {
			_, err := SolveLeastSquares([][]float64{{1, 1}, {1, 1}, {1, 1}}, []float64{1, 2, 3}, nil)
			return err
		},
		"zero":     func() error { _, err := SolveLeastSquares([][]float64{{0}, {0}}, []float64{1, 2}, nil); return err },
		"one time": func() error { _, err := FitDrift([]DriftObservation{{"A", 1, 1, 0}, {"A", 1, 2, 0}}); return err },
		"no visit": func() error { _, err := FitDrift([]DriftObservation{{"A", 1, 1, 0}, {"B", 2, 2, 0}}); return err },
	} {
		if err := f(); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

// Weights of least squares: an observation with twice the uncertainty counts a
// quarter, and χ² tells stated uncertainties that are too small.
func TestLeastSquaresWeights(t *testing.T) {
	l, err := SolveLeastSquares([][]float64{{1}, {1}}, []float64{0, 5}, []float64{1, 2})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "weighted mean", l.Coefficients[0], 1, 1e-12)
	near(t, "its u", l.U[0], math.Sqrt(0.8), 1e-12)
	near(t, "χ²", l.SumSquares, 5, 1e-12)
	near(t, "its probability", l.ChiSquareP(), 0.0253473, 1e-6)
	near(t, "u from the residuals", l.ResidualU(0), math.Sqrt(0.8*5), 1e-12)
}

// The register: complete, with sources, and a piece of its own on demand.
func TestMaterials(t *testing.T) {
	seen := map[string]bool{}
	for _, m := range Materials() {
		if seen[m.ID] || m.Source == "" || m.Name == "" {
			t.Errorf("material %+v", m)
		}
		seen[m.ID] = true
		s := loadSet(t, "two-rings.json")
		s.Rings[1].Material = m.ID
		if _, err := Evaluate(s, Options{}); err != nil {
			t.Errorf("a ring of %s: %v", m.ID, err)
		}
		if p := m.ForPiece("mine"); p.ID != "mine" || *p.ExpansionPerK != m.ExpansionPerK {
			t.Errorf("piece %+v", p)
		}
	}
	if !seen["steel"] || !seen["carbide"] {
		t.Errorf("register %v", seen)
	}
	// A set's own entry goes before the register, and leaves to it what it omits.
	s := SetFile{Materials: []SetMaterial{{ID: "steel", ExpansionPerK: &Quantity{Value: 10e-6}}}}
	m := materialLookup(&s)["steel"]
	near(t, "own coefficient", m.ExpansionPerK.Value, 10e-6, 0)
	near(t, "modulus of the register", m.YoungModulusGPa.Value, 206, 0)
}
