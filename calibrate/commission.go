package calibrate

import (
	"errors"
	"fmt"
	"math"
)

// Limits of commissioning (common practice, no source).
const (
	// CommissionGainBound is how far the gain may lie from 1. It catches wrong
	// units, decimals and radius for diameter; it does not calibrate the scale.
	CommissionGainBound = 0.002
	// CommissionStep is the least difference of the two masters: readings that are
	// 1 µm out, by temperature or misalignment, then stay within the bound.
	CommissionStep = Millimetre
)

// CommissionCheck is one thing that commissioning looked at.
type CommissionCheck struct {
	Name string `json:"name"`
	// Text says what was found and what is permitted.
	Text string `json:"text"`
	OK   bool   `json:"ok"`
}

// CommissionSign finds the sign of a station's reading from two unequal masters:
// with master and work of one size nothing shows it. It returns +1 if the reading
// grows with the diameter and −1 if it counts down, with what was checked. The
// gain is
//
//	g = |x_large − x_small| / (D_large − D_small)
//
// with the certified diameters; it must be 1 within CommissionGainBound. With an
// error the sign is 0 and the checks say what failed.
func CommissionSign(readingSmall, readingLarge Length, small, large Ring) (sign int, checks []CommissionCheck, err error) {
	var faults []error
	check := func(name string, ok bool, mend, format string, a ...any) bool {
		c := CommissionCheck{Name: name, OK: ok, Text: fmt.Sprintf(format, a...)}
		checks = append(checks, c)
		if !ok {
			faults = append(faults, fmt.Errorf("%s: %s; %s", name, c.Text, mend))
		}
		return ok
	}
	for _, r := range []Ring{small, large} {
		check("master "+r.Ident, r.Kind == Master && r.Certificate != nil, "use two masters with certificates",
			"is a %s ring and has %s", r.Kind, map[bool]string{true: "a certificate", false: "no certificate"}[r.Certificate != nil])
	}
	if len(faults) > 0 {
		return 0, checks, errors.Join(faults...)
	}
	step := large.Certificate.Diameter - small.Certificate.Diameter
	if !check("masters", step >= CommissionStep, "take two masters further apart, the larger one second",
		"%s and %s differ by %s; at least %s is needed", large.Ident, small.Ident, walkerMM(step), walkerMM(CommissionStep)) {
		return 0, checks, errors.Join(faults...)
	}
	moved := readingLarge.MM() - readingSmall.MM()
	gain := math.Abs(moved) / step.MM()
	sign = 1
	if moved < 0 {
		sign = -1
	}
	check("gain", math.Abs(gain-1) <= CommissionGainBound, walkerGainHint(gain),
		"the reading moved by %.6g mm for %s, a gain of %.6g; permitted 1 ± %g", moved, walkerMM(step), gain, CommissionGainBound)
	if len(faults) > 0 {
		return 0, checks, errors.Join(faults...)
	}
	check("sign", true, "", "the reading %s with growing diameter", map[int]string{1: "grows", -1: "falls"}[sign])
	return sign, checks, nil
}

// walkerGainHint guesses at the cause of a gain.
func walkerGainHint(gain float64) string {
	for _, h := range []struct {
		gain float64
		hint string
	}{
		{25.4, "are readings in inch taken as millimetres the wrong way round?"},
		{1 / 25.4, "does the readout send inch, or is it set to inch?"},
		{2, "is the readout set to twice the travel?"},
		{0.5, "does the readout show the radius, or one contact's travel?"},
		{10, "is a decimal wrong in the frame's settings?"},
		{0.1, "is a decimal wrong in the frame's settings?"},
		{100, "are decimals wrong in the frame's settings?"},
		{0.01, "are decimals wrong in the frame's settings?"},
		{0, "did the readings come from the same ring, or did the readout stand still?"},
	} {
		if math.Abs(gain-h.gain) <= 0.01*h.gain+1e-9 {
			return h.hint
		}
	}
	return "check unit, decimals and resolution of the frame, and that the masters were not exchanged for other rings"
}
