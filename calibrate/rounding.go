package calibrate

import (
	"math"
	"strconv"
)

// Rounded returns a result for people: the expanded uncertainty in micrometres to
// two significant digits (JCGM 100, 7.2.6) and the value in millimetres to the
// same decimal place. Without uncertainty the value is given to a nanometre.
func Rounded(valueMM, expandedMM float64) (valueText, expandedMicrometres string) {
	if !(expandedMM > 0) || math.IsInf(expandedMM, 0) || math.IsNaN(valueMM) {
		return strconv.FormatFloat(valueMM, 'f', 6, 64), strconv.FormatFloat(expandedMM*1000, 'g', 2, 64)
	}
	l := roundingExponent(expandedMM, 2)
	return roundAt(valueMM, l), roundAt(expandedMM*1000, l+3)
}

// roundAt writes x rounded to a multiple of 10^l.
func roundAt(x float64, l int) string {
	if l > 0 {
		p := math.Pow(10, float64(l))
		return strconv.FormatFloat(math.Round(x/p)*p, 'f', 0, 64)
	}
	return strconv.FormatFloat(x, 'f', -l, 64)
}
