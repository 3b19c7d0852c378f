package calibrate

import (
	"fmt"
	"math"
)

func (s *SetFile) validateCaptures(v *validator, rings map[string]*SetRing) {
	seen := map[string]bool{}
	count := map[string]int{}
	first, last := math.Inf(1), math.Inf(-1)
	sumT := map[string]float64{}
	for i := range s.Captures {
		c := &s.Captures[i]
		f := fmt.Sprintf("captures[%d]", i)
		if c.ID == "" || seen[c.ID] {
			v.add(f+".id", c.ID, "a name of its own", "")
		}
		seen[c.ID] = true
		s.validateCapture(v, f, c)
		role := v.oneOf(f+".role", c.Role, RoleOpening, RoleWork, RoleReference, RoleClosing)
		r := rings[c.Ring]
		if r == nil {
			v.add(f+".ring", c.Ring, "the id of a ring of the set", "")
			continue
		}
		if !role {
			continue
		}
		if (c.Role == RoleWork) != (r.Role == string(Work)) {
			v.add(f+".role", c.Role, "work on a work ring; opening, reference, closing on the master", "")
		}
		count[c.Role]++
		sumT[c.Role] += c.AtS
		if c.Role != RoleWork {
			first, last = math.Min(first, c.AtS), math.Max(last, c.AtS)
		}
	}
	if count[RoleOpening] == 0 {
		v.add("captures", "no capture with role opening", "at least one", "the zero comes from the master")
	}
	if count[RoleWork] == 0 {
		v.add("captures", "no capture with role work", "at least one", "")
	}
	if count[RoleClosing] > 0 && count[RoleOpening] > 0 {
		t0 := sumT[RoleOpening] / float64(count[RoleOpening])
		t1 := sumT[RoleClosing] / float64(count[RoleClosing])
		if !(t1 > t0) {
			v.add("captures", fmt.Sprintf("closing at %g s", t1), fmt.Sprintf("after the opening at %g s", t0), "")
		}
	}
	for i := range s.Captures {
		c := &s.Captures[i]
		if c.Role != RoleWork || count[RoleOpening] == 0 {
			continue
		}
		if c.AtS < first || (count[RoleClosing] > 0 && c.AtS > last) {
			to := "on"
			if count[RoleClosing] > 0 {
				to = fmt.Sprintf("to %g s", last)
			}
			v.add(fmt.Sprintf("captures[%d].at_s", i), fmt.Sprintf("%g s", c.AtS), fmt.Sprintf("%g s %s", first, to), "a work capture lies within the bracket of the master")
		}
	}
	s.validateTemperatures(v)
}

func (s *SetFile) validateCapture(v *validator, f string, c *SetCapture) {
	finite := func(name string, x float64) {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			v.add(f+"."+name, x, "a finite number", "")
		}
	}
	finite("at_s", c.AtS)
	finite("reading_mm", c.ReadingMM)
	v.within(f+".u_mm", c.UMM, 0, 0.1, "mm", "")
	lo, hi := referenceCelsius-maxTemperatureDeviationK, referenceCelsius+maxTemperatureDeviationK
	v.quantity(f+".ring_celsius", c.RingCelsius, lo, hi, 3, "°C")
	v.quantity(f+".scale_celsius", c.ScaleCelsius, lo, hi, 3, "°C")
	// A cross offset is bounded by the room in the bore as well.
	most := maxCrossMM
	for i := range s.Rings {
		if r := &s.Rings[i]; r.ID == c.Ring && r.feature() == Bore {
			most = math.Min(most, 0.5*(r.NominalMM/2-s.Contacts.RadiusMM))
		}
	}
	if q := c.CrossOffsetMM; q != nil {
		v.quantity(f+".cross_offset_mm", *q, -most, most, most/4, "mm")
	}
	if q := c.TiltMrad; q != nil {
		v.quantity(f+".tilt_mrad", *q, -maxTiltMrad, maxTiltMrad, maxTiltMrad/2, "mrad")
	}
	if q := c.SwivelMrad; q != nil {
		v.quantity(f+".swivel_mrad", *q, -maxTiltMrad, maxTiltMrad, maxTiltMrad/2, "mrad")
	}
	if p := c.Position; p != nil {
		finite("position.height_mm", p.HeightMM)
		finite("position.direction_deg", p.DirectionDeg)
	}
}

// validateTemperatures refuses a set whose temperatures lie so far apart that no
// correction by coefficients of expansion can be meant.
func (s *SetFile) validateTemperatures(v *validator) {
	low, high := math.Inf(1), math.Inf(-1)
	var lowAt, highAt string
	see := func(field string, t float64) {
		if t < low {
			low, lowAt = t, field
		}
		if t > high {
			high, highAt = t, field
		}
	}
	for i := range s.Captures {
		see(fmt.Sprintf("captures[%d].ring_celsius", i), s.Captures[i].RingCelsius.Value)
		see(fmt.Sprintf("captures[%d].scale_celsius", i), s.Captures[i].ScaleCelsius.Value)
	}
	if high-low > maxTemperatureSpreadK {
		v.add(highAt+".value", fmt.Sprintf("%g °C, %g K above %s", high, high-low, lowAt),
			fmt.Sprintf("up to %g K between any two temperatures of the set", maxTemperatureSpreadK),
			"let rings and bench come to one temperature, or correct the entry")
	}
}

func (s *SetFile) validateDecision(v *validator) {
	d := s.Decision
	if d == nil {
		return
	}
	if !v.oneOf("decision.rule", d.Rule, string(SimpleAcceptance), string(GuardBand), string(ConformanceProbability)) {
		return
	}
	switch Rule(d.Rule) {
	case GuardBand:
		v.within("decision.r", d.R, 0, 5, "", "the guard band is r times the expanded uncertainty")
	case ConformanceProbability:
		v.within("decision.probability", d.Probability, 0.5, 0.999999, "", "the smallest conformance probability for acceptance")
	}
}
