package calibrate

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Limits of a plan (common sense, no source).
const (
	// MaxRepeats is the largest number of captures that one step may ask for.
	MaxRepeats = 10
	// MaxHeight bounds the declared height from the datum face.
	MaxHeight = 500 * Millimetre
	// MaxNominal bounds the nominal diameter of a ring.
	MaxNominal = 2000 * Millimetre
)

// PlanContext is what a plan is checked against beside its rings.
type PlanContext struct {
	// RangeLow and RangeHigh are the diameters that the instrument is stated for;
	// both zero means that no range is stated.
	RangeLow, RangeHigh Length
	// Day is today, "2026-01-31"; empty means that due dates are not checked.
	Day string
	// OverdueReason says why a master past its due date is used all the same.
	OverdueReason string
}

// Validate reports all faults of the plan at once, each with field, value and
// what is permitted. rings are the rings that the steps name.
func (p Plan) Validate(rings []Ring, c PlanContext) error {
	faults := []error{p.validateSteps(rings)}
	bad := func(format string, a ...any) { faults = append(faults, fmt.Errorf(format, a...)) }
	if c.Day != "" && !validDay(c.Day) {
		bad("day: %q is no calendar day; use the form 2026-01-31", c.Day)
	}
	seen := map[string]bool{}
	for i, s := range p.Steps {
		k := slices.IndexFunc(rings, func(r Ring) bool { return r.ID == s.RingID })
		if k < 0 || seen[s.RingID] {
			continue
		}
		seen[s.RingID] = true
		r := rings[k]
		if (c.RangeLow != 0 || c.RangeHigh != 0) && (r.Nominal < c.RangeLow || r.Nominal > c.RangeHigh) {
			bad("steps[%d].ring_id: ring %s of nominal %s is outside the instrument's stated range, %s to %s", i, r.Ident, walkerMM(r.Nominal), walkerMM(c.RangeLow), walkerMM(c.RangeHigh))
		}
		if m := r.Certificate; r.Kind == Master && m != nil && validDay(c.Day) && validDay(m.DueOn) && m.DueOn < c.Day && strings.TrimSpace(c.OverdueReason) == "" {
			bad("steps[%d].ring_id: master %s was due on %s and today is %s; have it calibrated, take another, or record a reason", i, r.Ident, m.DueOn, c.Day)
		}
	}
	return errors.Join(faults...)
}

func validDay(day string) bool {
	_, err := time.Parse(time.DateOnly, day)
	return err == nil
}

// validateSteps checks what the walker itself relies on.
func (p Plan) validateSteps(rings []Ring) error {
	var faults []error
	bad := func(format string, a ...any) { faults = append(faults, fmt.Errorf(format, a...)) }
	if p.ClosingLimit < 0 || p.ClosingLimit > Millimetre {
		bad("closing_limit_pm: %d; permitted 0 (the default of %s) to %d", p.ClosingLimit, walkerSize(DefaultClosingLimit), Millimetre)
	}
	for i, r := range rings {
		if j := slices.IndexFunc(rings[:i], func(o Ring) bool { return o.ID == r.ID }); j >= 0 {
			bad("rings[%d].id: %q is also that of rings[%d]", i, r.ID, j)
		}
	}
	n, work := len(p.Steps), 0
	if n < 3 {
		bad("steps: %d; a set needs at least an opening, a work and a closing step", n)
	}
	for i, s := range p.Steps {
		field := func(name string) string { return fmt.Sprintf("steps[%d].%s", i, name) }
		switch s.Role {
		case Opening:
			if i != 0 {
				bad("%s: opening; only the first step is the opening", field("role"))
			}
		case Closing:
			if i != n-1 {
				bad("%s: closing; only the last step is the closing", field("role"))
			}
		case Working:
			work++
		case Revisit:
		default:
			bad("%s: %q; permitted opening, work, reference, closing", field("role"), s.Role)
		}
		if i == 0 && s.Role != Opening {
			bad("%s: %q; the first step must be the opening", field("role"), s.Role)
		}
		if i == n-1 && s.Role != Closing {
			bad("%s: %q; the last step must be the closing", field("role"), s.Role)
		}
		if s.Repeats < 1 || s.Repeats > MaxRepeats {
			bad("%s: %d; permitted 1 to %d", field("repeats"), s.Repeats, MaxRepeats)
		}
		if s.Height < 0 || s.Height > MaxHeight {
			bad("%s: %s; permitted 0 to %s", field("height_pm"), walkerMM(s.Height), walkerMM(MaxHeight))
		}
		if s.Direction < 0 || s.Direction >= 360_000 {
			bad("%s: %d; permitted 0 to 359999", field("direction_mdeg"), s.Direction)
		}
		k := slices.IndexFunc(rings, func(r Ring) bool { return r.ID == s.RingID })
		if k < 0 {
			bad("%s: ring %q is not known; name a ring of the register", field("ring_id"), s.RingID)
			continue
		}
		r := rings[k]
		if s.Role == Working {
			if r.Kind != Work {
				bad("%s: ring %s is a %s; a work step needs a work ring", field("ring_id"), r.Ident, r.Kind)
			}
			continue
		}
		if r.Kind != Master {
			bad("%s: ring %s is a %s ring; a reference needs a master", field("ring_id"), r.Ident, r.Kind)
			continue
		}
		if s.RingID != p.Steps[0].RingID {
			bad("%s: master %s; all references of a set use one master, that of the opening", field("ring_id"), r.Ident)
		}
		if c := r.Certificate; c != nil && (s.Height != c.Height || s.Direction != c.Direction) {
			bad("%s: height %s, direction %s; master %s is certified at height %s, direction %s", field("height_pm"), walkerMM(s.Height), walkerDegrees(s.Direction), r.Ident, walkerMM(c.Height), walkerDegrees(c.Direction))
		}
	}
	if n >= 3 && work == 0 {
		bad("steps: no work step; a set needs at least one")
	}
	return errors.Join(faults...)
}

// Validate reports all faults of the ring at once.
func (r Ring) Validate() error {
	var faults []error
	bad := func(format string, a ...any) { faults = append(faults, fmt.Errorf(format, a...)) }
	if r.ID == "" {
		bad("id: empty; give an id")
	}
	if strings.TrimSpace(r.Ident) == "" {
		bad("ident: empty; give what is engraved on the ring")
	}
	if r.Kind != Master && r.Kind != Work {
		bad("kind: %q; permitted master, work", r.Kind)
	}
	if r.Nominal <= 0 || r.Nominal > MaxNominal {
		bad("nominal_pm: %s; permitted more than 0 up to %s", walkerMM(r.Nominal), walkerMM(MaxNominal))
	}
	if r.Material == "" {
		bad("material: empty; name a material of the register")
	}
	if r.LowerLimit > r.UpperLimit {
		bad("lower_limit_pm: %s is above upper_limit_pm, %s", walkerMM(r.LowerLimit), walkerMM(r.UpperLimit))
	}
	c := r.Certificate
	if r.Kind == Master && c == nil {
		bad("certificate: none; a master stands on one")
	}
	if r.Kind == Work && c != nil {
		bad("certificate: a work ring has none; register the ring as a master to use one")
	}
	if c != nil {
		faults = append(faults, c.validate(r.Nominal))
	}
	return errors.Join(faults...)
}

func (c MasterCertificate) validate(nominal Length) error {
	var faults []error
	bad := func(format string, a ...any) { faults = append(faults, fmt.Errorf("certificate."+format, a...)) }
	if strings.TrimSpace(c.Number) == "" {
		bad("number: empty; give the number of the certificate")
	}
	// A master that is 1 % off its nominal size is a slip of the pen.
	if off := max(c.Diameter-nominal, nominal-c.Diameter); c.Diameter <= 0 || nominal > 0 && off > nominal/100 {
		bad("diameter_pm: %s; permitted within 1 %% of the nominal %s", walkerMM(c.Diameter), walkerMM(nominal))
	}
	if c.Expanded <= 0 || c.Expanded > Millimetre/10 {
		bad("expanded_uncertainty_pm: %s; permitted more than 0 up to 100.00 µm", walkerMicro(c.Expanded))
	}
	if c.CoverageFactorMill < 1000 || c.CoverageFactorMill > 5000 {
		bad("coverage_factor_milli: %d; permitted 1000 to 5000 (2000 means k = 2)", c.CoverageFactorMill)
	}
	if c.DriftHalfWidth < 0 || c.DriftHalfWidth > Millimetre/10 {
		bad("drift_half_width_pm: %s; permitted 0 to 100.00 µm", walkerMicro(c.DriftHalfWidth))
	}
	if c.Height < 0 || c.Height > MaxHeight {
		bad("height_pm: %s; permitted 0 to %s", walkerMM(c.Height), walkerMM(MaxHeight))
	}
	if c.Direction < 0 || c.Direction >= 360_000 {
		bad("direction_mdeg: %d; permitted 0 to 359999", c.Direction)
	}
	for _, d := range []struct{ name, day string }{{"calibrated_on", c.CalibratedOn}, {"due_on", c.DueOn}} {
		if !validDay(d.day) {
			bad("%s: %q is no calendar day; use the form 2026-01-31", d.name, d.day)
		}
	}
	if validDay(c.CalibratedOn) && validDay(c.DueOn) && c.DueOn < c.CalibratedOn {
		bad("due_on: %s is before calibrated_on, %s", c.DueOn, c.CalibratedOn)
	}
	return errors.Join(faults...)
}

// reference returns a step on the master at its certified position.
func reference(role StepRole, master Ring, repeats int) PlanStep {
	s := PlanStep{Role: role, RingID: master.ID, Repeats: repeats}
	if c := master.Certificate; c != nil {
		s.Height, s.Direction = c.Height, c.Direction
	}
	return s
}

// OneDiameterPlan measures one diameter of one work ring, at the certified height
// of the master (the table stays as it is) and in direction 0.
func OneDiameterPlan(master, work Ring, repeats int) Plan {
	var height Length
	if c := master.Certificate; c != nil {
		height = c.Height
	}
	return HeightsAndDirectionsPlan(master, []Ring{work}, []Length{height}, []int64{0}, repeats)
}

// HeightsAndDirectionsPlan measures every work ring at every height and, at each
// height, in every direction (millidegrees), in one bracket of the master.
func HeightsAndDirectionsPlan(master Ring, works []Ring, heights []Length, directions []int64, repeats int) Plan {
	p := Plan{Steps: []PlanStep{reference(Opening, master, repeats)}}
	for _, w := range works {
		for _, h := range heights {
			for _, d := range directions {
				p.Steps = append(p.Steps, PlanStep{Role: Working, RingID: w.ID, Height: h, Direction: d, Repeats: repeats})
			}
		}
	}
	p.Steps = append(p.Steps, reference(Closing, master, repeats))
	return p
}
