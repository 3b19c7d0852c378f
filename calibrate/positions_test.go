package calibrate

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

// bare returns a set of a master and a ring of 30 and 32 mm without any
// uncertainty, work captures at the given positions and readings.
func bare(positions []SetPosition, readings []float64) SetFile {
	zero := &Quantity{}
	material := SetMaterial{ID: "m", ExpansionPerK: &Quantity{Value: 11.5e-6}, YoungModulusGPa: &Quantity{Value: 206}, PoissonRatio: &Quantity{Value: 0.28}}
	s := SetFile{
		Format: SetFormat,
		Rings: []SetRing{
			{ID: "M", Role: "master", NominalMM: 30, Material: "m", Certificate: &SetCertificate{DiameterMM: 30, CoverageFactor: 2}},
			{ID: "W", Role: "work", NominalMM: 32, Material: "m"},
		},
		Materials:  []SetMaterial{material},
		Instrument: SetInstrument{RangeMM: []float64{0, 100}, ScaleErrorMM: zero, ScaleMaterial: "m"},
		Contacts:   SetContacts{Shape: "ball", RadiusMM: 1.5, Material: "m"},
	}
	at := Quantity{Value: 20}
	add := func(id, ring, role string, reading float64) *SetCapture {
		s.Captures = append(s.Captures, SetCapture{ID: id, Ring: ring, Role: role, AtS: float64(100 * len(s.Captures)), ReadingMM: reading, RingCelsius: at, ScaleCelsius: at})
		return &s.Captures[len(s.Captures)-1]
	}
	add("open", "M", RoleOpening, 0)
	for i, r := range readings {
		c := add(fmt.Sprintf("w%d", i), "W", RoleWork, 2+r)
		if positions != nil {
			c.Position = &positions[i]
		}
	}
	add("close", "M", RoleClosing, 0)
	return s
}

func fourPositions() []SetPosition {
	return []SetPosition{{2, 0}, {2, 90}, {12, 0}, {12, 90}}
}

// What all positions share is not averaged away; what is their own is.
func TestPositionsMean(t *testing.T) {
	readings := []float64{0.001, 0.001, 0.001, 0.001}
	for _, c := range []struct {
		name         string
		set          func(s *SetFile)
		single       float64 // u of one position
		mean         float64 // u of the mean of four
		taper        float64 // u of the difference of the heights
		outOfRound   float64 // u of the difference of two directions
		meanInfinite bool
	}{
		{"master only", func(s *SetFile) { s.Rings[0].Certificate.ExpandedMM = 2e-4 }, 1e-4, 1e-4, 0, 0, true},
		{"scale only", func(s *SetFile) { s.Instrument.ScaleErrorMM = &Quantity{U: 1e-4} }, 1e-4, 1e-4, 0, 0, true},
		{
			// The work entries average; opening and closing carry all positions with
			// weights f and 1 − f, 0.2 to 0.8, on average a half each.
			"repeatability only",
			func(s *SetFile) { s.Repeatability = &SetRepeatability{SMM: 1e-4, Dof: 12} },
			1e-4 * math.Sqrt(1+0.64+0.04), 1e-4 * math.Sqrt(0.25+0.5),
			// Taper: two heights of two positions each, reference weights differ by 0.4.
			1e-4 * math.Sqrt(4*0.25+2*0.16), 1e-4 * math.Sqrt(2+2*0.04), false,
		},
	} {
		s := bare(fourPositions(), readings)
		c.set(&s)
		o := mustEvaluate(t, s)
		r := o.Rings[0]
		near(t, c.name+": u of one position", r.Positions[0].UMM, c.single, 1e-9)
		near(t, c.name+": u of the mean", r.Mean.UMM, c.mean, 1e-9)
		near(t, c.name+": u of the taper", r.Taper.UMM, c.taper, 1e-9)
		near(t, c.name+": u of the out-of-roundness", r.OutOfRoundness.UMM, c.outOfRound, 1e-9)
		if c.meanInfinite != (r.Mean.Dof == nil) {
			t.Errorf("%s: degrees of freedom %v", c.name, r.Mean.Dof)
		}
		if !c.meanInfinite {
			near(t, c.name+": degrees of freedom of one pool", *r.Mean.Dof, 12, 1e-6)
		}
	}
}

// Taper, out-of-roundness and form of a ring that grows by 1 µm over 10 mm and is
// 0.6 µm larger at 90°, with nothing uncertain.
func TestPositionsForm(t *testing.T) {
	o := mustEvaluate(t, bare(fourPositions(), []float64{0, 0.0006, 0.001, 0.0016}))
	r := o.Rings[0]
	near(t, "taper / µm", r.Taper.ValueMM*1000, 1, 1e-6)
	near(t, "out-of-roundness / µm", r.OutOfRoundness.ValueMM*1000, 0.6, 1e-6)
	near(t, "mean", r.Mean.ValueMM, 32.0008+o.Results[0].term(t, TermCompression).Value, 1e-9)
	_, sd := MeanSD([]float64{0, 0.6, 1, 1.6})
	near(t, "form / µm", r.FormMM*1000, sd, 1e-6)
	near(t, "u of the mean / µm", r.Mean.UMM*1000, sd/2, 1e-6)
	near(t, "its degrees of freedom", *r.Mean.Dof, 3, 1e-9)
}

// Repeats at one place join into one position; the ring's verdict is that of its
// least favourable position.
func TestPositionsVerdict(t *testing.T) {
	p := []SetPosition{{2, 0}, {2, 0}, {12, 0}, {12, 0}}
	s := bare(p, []float64{0.0001, 0.0003, 0.0011, 0.0013})
	s.Rings[1].ToleranceMM = []float64{-0.001, 0.001}
	s.Instrument.ScaleErrorMM = &Quantity{U: 5e-5}
	r := mustEvaluate(t, s).Rings[0]
	if len(r.Positions) != 2 || len(r.Positions[0].Captures) != 2 {
		t.Fatalf("positions %+v", r.Positions)
	}
	near(t, "spread / µm", r.Positions[0].SpreadMM*1000, 0.2, 1e-6)
	if r.Positions[0].Verdict.Outcome != Conforms || r.Positions[1].Verdict.Outcome != DoesNotConform {
		t.Errorf("verdicts %s and %s", r.Positions[0].Verdict.Outcome, r.Positions[1].Verdict.Outcome)
	}
	if !strings.Contains(r.Decision, "at 12 mm") || !strings.Contains(r.Decision, "does not conform") {
		t.Errorf("ring: %s", r.Decision)
	}
}

// A B B A with equal spacing and a linear drift (derived): levels 10 and 13, drift
// 0.25 per step, readings 10, 13.25, 13.5, 10.75. The difference is 3 exactly; A B
// alone would give 3.25.
func TestDriftFreeSequence(t *testing.T) {
	f, err := FitDrift([]DriftObservation{{"A", 0, 10, 0}, {"B", 1, 13.25, 0}, {"B", 2, 13.5, 0}, {"A", 3, 10.75, 0}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "difference", f.Levels[1].ValueMM-f.Levels[0].ValueMM, 3, 1e-12)
	near(t, "rate", f.RateMMPerS, 0.25, 1e-12)
	near(t, "degrees of freedom", float64(f.Dof), 1, 0)

	s := bare([]SetPosition{{2, 0}, {2, 0}}, []float64{0.00025, 0.0005})
	s.Captures[3].ReadingMM = 0.00075
	o := mustEvaluate(t, s)
	near(t, "both repeats agree / µm", o.Rings[0].Positions[0].SpreadMM*1000, 0, 1e-6)
	near(t, "drift taken out", o.Rings[0].Positions[0].ValueMM-o.Results[0].term(t, TermCompression).Value, 32, 1e-9)
	if o.Drift == nil || o.Drift.Dof != 1 || o.Status != NotAccepted {
		t.Errorf("drift %+v, status %s", o.Drift, o.Status)
	}
}

// A longer redundant set M W M W M: the line is that of all captures, and its
// weights are those of least squares.
func TestRedundantSet(t *testing.T) {
	set := func(readings [5]float64) SetFile {
		s := bare([]SetPosition{{2, 0}, {2, 0}, {2, 0}}, []float64{0, 0, 0})
		s.Captures[2].Ring, s.Captures[2].Role, s.Captures[2].Position = "M", RoleReference, nil
		for i := range readings {
			s.Captures[i].ReadingMM = readings[i]
			s.Captures[i].UMM = 2e-5
		}
		return s
	}
	// Level 0 and 2.001 mm, drift 0.05 µm per step, no noise.
	o := mustEvaluate(t, set([5]float64{0, 2.00105, 0.0001, 2.00115, 0.0002}))
	if o.Drift == nil || o.Drift.Dof != 2 || o.Drift.LackOfFit {
		t.Fatalf("drift %+v", o.Drift)
	}
	near(t, "rate / µm per step", o.Drift.RateMMPerS*100*1000, 0.05, 1e-9)
	for _, r := range o.Results {
		near(t, r.Capture, r.DiameterMM-r.term(t, TermCompression).Value, 32.001, 1e-9)
	}
	// By symmetry the position is the mean of the work readings less that of the
	// master's: u² = u₁²(1/2 + 1/3).
	reading := 2e-5 * math.Sqrt(0.5+1.0/3)
	closing := o.Results[0].term(t, TermClosing).Contribution
	near(t, "u of the position", o.Rings[0].Positions[0].UMM, math.Hypot(reading, closing), 1e-10)
	near(t, "closing: half of 0.1 µm between neighbours", closing, 0.00005/math.Sqrt(3), 1e-10)

	// A middle visit 0.3 µm off the line is found, at u = 0.02 µm of one reading.
	o = mustEvaluate(t, set([5]float64{0, 2.00105, 0.0004, 2.00115, 0.0002}))
	if !o.Drift.LackOfFit || !strings.Contains(strings.Join(o.Reservations, "\n"), "scatter more") {
		t.Errorf("lack of fit not reported: %+v, %v", o.Drift, o.Reservations)
	}
}

// Master and work of one material and size: compression and expansion cancel; with
// an entry of its own each piece keeps its uncertainty.
func TestSharedMaterial(t *testing.T) {
	s := bare(nil, []float64{-2})
	s.Rings[1].NominalMM = 30
	s.Contacts.ForceN = Quantity{Value: 3.5, U: 0.3}
	s.Materials[0].YoungModulusGPa.U, s.Materials[0].ExpansionPerK.U = 10, 1e-6
	for i := range s.Captures {
		s.Captures[i].RingCelsius.Value = 21
	}
	o := mustEvaluate(t, s)
	near(t, "compression", o.Results[0].term(t, TermCompression).Contribution, 0, 1e-12)
	near(t, "expansion", o.Results[0].term(t, TermExpansion).Contribution, 0, 1e-12)
	if len(o.Reservations) == 0 || !strings.Contains(o.Reservations[0], "share the material entry") {
		t.Errorf("no word about it: %v", o.Reservations)
	}
	own := s.Materials[0]
	own.ID = "work"
	s.Materials = append(s.Materials, own)
	s.Rings[1].Material = "work"
	o = mustEvaluate(t, s)
	near(t, "expansion of two pieces / mm", o.Results[0].term(t, TermExpansion).Contribution, 30*1e-6*math.Sqrt2, 1e-8)
	if c := o.Results[0].term(t, TermCompression).Contribution; !(c > 1e-6) {
		t.Errorf("compression of two pieces: %g mm", c)
	}
	if len(o.Reservations) != 0 {
		t.Errorf("reservations %v", o.Reservations)
	}
}

// External cylinders: the compression makes the reading small, so a softer work
// ring is corrected upwards, and the cross offset turns with the curvature.
func TestExternalCylinder(t *testing.T) {
	s := bare(nil, []float64{0})
	soft := s.Materials[0]
	soft.ID, soft.YoungModulusGPa = "soft", &Quantity{Value: 70}
	s.Materials = append(s.Materials, soft)
	s.Rings[1].Material = "soft"
	s.Contacts.ForceN = Quantity{Value: 3.5}
	s.Rings[0].Feature, s.Rings[1].Feature = "bore", "bore"
	inside := mustEvaluate(t, s).Results[0].term(t, TermCompression).Value
	s.Rings[0].Feature, s.Rings[1].Feature = "cylinder", "cylinder"
	outside := mustEvaluate(t, s).Results[0].term(t, TermCompression).Value
	if !(inside < -1e-4 && outside > 1e-4) {
		t.Errorf("compression inside %g, outside %g mm", inside, outside)
	}
	s.Captures[1].CrossOffsetMM = &Quantity{Value: 0.1}
	near(t, "cross offset outside", mustEvaluate(t, s).Results[0].term(t, TermAlignment).Value, 0.01/17.5, 1e-7)
	s.Rings[0].Feature = "bore"
	if _, err := Evaluate(s, Options{}); err == nil || !strings.Contains(err.Error(), "internal and external") {
		t.Errorf("a bore against a cylinder: %v", err)
	}
}

// The instrument's error as a permissible error or as a table.
func TestScaleStatements(t *testing.T) {
	s := bare(nil, []float64{0})
	s.Instrument.ScaleErrorMM = nil
	s.Instrument.ScaleMPE = &LinearLength{ConstantMM: 2e-4, PerMM: 1e-6}
	near(t, "permissible error over 2 mm", mustEvaluate(t, s).Results[0].term(t, TermScale).Contribution, 2.02e-4/math.Sqrt(3), 1e-12)
	s.Instrument.ScaleMPE = nil
	s.Instrument.ScaleErrors = []SetScaleError{{20, Quantity{Value: 1e-4, U: 5e-5}}, {40, Quantity{Value: 3e-4, U: 5e-5}}}
	term := mustEvaluate(t, s).Results[0].term(t, TermScale)
	// The error rises by 0.2 µm over 20 mm, 0.02 µm over 2 mm; the rows enter with
	// 0.1 each, of opposite sign, since both diameters share them.
	near(t, "correction from the table", term.Value, -2e-5, 1e-12)
	near(t, "its uncertainty", term.Contribution, 5e-5*0.1*math.Sqrt2, 1e-12)
	s.Rings[1].NominalMM = 41
	if _, err := Evaluate(s, Options{}); err == nil || !strings.Contains(err.Error(), "no row around 41 mm") {
		t.Errorf("beyond the table: %v", err)
	}
}

// The laboratory's smallest stated uncertainty is applied where it is larger, says so,
// and decides with it.
func TestLaboratoryFloor(t *testing.T) {
	s := loadSet(t, "two-rings.json")
	plain := mustEvaluate(t, s).Results[0]
	s.LaboratoryFloor = &LinearLength{ConstantMM: 0.0006, PerMM: 5e-6}
	r := mustEvaluate(t, s).Results[0]
	near(t, "U", r.ExpandedMM, 0.0006+5e-6*r.DiameterMM, 1e-12)
	near(t, "computed U", r.ComputedExpandedMM, plain.ExpandedMM, 1e-15)
	near(t, "guard band", r.Verdict.UpperMM-r.Verdict.UpperAcceptanceMM, r.ExpandedMM, 1e-12)
	if !r.FloorApplied || plain.FloorApplied {
		t.Error("the floor is not shown")
	}
	s.LaboratoryFloor.ConstantMM = 1e-5
	if r := mustEvaluate(t, s).Results[0]; r.FloorApplied || r.ExpandedMM != plain.ExpandedMM {
		t.Error("a floor below the computed value must not act")
	}
}

// Rounding for people (JCGM 100, 7.2.6).
func TestRounded(t *testing.T) {
	for _, c := range []struct {
		y, expanded float64
		value, um   string
	}{
		{32.00007101, 0.00039524, "32.00007", "0.40"},
		{90.00025, 0.0009, "90.00025", "0.90"},
		{25.0001234, 0.0000996, "25.00012", "0.10"},
		{25.0001234, 0.0123, "25.000", "12"},
		{25.0001234, 0, "25.000123", "0"},
	} {
		if v, u := Rounded(c.y, c.expanded); v != c.value || u != c.um {
			t.Errorf("Rounded(%g, %g) = %s, %s; want %s, %s", c.y, c.expanded, v, u, c.value, c.um)
		}
	}
}
