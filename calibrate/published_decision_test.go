package calibrate

import (
	"errors"
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// JCGM 106:2012 (read): conformance probabilities and risks. The figures with more
// digits than printed were recomputed elsewhere.
func TestPublishedConformance(t *testing.T) {
	inf := math.Inf(1)
	near(t, "7.3.3, upper limit", Limits{-inf, -5.40}.Conformance(-5.47, 0.05, inf), 0.919243, 5e-7)
	near(t, "7.3.3, lower limit", Limits{490, inf}.Conformance(509.7, 8.6, inf), 0.989010, 5e-7)
	printed(t, "7.4, two limits", Limits{12.5, 16.3}.Conformance(13.6, 1.8, inf), "0.66")
	// 7.7.2: p_c over the tolerance in units of its width, capability index 1.
	l := Limits{0, 1}
	near(t, "7.7.2, y 0.45", l.Conformance(0.45, 0.25, inf), 0.950166, 5e-7)
	near(t, "7.7.2, y 0.5", l.Conformance(0.5, 0.25, inf), 0.954500, 5e-7)
	// 8.3.2.3: a guard band of U = 2u leaves at most 2.3 % of false acceptance.
	near(t, "8.3.2.3", 1-Limits{-inf, 0}.Conformance(-2, 1, inf), 0.0227501, 5e-8)
	// 8.3.3: speed, 99.9 % that 100 km/h is exceeded, u = 2 %.
	z := studentQuantile(0.999, inf)
	near(t, "8.3.3, speed", 100/(1-0.02*z), 106.587, 1e-3)
	near(t, "8.3.3, its probability", 1-Limits{-inf, 100}.Conformance(106.587, 0.02*106.587, inf), 0.999, 1e-6)
	// 8.3.3: t-based guard band, 9 degrees of freedom.
	near(t, "8.3.3, t guard band", studentQuantile(0.95, 9)*0.20, 0.366623, 5e-7)
	near(t, "8.3.3, t probability", Limits{2, inf}.Conformance(2.366623, 0.20, 9), 0.95, 1e-6)
	for _, c := range [][2]float64{{0.80, 0.841621}, {0.90, 1.281552}, {0.95, 1.644854}, {0.99, 2.326348}, {0.999, 3.090232}} {
		near(t, "Table 1", studentQuantile(c[0], inf), c[1], 1e-6)
	}
}

// JCGM 106:2012, 9.5.3 (resistors), 9.5.4 (bearings), 9.5.6 and A.4.4 (read).
func TestPublishedGlobalRisk(t *testing.T) {
	resistors := distuv.Normal{Mu: 1500, Sigma: 0.12}
	tol := Limits{1499.8, 1500.2}
	g, err := GlobalRisks(resistors, 1498.5, 1501.5, 0.04, tol, Limits{1499.82, 1500.18})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "resistors, conforming", g.Conforming, 0.904419, 1e-6)
	near(t, "resistors, consumer", g.Consumer, 0.00987829, 1e-7)
	near(t, "resistors, producer", g.Producer, 0.0690265, 1e-6)
	near(t, "resistors, accepted", g.Accepted, 0.845271, 1e-6)
	near(t, "resistors, conforming among accepted", 1-g.Consumer/g.Accepted, 0.988313, 1e-6)
	g, err = GlobalRisks(resistors, 1498.5, 1501.5, 0.04, tol, tol)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "resistors without guard band, consumer", g.Consumer, 0.0189422, 1e-7)
	near(t, "resistors without guard band, producer", g.Producer, 0.0372078, 1e-7)

	bearings := distuv.Gamma{Alpha: 4, Beta: 4}
	g, err = GlobalRisks(bearings, 0, 10, 0.25, Limits{math.Inf(-1), 2}, Limits{math.Inf(-1), 2 - 0.65*0.5})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "bearings, non-conforming", 1-g.Conforming, 0.0423801, 1e-6)
	near(t, "bearings, consumer", g.Consumer, 0.00102654, 1e-7)
	near(t, "bearings, producer", g.Producer, 0.0746497, 1e-6)

	for _, c := range [][3]float64{{2, 0.000981581, 0.0146769}, {10, 0.000408131, 0.000717413}} {
		// T = 1, u0 = T/6, u = T/(4 C_m), no guard band.
		l := Limits{-0.5, 0.5}
		g, err := GlobalRisks(distuv.Normal{Sigma: 1.0 / 6}, -2, 2, 1/(4*c[0]), l, l)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "9.5.6, consumer", g.Consumer, c[1], 1e-8)
		near(t, "9.5.6, producer", g.Producer, c[2], 1e-7)
	}

	mean, sd := UpdateNormal(10, 0.3, 10.4, 0.4)
	near(t, "A.4.4 mean", mean, (10/0.09+10.4/0.16)/(1/0.09+1/0.16), 1e-12)
	near(t, "A.4.4 u", sd, 0.24, 1e-12)
	if _, err := GlobalRisks(resistors, 0, 1, 0, tol, tol); err == nil {
		t.Error("u = 0: no error")
	}
}

// A ring with ±3.5 µm and U = 0.9 µm (derived): acceptance ±2.6 µm.
func TestPublishedRingDecision(t *testing.T) {
	l := Limits{-0.0035, 0.0035}
	inf := math.Inf(1)
	for _, c := range []struct {
		rule    SetDecision
		y, pc   float64
		outcome VerdictOutcome
	}{
		{SetDecision{Rule: "guard_band", R: 1}, 0.00259999, 0.977250, Conforms},
		{SetDecision{Rule: "guard_band", R: 1}, 0.0030, 0.866740, InsideNotProven},
		{SetDecision{Rule: "guard_band", R: 1}, 0.0036, 0.412070, OutsideNotProven},
		{SetDecision{Rule: "guard_band", R: 1}, -0.0045, 0.013134, DoesNotConform},
		{SetDecision{Rule: "simple_acceptance"}, 0.00349999, 0.500009, Conforms},
		{SetDecision{Rule: "simple_acceptance"}, 0.0036, 0.412070, DoesNotConform},
		{SetDecision{Rule: "conformance_probability", Probability: 0.95}, 0.0030, 0.866740, InsideNotProven},
		{SetDecision{Rule: "conformance_probability", Probability: 0.95}, 0.0026, 0.977250, Conforms},
		{SetDecision{Rule: "conformance_probability", Probability: 0.95}, 0.0043, 0.037720, DoesNotConform},
	} {
		v := Decide(&c.rule, l, c.y, 0.00045, inf, 0.0009)
		if v.Outcome != c.outcome {
			t.Errorf("%s at %g: %s, want %s", c.rule.Rule, c.y, v.Outcome, c.outcome)
		}
		near(t, "p_c", v.Conformance, c.pc, 1e-5)
		near(t, "capability index", v.Capability, 3.888889, 1e-6)
		if v.Sentence(c.y) == "" {
			t.Error("no sentence")
		}
		if c.rule.Rule == "guard_band" {
			near(t, "acceptance limit", v.UpperAcceptanceMM, 0.0026, 1e-12)
		}
	}
	// The sentence says which side and whether the uncertainty allows to say so.
	v := Decide(nil, l, 0.0036, 0.00045, inf, 0.0009)
	if s := v.Sentence(0.0036); !strings.Contains(s, "not proven") || !strings.Contains(s, "above the upper limit by 0.10 µm") {
		t.Error(s)
	}
}

// The gagemaker classes (read in four tables that agree; XXX in two): every
// entry, the rule "above / to and including", and exact conversion from inches.
func TestPublishedGaugeClasses(t *testing.T) {
	n := 0
	for _, row := range published(t, "gage_classes.csv") {
		from, upTo := number(t, row["above_in"]), number(t, row["to_incl_in"])
		for _, class := range strings.Fields("XXX XX X Y Z ZZ") {
			for _, size := range []float64{from*25.4 + 0.0001, (from + upTo) / 2 * 25.4, upTo * 25.4} {
				got, err := GaugeTolerance(class, size)
				if err != nil {
					t.Fatal(err)
				}
				near(t, class+" / µm", got.Micrometres(), number(t, row[class+"_um"]), 1e-9)
				near(t, class+" / µin", got.Micrometres()/0.0254, number(t, row[class+"_uin"]), 1e-9)
				n++
			}
		}
	}
	if n != 7*6*3 {
		t.Errorf("%d entries compared", n)
	}
	l, err := GaugeLimits("XX", GaugeMaster, 40, true)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "40 mm ring, class XX, as a master / µm", l.UpperMM*1000, 0.508, 1e-9)
	for _, c := range []struct {
		use      GaugeUse
		internal bool
		lower    bool
	}{{GaugeGo, true, true}, {GaugeNoGo, true, false}, {GaugeGo, false, false}, {GaugeNoGo, false, true}} {
		l, err := GaugeLimits("X", c.use, 20, c.internal)
		if err != nil || (l.LowerMM < 0) != c.lower || (l.UpperMM > 0) == c.lower {
			t.Errorf("%s, internal %t: %v, %v", c.use, c.internal, l, err)
		}
	}
	var fe *FieldError
	for _, err := range []error{
		second(GaugeTolerance("W", 20)), second(GaugeTolerance("X", 0.254)), second(GaugeTolerance("X", 306)),
		second(GaugeLimits("X", "check", 20, true)),
	} {
		if !errors.As(err, &fe) || fe.Permitted == "" {
			t.Errorf("error %v", err)
		}
	}
}

func second[T any](_ T, err error) error { return err }
