package calibrate

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"testing"
)

// loadSet reads a set from the shared test data.
func loadSet(t testing.TB, name string) SetFile {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "testdata", "sets", name))
	if err != nil {
		t.Fatal(err)
	}
	s, err := DecodeSet(data)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func mustEvaluate(t testing.TB, s SetFile) Outcome {
	t.Helper()
	o, err := Evaluate(s, Options{})
	if err != nil {
		t.Fatal(err)
	}
	return o
}

func (r Result) term(t testing.TB, id string) Term {
	t.Helper()
	for _, term := range r.Terms {
		if term.ID == id {
			return term
		}
	}
	t.Fatalf("no term %q", id)
	return Term{}
}

// near fails unless got is within tol of want.
func near(t testing.TB, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.12g, want %.12g ± %.2g", what, got, want, tol)
	}
}

// The set of two rings worked by hand from the formulas of the package comment,
// without the engine.
func TestEvaluateByHand(t *testing.T) {
	s := loadSet(t, "two-rings.json")
	o := mustEvaluate(t, s)
	r := o.Results[0]
	if o.Status != Accepted || len(o.Results) != 1 || r.Capture != "c2" {
		t.Fatalf("status %s, %d results", o.Status, len(o.Results))
	}
	near(t, "closing difference", *o.ClosingDifferenceMM, 0.00005, 1e-12)

	const (
		alpha = 11.5e-6
		dM    = 30.0004
		root  = 1.224744871391589 // √(1 + ¼ + ¼): one work reading, two half references
		third = 1e-9              // what third-order effects may add, mm
	)
	// Both rings 0.1 K warm, scale at 20 °C; the reference midway is 0.125 µm.
	reading := 1.9998 - 0.000125
	d := (dM*(1+alpha*0.1) + reading) / (1 + alpha*0.1)
	near(t, "reading", r.term(t, TermReading).Value, reading, third)
	near(t, "diameter", r.DiameterMM, d+r.term(t, TermCompression).Value+r.term(t, TermAlignment).Value, third)

	want := map[string]float64{
		TermMaster:        0.0001,
		TermDrift:         0.0001 / math.Sqrt(6),
		TermReading:       3e-5 * root,
		TermScale:         0.0001,
		TermResolution:    0.0001 / math.Sqrt(12) * root,
		TermRepeatability: 0.0001 * root,
		TermClosing:       0.00005 / math.Sqrt(12),
		TermForm:          0,
		// Temperatures of the work, of the two master captures at half weight, of
		// the scale over 2 mm; the common offset acts on 32, 30 and 2 mm and cancels.
		TermTemperature: alpha * 0.05 * math.Sqrt(32*32+2*15*15+2*2),
	}
	for id, u := range want {
		term := r.term(t, id)
		near(t, id, term.Contribution, u, 3e-9)
		near(t, id+": sensitivity × u", term.Sensitivity*term.U, term.Contribution, 1e-15)
	}
	// One coefficient for all: with equal temperatures only products remain, that
	// of the 0.1 K with the difference of lengths and those of own temperatures.
	ua := 1e-6 / math.Sqrt(3)
	expansion := ua * math.Sqrt(math.Pow(0.1*2, 2)+0.05*0.05*(32*32+2*15*15+2*2))
	near(t, "expansion", r.term(t, TermExpansion).Contribution, expansion, 1e-9)

	var sum, values float64
	for _, term := range r.Terms {
		sum += term.Contribution * term.Contribution
		values += term.Value
	}
	near(t, "u", r.UMM, math.Sqrt(sum), 1e-15)
	near(t, "sum of the values", values, r.DiameterMM, 1e-13)
	c := r.term(t, TermRepeatability).Contribution
	dof := math.Pow(r.UMM, 4) / (math.Pow(c, 4) / 20)
	near(t, "degrees of freedom", *r.Dof, dof, 1e-6*dof)
	near(t, "coverage factor", r.CoverageFactor, studentQuantile(0.975, math.Floor(dof)), 1e-12)
	near(t, "U", r.ExpandedMM, r.CoverageFactor*r.UMM, 1e-15)
	if r.Verdict.Outcome != Conforms || r.Decision == "" {
		t.Errorf("verdict %v, %q", r.Verdict, r.Decision)
	}
}

// The JSON of an outcome has the keys of the offline form, a null for an infinite
// number of degrees of freedom, and all term ids in their order.
func TestOutcomeJSON(t *testing.T) {
	data, err := json.Marshal(mustEvaluate(t, loadSet(t, "two-rings.json")))
	if err != nil {
		t.Fatal(err)
	}
	var o struct {
		Status  string   `json:"status"`
		Closing *float64 `json:"closing_difference_mm"`
		Results []map[string]any
	}
	if err := json.Unmarshal(data, &o); err != nil {
		t.Fatal(err)
	}
	for _, k := range []string{"capture", "diameter_20c_mm", "u_mm", "dof", "coverage_factor", "expanded_uncertainty_mm", "decision", "terms"} {
		if _, ok := o.Results[0][k]; !ok {
			t.Errorf("no key %q", k)
		}
	}
	for i, x := range o.Results[0]["terms"].([]any) {
		term := x.(map[string]any)
		if term["id"] != TermIDs()[i] {
			t.Errorf("term %d is %v, want %s", i, term["id"], TermIDs()[i])
		}
		if v, ok := term["dof"]; !ok || (term["id"] == TermMaster && v != nil) {
			t.Errorf("dof of %v is %v", term["id"], v)
		}
	}
}
