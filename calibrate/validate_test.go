package calibrate

import (
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Nonsense is refused with field, value and permitted range.
func TestRefused(t *testing.T) {
	for _, c := range []struct {
		name string
		set  func(s *SetFile)
		want []string
	}{
		{"U without k", func(s *SetFile) { s.Rings[0].Certificate.CoverageFactor = 0 }, []string{"rings[0].certificate.coverage_factor", "(missing)", "1 to 5", "read k"}},
		{"negative coefficient", func(s *SetFile) { s.Materials[0].ExpansionPerK.Value = -1e-6 }, []string{"materials[0].expansion_per_k.value", "-1e-06", "0 to 0.0001 1/K"}},
		{"temperatures 5 K apart", func(s *SetFile) { s.Captures[1].RingCelsius.Value = 25.1 }, []string{"captures[1].ring_celsius.value", "25.1 °C", "up to 3 K"}},
		{"outside the verified range", func(s *SetFile) { s.Instrument.RangeMM = []float64{0, 31} }, []string{"rings[1].nominal_mm", "32 mm", "0 to 31 mm"}},
		{"no opening", func(s *SetFile) { s.Captures = s.Captures[1:] }, []string{"no capture with role opening", "at least one"}},
		{"no master", func(s *SetFile) { s.Rings[0].Role = "work"; s.Rings[0].Certificate = nil; s.Rings[0].DriftMM = nil }, []string{"0 rings with role master", "exactly one"}},
		{"unknown role", func(s *SetFile) { s.Captures[1].Role = "test" }, []string{"captures[1].role", "test", "opening, work, reference, closing"}},
		{"work capture on the master", func(s *SetFile) { s.Captures[1].Ring = "M" }, []string{"captures[1].role", "work on a work ring"}},
		{"unknown ring", func(s *SetFile) { s.Captures[1].Ring = "Q" }, []string{"captures[1].ring", "Q"}},
		{"unknown material", func(s *SetFile) { s.Rings[1].Material = "cheese" }, []string{"rings[1].material", "cheese", "register"}},
		{"work after the closing", func(s *SetFile) { s.Captures[1].AtS = 700 }, []string{"captures[1].at_s", "700 s", "0 s to 600 s"}},
		{"closing before opening", func(s *SetFile) { s.Captures[2].AtS = -1 }, []string{"closing at -1 s", "after the opening"}},
		{"negative uncertainty", func(s *SetFile) { s.Captures[1].UMM = -1e-5 }, []string{"captures[1].u_mm", "-1e-05", "0 to 0.1 mm"}},
		{"certificate of another ring", func(s *SetFile) { s.Rings[0].Certificate.DiameterMM = 32.1 }, []string{"diameter_20c_mm", "29 to 31 mm"}},
		{"ball larger than the bore", func(s *SetFile) { s.Contacts.RadiusMM = 15 }, []string{"contacts.radius_mm", "15 mm", "14.7"}},
		{"half width without distribution", func(s *SetFile) { s.Rings[0].DriftMM.Distribution = "" }, []string{"rings[0].drift_mm.distribution", "rectangular, triangular, normal"}},
		{"unknown distribution", func(s *SetFile) { s.Rings[0].DriftMM.Distribution = "uniform" }, []string{"rings[0].drift_mm.distribution", "uniform"}},
		{"limits the wrong way round", func(s *SetFile) { s.Rings[1].ToleranceMM = []float64{0.001, -0.001} }, []string{"rings[1].tolerance_mm", "lower < upper"}},
		{"unknown rule", func(s *SetFile) { s.Decision.Rule = "hope" }, []string{"decision.rule", "hope", "simple_acceptance, guard_band, conformance_probability"}},
		{"two statements of the scale", func(s *SetFile) { s.Instrument.ScaleMPE = &LinearLength{} }, []string{"2 statements", "exactly one"}},
		{"fewer than one degree of freedom", func(s *SetFile) { s.Repeatability.Dof = 0.5 }, []string{"repeatability.dof", "0.5", "infinite"}},
		{"probability as per cent", func(s *SetFile) { s.Probability = 95 }, []string{"probability", "95", "0.5 to 0.9999"}},
		{"certificate for a work ring", func(s *SetFile) { s.Rings[1].Certificate = s.Rings[0].Certificate }, []string{"rings[1].certificate", "none for a work ring"}},
		{"correction of an unknown term", func(s *SetFile) { s.Corrections = []SetCorrection{{Term: "luck", Name: "luck"}} }, []string{"corrections[0].term", "luck"}},
	} {
		s := loadSet(t, "two-rings.json")
		c.set(&s)
		_, err := Evaluate(s, Options{})
		if err == nil {
			t.Errorf("%s: accepted", c.name)
			continue
		}
		for _, w := range c.want {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%s: %v; want %q in it", c.name, err, w)
			}
		}
	}
}

// All faults are reported together, each of its type.
func TestRefusedTogether(t *testing.T) {
	s := loadSet(t, "two-rings.json")
	s.Rings[0].Certificate.CoverageFactor = 0
	s.Instrument.RangeMM = []float64{0, 31}
	s.Captures[0].UMM = -1
	_, err := Evaluate(s, Options{})
	var fe *FieldError
	var re *RangeError
	if !errors.As(err, &fe) || !errors.As(err, &re) || strings.Count(err.Error(), "\n") != 2 {
		t.Errorf("want three faults, got %v", err)
	}
	if re.ValueMM != 32 || re.UpToMM != 31 {
		t.Errorf("range error %+v", re)
	}
}

// A set without closing reference is provisional and says so; a closing difference
// beyond the limit is not accepted and keeps its results.
func TestStatus(t *testing.T) {
	s := loadSet(t, "two-rings.json")
	s.Captures = s.Captures[:2]
	o := mustEvaluate(t, s)
	if o.Status != Provisional || o.ClosingDifferenceMM != nil || !strings.Contains(strings.Join(o.Reservations, "\n"), "provisional") {
		t.Errorf("status %s, closing %v, reservations %v", o.Status, o.ClosingDifferenceMM, o.Reservations)
	}
	near(t, "the drift is assumed within the limit", o.Results[0].term(t, TermClosing).Contribution, 0.0002/1.7320508, 1e-9)

	s = loadSet(t, "two-rings.json")
	s.Captures[2].ReadingMM = 0.0003 // exactly at the limit of 0.2 µm
	if o := mustEvaluate(t, s); o.Status != Accepted {
		t.Errorf("status %s at the limit", o.Status)
	}
	s.Captures[2].ReadingMM = 0.00031
	if o := mustEvaluate(t, s); o.Status != NotAccepted || len(o.Results) != 1 {
		t.Errorf("status %s beyond the limit, %d results", o.Status, len(o.Results))
	}
	// A closing master 0.1 K warmer reads large by its expansion only.
	s = loadSet(t, "two-rings.json")
	s.Captures[2].RingCelsius.Value += 0.1
	near(t, "closing difference at 20 °C", *mustEvaluate(t, s).ClosingDifferenceMM, 0.00005-30.0004*11.5e-6*0.1, 1e-12)
}

// The form of a file: unknown and missing keys, wrong types, text that is no JSON.
func TestDecodeRefused(t *testing.T) {
	data, err := os.ReadFile(filepath.Join("..", "testdata", "sets", "two-rings.json"))
	if err != nil {
		t.Fatal(err)
	}
	good := string(data)
	for _, c := range []struct{ name, old, with, want string }{
		{"unknown key", `"u_mm":3e-5,`, `"u_mm":3e-5,"temp":20,`, "captures[0].temp: unknown key; permitted: id, ring"},
		{"missing key", `"reading_mm":0.0001,`, ``, "captures[0].reading_mm: (missing); permitted: required here"},
		{"quantity without uncertainty", `"force_n":{"value":3.5,"u":0.2}`, `"force_n":{"value":3.5}`, "contacts.force_n: a quantity with neither u nor half_width"},
		{"quantity with both", `"force_n":{"value":3.5,"u":0.2}`, `"force_n":{"value":3.5,"u":0.2,"half_width":1}`, "both u and half_width"},
		{"bare number", `"force_n":{"value":3.5,"u":0.2}`, `"force_n":3.5`, "contacts.force_n: 3.5; permitted: an object"},
		{"text for a number", `"at_s":300`, `"at_s":"300"`, `captures[1].at_s: the text "300"; permitted: a number`},
		{"doubled key", `"at_s":300`, `"at_s":300,"at_s":400`, "captures[1].at_s is given twice"},
		{"guard band without its multiple", `"decision":{"rule":"guard_band","r":1}`, `"decision":{"rule":"guard_band"}`, "decision.r: (missing); permitted: required with this rule"},
		{"probability left out", `"decision":{"rule":"guard_band","r":1}`, `"decision":{"rule":"conformance_probability"}`, "decision.probability: (missing)"},
		{"fraction for a seed", `"seed":1`, `"seed":1.5`, "seed: 1.5; permitted: a whole number"},
		{"comma missing", `"probability":0.95,`, `"probability":0.95`, "line 1, column"},
		{"cut off", good[len(good)/2:], ``, "ends in the middle"},
		{"something behind", `"decision":{"rule":"guard_band","r":1}}`, `"decision":{"rule":"guard_band","r":1}} {}`, "follows the end"},
	} {
		if !strings.Contains(good, c.old) {
			t.Fatalf("%s: %q is not in the file", c.name, c.old)
		}
		_, err := DecodeSet([]byte(strings.Replace(good, c.old, c.with, 1)))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v; want %q", c.name, err, c.want)
		}
	}
	if s, err := DecodeSet([]byte(strings.Replace(good, `"dof":20`, `"dof":null`, 1))); err != nil || s.Repeatability.Dof != 0 {
		t.Errorf("an infinite number of degrees of freedom is null: %v", err)
	}
}

// What is decoded is encoded again to the same set.
func TestDecodeRoundTrip(t *testing.T) {
	for _, name := range []string{"two-rings.json", "ring-90-against-40.json"} {
		a, err := json.Marshal(loadSet(t, name))
		if err != nil {
			t.Fatal(err)
		}
		s, err := DecodeSet(a)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if b, _ := json.Marshal(s); string(a) != string(b) {
			t.Errorf("%s changes:\n%s\n%s", name, a, b)
		}
	}
}

// FuzzDecodeSet: whatever is read can be judged without a panic, and what passes is
// evaluated.
func FuzzDecodeSet(f *testing.F) {
	n := 0
	for _, name := range []string{"two-rings.json", "ring-90-against-40.json"} {
		data, err := os.ReadFile(filepath.Join("..", "testdata", "sets", name))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
		n++
	}
	if n == 0 {
		f.Fatal("no seeds")
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := DecodeSet(data)
		if err != nil || s.Validate() != nil || len(s.Captures) > 20 {
			return
		}
		o, err := Evaluate(s, Options{})
		if err != nil {
			return
		}
		for _, r := range o.Results {
			if !(r.UMM >= 0) || !(r.DiameterMM > 0) {
				t.Errorf("diameter %g, u %g", r.DiameterMM, r.UMM)
			}
		}
	})
}
