package calibrate

import (
	"fmt"
	"strings"
)

// GaugeUse says how a gagemaker tolerance lies about the nominal size.
type GaugeUse string

// The uses.
const (
	// GaugeMaster: half of the tolerance on each side.
	GaugeMaster GaugeUse = "master"
	// GaugeGo: for a ring minus, for a plug plus.
	GaugeGo GaugeUse = "go"
	// GaugeNoGo: for a ring plus, for a plug minus.
	GaugeNoGo GaugeUse = "nogo"
)

// gaugeClasses are the columns of the table.
const gaugeClasses = "XXX XX X Y Z ZZ"

// gaugeRow is a range of sizes, above From up to and including UpTo in inches,
// with the total tolerance of each class in micro-inches.
type gaugeRow struct {
	fromIn, upToIn float64
	microinch      [6]int64
}

// gaugeTable returns the gagemaker tolerances of plain cylindrical gauges: classes
// X to ZZ in US Army TM 9-243, p. 15-2; XX in three and XXX in two published
// tables, one of which cites ASME B89.1.5. Printed limits in millimetres are rounded
// and one table has a misprint, so the inch values rule.
func gaugeTable() []gaugeRow {
	return []gaugeRow{
		{0.010, 0.825, [6]int64{10, 20, 40, 70, 100, 200}},
		{0.825, 1.510, [6]int64{15, 30, 60, 90, 120, 240}},
		{1.510, 2.510, [6]int64{20, 40, 80, 120, 160, 320}},
		{2.510, 4.510, [6]int64{25, 50, 100, 150, 200, 400}},
		{4.510, 6.510, [6]int64{33, 65, 130, 190, 250, 500}},
		{6.510, 9.010, [6]int64{40, 80, 160, 240, 320, 640}},
		{9.010, 12.010, [6]int64{50, 100, 200, 300, 400, 800}},
	}
}

// inchMM is an inch in millimetres and microinch a micro-inch in picometres, both
// exact.
const (
	inchMM    = 25.4
	microinch = 25_400 * Picometre
)

// GaugeTolerance returns the total tolerance of a gagemaker class for a nominal
// size in millimetres, exactly.
func GaugeTolerance(class string, nominalMM float64) (Length, error) {
	column := -1
	for i, c := range strings.Fields(gaugeClasses) {
		if c == class {
			column = i
		}
	}
	if column < 0 {
		return 0, &FieldError{"class", class, strings.Join(strings.Fields(gaugeClasses), ", "), ""}
	}
	// Sizes are declared to a picometre at most; the comparison is in picometres,
	// so that 20.955 mm is the 0.825 in of the first row.
	nominal, _ := LengthFromMM(nominalMM)
	for _, r := range gaugeTable() {
		from, _ := LengthFromMM(r.fromIn * inchMM)
		upTo, _ := LengthFromMM(r.upToIn * inchMM)
		if nominal > from && nominal <= upTo {
			return Length(r.microinch[column]) * microinch, nil
		}
	}
	return 0, &FieldError{"nominal_mm", fmt.Sprintf("%g mm", nominalMM), "above 0.254 mm up to 305.054 mm (0.010 to 12.010 in)", "gagemaker classes are not defined beyond"}
}

// GaugeLimits returns the limits as deviations from the nominal size, mm, for a
// ring (internal) or a plug.
func GaugeLimits(class string, use GaugeUse, nominalMM float64, internal bool) (Limits, error) {
	t, err := GaugeTolerance(class, nominalMM)
	if err != nil {
		return Limits{}, err
	}
	minus, plus := Limits{LowerMM: -t.MM()}, Limits{UpperMM: t.MM()}
	switch {
	case use == GaugeMaster:
		return Limits{-t.MM() / 2, t.MM() / 2}, nil
	case use == GaugeGo && internal, use == GaugeNoGo && !internal:
		return minus, nil
	case use == GaugeGo, use == GaugeNoGo:
		return plus, nil
	}
	return Limits{}, &FieldError{"use", string(use), "master, go, nogo", ""}
}

// limits returns the limits of a ring in mm, or false if none are known.
func (r *SetRing) limits() (Limits, bool) {
	var l Limits
	switch {
	case len(r.ToleranceMM) == 2:
		l = Limits{r.ToleranceMM[0], r.ToleranceMM[1]}
	case r.Gauge != nil:
		var err error
		if l, err = GaugeLimits(r.Gauge.Class, GaugeUse(r.Gauge.Use), r.NominalMM, r.feature().Internal()); err != nil {
			return Limits{}, false
		}
	default:
		return Limits{}, false
	}
	return Limits{r.NominalMM + l.LowerMM, r.NominalMM + l.UpperMM}, true
}
