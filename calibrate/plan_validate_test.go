package calibrate

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestPlanValidate(t *testing.T) {
	rings := walkerRings()
	good := OneDiameterPlan(rings[0], rings[1], 2)
	with := func(change func(*Plan)) Plan {
		p := good
		p.Steps = append([]PlanStep(nil), good.Steps...)
		change(&p)
		return p
	}
	bench := PlanContext{RangeLow: Millimetre, RangeHigh: 150 * Millimetre, Day: "2026-03-02"}
	for _, tc := range []struct {
		name string
		p    Plan
		c    PlanContext
		want []string
	}{
		{"good", good, bench, nil},
		{"nothing stated of the bench", good, PlanContext{}, nil},
		{"empty", Plan{}, bench, []string{"steps: 0; a set needs at least an opening, a work and a closing step"}},
		{"no opening, no closing", with(func(p *Plan) { p.Steps[0].Role, p.Steps[2].Role = Revisit, Revisit }), bench, []string{
			`steps[0].role: "reference"; the first step must be the opening`,
			`steps[2].role: "reference"; the last step must be the closing`,
		}},
		{"two openings", with(func(p *Plan) { p.Steps = append(p.Steps[:1:1], p.Steps...) }), bench, []string{"steps[1].role: opening; only the first step is the opening"}},
		{"closing in between", with(func(p *Plan) { p.Steps = append(p.Steps, p.Steps[2]) }), bench, []string{"steps[2].role: closing; only the last step is the closing"}},
		{"no work", with(func(p *Plan) { p.Steps[1] = p.Steps[0]; p.Steps[1].Role = Revisit }), bench, []string{"steps: no work step; a set needs at least one"}},
		{"everything at once", with(func(p *Plan) {
			p.ClosingLimit = -1
			p.Steps[0].Repeats = 0
			p.Steps[1] = PlanStep{Role: "play", RingID: "X", Height: -Millimetre, Direction: 360_000, Repeats: 11}
			p.Steps[2].Height = 12 * Millimetre
		}), bench, []string{
			"closing_limit_pm: -1; permitted 0 (the default of 0.20 µm) to 1000000000",
			"steps[0].repeats: 0; permitted 1 to 10",
			`steps[1].role: "play"; permitted opening, work, reference, closing`,
			"steps[1].repeats: 11; permitted 1 to 10",
			"steps[1].height_pm: -1 mm; permitted 0 to 500 mm",
			"steps[1].direction_mdeg: 360000; permitted 0 to 359999",
			`steps[1].ring_id: ring "X" is not known; name a ring of the register`,
			"steps[2].height_pm: height 12 mm, direction 0°; master M-30 is certified at height 10 mm, direction 0°",
			"steps: no work step; a set needs at least one",
		}},
		{"rings exchanged", with(func(p *Plan) { p.Steps[0].RingID, p.Steps[1].RingID = "W", "M" }), bench, []string{
			"steps[0].ring_id: ring W-7 is a work ring; a reference needs a master",
			"steps[1].ring_id: ring M-30 is a master; a work step needs a work ring",
			"steps[2].ring_id: master M-30; all references of a set use one master, that of the opening",
		}},
		{"outside the range", good, PlanContext{RangeLow: Millimetre, RangeHigh: 31 * Millimetre}, []string{
			"steps[1].ring_id: ring W-7 of nominal 32 mm is outside the instrument's stated range, 1 mm to 31 mm",
		}},
		{"overdue", good, PlanContext{Day: "2027-06-02"}, []string{
			"steps[0].ring_id: master M-30 was due on 2027-06-01 and today is 2027-06-02; have it calibrated, take another, or record a reason",
		}},
		{"on the due day", good, PlanContext{Day: "2027-06-01"}, nil},
		{"overdue with a reason", good, PlanContext{Day: "2027-06-02", OverdueReason: "no other master of this size"}, nil},
		{"overdue with a blank reason", good, PlanContext{Day: "2027-06-02", OverdueReason: " "}, []string{
			"steps[0].ring_id: master M-30 was due on 2027-06-01 and today is 2027-06-02; have it calibrated, take another, or record a reason",
		}},
		{"no day", good, PlanContext{Day: "2nd of June"}, []string{`day: "2nd of June" is no calendar day; use the form 2026-01-31`}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var got []string
			if err := tc.p.Validate(rings, tc.c); err != nil {
				got = strings.Split(err.Error(), "\n")
			}
			if d := cmp.Diff(tc.want, got); d != "" {
				t.Error(d)
			}
		})
	}
}

func TestRingValidate(t *testing.T) {
	for _, r := range walkerRings() {
		if err := r.Validate(); err != nil {
			t.Errorf("%s: %v", r.Ident, err)
		}
	}
	for _, tc := range []struct {
		name string
		r    Ring
		want []string
	}{
		{"nothing", Ring{}, []string{
			"id: empty; give an id",
			"ident: empty; give what is engraved on the ring",
			`kind: ""; permitted master, work`,
			"nominal_pm: 0 mm; permitted more than 0 up to 2000 mm",
			"material: empty; name a material of the register",
		}},
		{"master without certificate", Ring{ID: "M", Ident: "M-1", Kind: Master, Nominal: Millimetre, Material: "steel"}, []string{
			"certificate: none; a master stands on one",
		}},
		{"work with certificate and limits exchanged", Ring{
			ID: "W", Ident: "W-1", Kind: Work, Nominal: 30 * Millimetre, Material: "steel", LowerLimit: 2, UpperLimit: 1, Certificate: walkerRings()[0].Certificate,
		}, []string{
			"lower_limit_pm: 0.000000002 mm is above upper_limit_pm, 0.000000001 mm",
			"certificate: a work ring has none; register the ring as a master to use one",
		}},
		{"a bad certificate", Ring{ID: "M", Ident: "M-1", Kind: Master, Nominal: 30 * Millimetre, Material: "steel", Certificate: &MasterCertificate{
			Diameter: 31 * Millimetre, CoverageFactorMill: 2, DriftHalfWidth: -Micrometre, Height: -1, Direction: -1, CalibratedOn: "2026-01-01", DueOn: "2025-01-01",
		}}, []string{
			"certificate.number: empty; give the number of the certificate",
			"certificate.diameter_pm: 31 mm; permitted within 1 % of the nominal 30 mm",
			"certificate.expanded_uncertainty_pm: 0.00 µm; permitted more than 0 up to 100.00 µm",
			"certificate.coverage_factor_milli: 2; permitted 1000 to 5000 (2000 means k = 2)",
			"certificate.drift_half_width_pm: −1.00 µm; permitted 0 to 100.00 µm",
			"certificate.height_pm: -0.000000001 mm; permitted 0 to 500 mm",
			"certificate.direction_mdeg: -1; permitted 0 to 359999",
			"certificate.due_on: 2025-01-01 is before calibrated_on, 2026-01-01",
		}},
		{"no days", Ring{ID: "M", Ident: "M-1", Kind: Master, Nominal: 30 * Millimetre, Material: "steel", Certificate: &MasterCertificate{
			Number: "1", Diameter: 30 * Millimetre, Expanded: 1, CoverageFactorMill: 2000, DueOn: "31.1.2026",
		}}, []string{
			`certificate.calibrated_on: "" is no calendar day; use the form 2026-01-31`,
			`certificate.due_on: "31.1.2026" is no calendar day; use the form 2026-01-31`,
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			err := tc.r.Validate()
			if err == nil {
				t.Fatal("no fault found")
			}
			if d := cmp.Diff(tc.want, strings.Split(err.Error(), "\n")); d != "" {
				t.Error(d)
			}
		})
	}
}

// TestReadyMadePlans: the ready-made plans are valid and have the steps they say.
func TestReadyMadePlans(t *testing.T) {
	rings := walkerRings()
	rapid.Check(t, func(t *rapid.T) {
		works := rings[1:rapid.IntRange(2, 3).Draw(t, "rings")]
		heights := rapid.SliceOfN(rapid.Map(rapid.Int64Range(0, int64(MaxHeight)), func(h int64) Length { return Length(h) }), 1, 4).Draw(t, "heights")
		directions := rapid.SliceOfN(rapid.Int64Range(0, 359_999), 1, 4).Draw(t, "directions")
		repeats := rapid.IntRange(1, MaxRepeats).Draw(t, "repeats")
		p := HeightsAndDirectionsPlan(rings[0], works, heights, directions, repeats)
		if err := p.Validate(rings, PlanContext{}); err != nil {
			t.Fatal(err)
		}
		if want := 2 + len(works)*len(heights)*len(directions); len(p.Steps) != want {
			t.Fatalf("%d steps of %d", len(p.Steps), want)
		}
	})
	p := OneDiameterPlan(rings[0], rings[1], 3)
	want := PlanStep{Role: Working, RingID: "W", Height: 10 * Millimetre, Repeats: 3}
	if len(p.Steps) != 3 || p.Steps[1] != want {
		t.Errorf("%+v", p.Steps)
	}
}
