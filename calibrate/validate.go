package calibrate

import (
	"errors"
	"fmt"
	"math"
	"strings"
)

// FieldError is one fault of a set: which field, what it holds, what is permitted.
type FieldError struct {
	// Field is the path in the set, "captures[2].ring_celsius.value".
	Field string
	// Value is what was found; "(missing)" if nothing was.
	Value string
	// Permitted is the range or the choice.
	Permitted string
	// Hint, if not empty, says how to mend it.
	Hint string
}

// Error returns the fault in one line.
func (e *FieldError) Error() string {
	s := fmt.Sprintf("%s: %s; permitted: %s", e.Field, e.Value, e.Permitted)
	if e.Hint != "" {
		s += " (" + e.Hint + ")"
	}
	return s
}

// RangeError says that a quantity lies outside the interval for which something
// has been verified.
type RangeError struct {
	What           string
	ValueMM        float64
	FromMM, UpToMM float64
}

// Error returns the fault in one line.
func (e *RangeError) Error() string {
	return fmt.Sprintf("%s: %g mm; permitted: %g to %g mm (the verified range of the instrument)", e.What, e.ValueMM, e.FromMM, e.UpToMM)
}

// Bounds of plausible input. They keep nonsense out; they are not a judgement of
// quality.
const (
	maxTemperatureSpreadK    = 3.0
	maxTemperatureDeviationK = 10.0
	maxExpansionPerK         = 100e-6
	maxForceN                = 20.0
	maxCrossMM               = 1.0
	maxTiltMrad              = 50.0
	maxNominalDeviationMM    = 1.0
)

// validator gathers faults.
type validator struct{ faults []error }

func (v *validator) add(field string, value any, permitted, hint string) {
	s := fmt.Sprint(value)
	if s == "" {
		s = "(missing)"
	}
	v.faults = append(v.faults, &FieldError{field, s, permitted, hint})
}

// within checks lo ≤ x ≤ hi and refuses NaN.
func (v *validator) within(field string, x, lo, hi float64, unit, hint string) bool {
	if x >= lo && x <= hi {
		return true
	}
	if unit != "" {
		unit = " " + unit
	}
	v.add(field, fmt.Sprintf("%g%s", x, unit), fmt.Sprintf("%g to %g%s", lo, hi, unit), hint)
	return false
}

func (v *validator) oneOf(field, x string, choice ...string) bool {
	for _, c := range choice {
		if x == c {
			return true
		}
	}
	v.add(field, x, strings.Join(choice, ", "), "")
	return false
}

// quantity checks value and uncertainty; lo and hi bound the value, maxU its
// standard uncertainty.
func (v *validator) quantity(field string, q Quantity, lo, hi, maxU float64, unit string) {
	v.within(field+".value", q.Value, lo, hi, unit, "")
	if q.Distribution == "" {
		v.within(field+".u", q.U, 0, maxU, unit, "")
		if q.HalfWidth != 0 {
			v.add(field+".distribution", "", "rectangular, triangular, normal", "a half_width needs its distribution")
		}
	} else if v.oneOf(field+".distribution", q.Distribution, distRectangular, distTriangular, distNormal) {
		v.within(field+".half_width", q.HalfWidth, 0, 2*maxU, unit, "")
		if q.U != 0 && (q.Distribution != distNormal || q.HalfWidth != 0) {
			v.add(field+".u", q.U, "u, or half_width with distribution, not both", "")
		}
	}
	if q.Dof != 0 {
		v.within(field+".dof", q.Dof, 1, math.MaxFloat64, "", "leave it out or null if infinite")
	}
}

// Validate checks everything that can be checked before a set is evaluated. The
// error joins all faults, each a *FieldError or *RangeError.
func (s *SetFile) Validate() error {
	v := &validator{}
	v.oneOf("format", s.Format, SetFormat)
	if s.Probability != 0 {
		v.within("probability", s.Probability, 0.5, 0.9999, "", "")
	}
	if s.ClosingLimitMM != 0 {
		v.within("closing_limit_mm", s.ClosingLimitMM, 1e-6, 0.1, "mm", "")
	}
	s.validateInstrument(v)
	rings := s.validateRings(v)
	s.validateMaterials(v)
	s.validateContacts(v)
	if r := s.Repeatability; r != nil {
		v.within("repeatability.s_mm", r.SMM, 0, 0.1, "mm", "")
		if r.Dof != 0 {
			v.within("repeatability.dof", r.Dof, 1, math.MaxFloat64, "", "leave it out or null if infinite")
		}
	}
	if q := s.CommonTemperatureOffsetK; q != nil {
		v.quantity("common_temperature_offset_k", *q, -2, 2, 2, "K")
	}
	s.validateCaptures(v, rings)
	s.validateDecision(v)
	if f := s.LaboratoryFloor; f != nil {
		v.within("laboratory_floor.constant_mm", f.ConstantMM, 0, 0.1, "mm", "")
		v.within("laboratory_floor.per_mm", f.PerMM, 0, 1e-3, "", "")
	}
	for i, c := range s.Corrections {
		f := fmt.Sprintf("corrections[%d]", i)
		v.oneOf(f+".term", c.Term, TermIDs()...)
		v.quantity(f+".correction_mm", c.CorrectionMM, -0.1, 0.1, 0.1, "mm")
	}
	return errors.Join(v.faults...)
}

func (s *SetFile) validateInstrument(v *validator) {
	ins := &s.Instrument
	if len(ins.RangeMM) != 2 || !(ins.RangeMM[0] >= 0) || !(ins.RangeMM[1] > ins.RangeMM[0]) {
		v.add("instrument.range_mm", ins.RangeMM, "[lower, upper] with 0 ≤ lower < upper", "")
	}
	if !(ins.ResolutionMM >= 0 && ins.ResolutionMM <= 0.01) {
		v.add("instrument.resolution_mm", ins.ResolutionMM, "0 to 0.01 mm", "")
	}
	if ins.ReadingSign < -1 || ins.ReadingSign > 1 {
		v.add("instrument.reading_sign", ins.ReadingSign, "1, -1", "")
	}
	given := 0
	if q := ins.ScaleErrorMM; q != nil {
		given++
		v.quantity("instrument.scale_error_mm", *q, -0.1, 0.1, 0.1, "mm")
	}
	if m := ins.ScaleMPE; m != nil {
		given++
		v.within("instrument.scale_mpe.constant_mm", m.ConstantMM, 0, 0.1, "mm", "")
		v.within("instrument.scale_mpe.per_mm", m.PerMM, 0, 1e-3, "", "")
	}
	if rows := ins.ScaleErrors; len(rows) > 0 {
		given++
		if len(rows) < 2 {
			v.add("instrument.scale_errors", "1 row", "at least 2 rows", "")
		}
		for i, r := range rows {
			f := fmt.Sprintf("instrument.scale_errors[%d]", i)
			v.quantity(f+".error_mm", r.ErrorMM, -0.1, 0.1, 0.1, "mm")
			if i > 0 && !(r.AtMM > rows[i-1].AtMM) {
				v.add(f+".at_mm", r.AtMM, fmt.Sprintf("above %g mm (ascending rows)", rows[i-1].AtMM), "")
			}
		}
	}
	if rows := ins.ScaleErrors; len(rows) > 1 {
		for i := range s.Rings {
			if d := s.Rings[i].NominalMM; !(d >= rows[0].AtMM && d <= rows[len(rows)-1].AtMM) {
				v.add("instrument.scale_errors", fmt.Sprintf("no row around %g mm", d), fmt.Sprintf("rows on both sides of rings[%d].nominal_mm", i), "")
			}
		}
	}
	if given != 1 {
		v.add("instrument.scale_error_mm", fmt.Sprintf("%d statements of the error of the scale", given),
			"exactly one of scale_error_mm, scale_mpe, scale_errors", "")
	}
}

// validateRings returns the rings by id.
func (s *SetFile) validateRings(v *validator) map[string]*SetRing {
	rings := map[string]*SetRing{}
	masters, works, internal := 0, 0, map[bool]bool{}
	for i := range s.Rings {
		r := &s.Rings[i]
		f := fmt.Sprintf("rings[%d]", i)
		if r.ID == "" || rings[r.ID] != nil {
			v.add(f+".id", r.ID, "a name of its own", "")
		}
		rings[r.ID] = r
		v.within(f+".nominal_mm", r.NominalMM, 0.1, 2000, "mm", "")
		s.inRange(v, f+".nominal_mm", r.NominalMM)
		if v.oneOf(f+".feature", string(r.feature()), string(Bore), string(Cylinder), string(Gap), string(Block)) {
			internal[r.feature().Internal()] = true
		}
		if !v.oneOf(f+".role", r.Role, string(Master), string(Work)) {
			continue
		}
		if r.Role == string(Master) {
			masters++
			s.validateMaster(v, f, r)
		} else {
			works++
			if r.Certificate != nil || r.DriftMM != nil {
				v.add(f+".certificate", "given", "none for a work ring", "the diameter of a work ring is the result")
			}
		}
		if q := r.FormMM; q != nil {
			v.quantity(f+".form_mm", *q, -0.1, 0.1, 0.1, "mm")
		}
		if t := r.ToleranceMM; t != nil && (len(t) != 2 || !(t[0] < t[1])) {
			v.add(f+".tolerance_mm", t, "[lower, upper] deviations with lower < upper", "")
		}
		if g := r.Gauge; g != nil {
			if len(r.ToleranceMM) > 0 {
				v.add(f+".gauge", g.Class, "tolerance_mm or gauge, not both", "")
			}
			if _, err := GaugeLimits(g.Class, GaugeUse(g.Use), r.NominalMM, r.feature().Internal()); err != nil {
				v.faults = append(v.faults, fmt.Errorf("%s.gauge: %w", f, err))
			}
		}
	}
	if masters != 1 {
		v.add("rings", fmt.Sprintf("%d rings with role master", masters), "exactly one", "")
	}
	if works == 0 {
		v.add("rings", "no ring with role work", "at least one", "")
	}
	if len(internal) > 1 {
		v.add("rings", "internal and external features together", "all internal or all external", "the contacts touch from one side only")
	}
	return rings
}

func (s *SetFile) validateMaster(v *validator, f string, r *SetRing) {
	c := r.Certificate
	if c == nil {
		v.add(f+".certificate", "", "diameter_20c_mm, expanded_uncertainty_mm, coverage_factor", "a master stands on its certificate")
		return
	}
	f += ".certificate"
	v.within(f+".expanded_uncertainty_mm", c.ExpandedMM, 0, 0.1, "mm", "")
	if c.CoverageFactor == 0 {
		v.add(f+".coverage_factor", "", "1 to 5", "an expanded uncertainty means nothing without its coverage factor: read k on the certificate")
	} else {
		v.within(f+".coverage_factor", c.CoverageFactor, 1, 5, "", "")
	}
	v.within(f+".diameter_20c_mm", c.DiameterMM, r.NominalMM-maxNominalDeviationMM, r.NominalMM+maxNominalDeviationMM, "mm", "within 1 mm of the nominal diameter")
	s.inRange(v, f+".diameter_20c_mm", c.DiameterMM)
	if q := r.DriftMM; q != nil {
		v.quantity(strings.TrimSuffix(f, ".certificate")+".drift_mm", *q, -0.1, 0.1, 0.1, "mm")
	}
}

// inRange checks a diameter against the verified range of the instrument.
func (s *SetFile) inRange(v *validator, what string, mm float64) {
	if r := s.Instrument.RangeMM; len(r) == 2 && !(mm >= r[0] && mm <= r[1]) {
		v.faults = append(v.faults, &RangeError{what, mm, r[0], r[1]})
	}
}

func (s *SetFile) validateMaterials(v *validator) {
	seen := map[string]bool{}
	for i, m := range s.Materials {
		f := fmt.Sprintf("materials[%d]", i)
		if m.ID == "" || seen[m.ID] {
			v.add(f+".id", m.ID, "a name of its own", "")
		}
		seen[m.ID] = true
		if q := m.ExpansionPerK; q != nil {
			v.quantity(f+".expansion_per_k", *q, 0, maxExpansionPerK, 20e-6, "1/K")
		}
		if q := m.YoungModulusGPa; q != nil {
			v.quantity(f+".young_modulus_gpa", *q, 1, 1500, q.Value/4, "GPa")
		}
		if q := m.PoissonRatio; q != nil {
			v.quantity(f+".poisson_ratio", *q, 0, 0.5, 0.25, "")
		}
	}
	look := materialLookup(s)
	need := func(field, id string, expansion, elastic bool) {
		m, ok := look[id]
		if !ok {
			v.add(field, id, "a material of the set or of the register", "")
			return
		}
		if expansion && m.ExpansionPerK == nil {
			v.add(field, id, "a material with expansion_per_k", "")
		}
		if elastic && (m.YoungModulusGPa == nil || m.PoissonRatio == nil) {
			v.add(field, id, "a material with young_modulus_gpa and poisson_ratio", "")
		}
	}
	for i := range s.Rings {
		need(fmt.Sprintf("rings[%d].material", i), s.Rings[i].Material, true, true)
	}
	need("instrument.scale_material", s.Instrument.ScaleMaterial, true, false)
	need("contacts.material", s.Contacts.Material, false, true)
}

func (s *SetFile) validateContacts(v *validator) {
	c := &s.Contacts
	v.oneOf("contacts.shape", c.Shape, "ball")
	most := 50.0
	for i := range s.Rings {
		r := &s.Rings[i]
		if r.feature().Internal() {
			most = math.Min(most, 0.49*r.NominalMM)
		}
	}
	v.within("contacts.radius_mm", c.RadiusMM, 1e-4, most, "mm", "both balls have to fit into the smallest bore")
	v.quantity("contacts.force_n", c.ForceN, 0, maxForceN, maxForceN/4, "N")
	if q := c.OffsetSidewaysMM; q != nil {
		v.quantity("contacts.offset_sideways_mm", *q, -maxCrossMM, maxCrossMM, maxCrossMM/2, "mm")
	}
	if q := c.OffsetHeightMM; q != nil {
		v.quantity("contacts.offset_height_mm", *q, -maxCrossMM, maxCrossMM, maxCrossMM/2, "mm")
	}
}
