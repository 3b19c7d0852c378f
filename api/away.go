package api

import (
	"fmt"
	"math"
	"strings"

	"ringsaddle/acquire"
	"ringsaddle/calibrate"
)

// awayLimit is how far a reading may lie from what the ring in hand lets expect
// before the contacts are taken to rest on something else: a carriage that has run
// to its stop, or another ring. Play of the adjustments moves the reading by some
// tens of micrometres, the free carriage by millimetres.
const awayLimit = calibrate.Millimetre / 2

// awayFrom returns how far (mm, in the direction of a growing reading) the newest
// reading lies from what the ring in hand lets expect by the opening reference and
// the nominal sizes. away is false if that is within awayLimit, or not known.
func awayFrom(set *Set, step acquire.Step, counts int64) (ident string, offMM float64, away bool) {
	if set == nil {
		return "", 0, false
	}
	ring, expected, known := set.State.Expected()
	if !known {
		return "", 0, false
	}
	offMM = step.PositionMM(counts) - expected.MM()
	return ring.Ident, offMM, math.Abs(offMM) > awayLimit.MM()
}

// awayText says so to the person.
func awayText(ident string, offMM float64) string {
	return fmt.Sprintf("Not on ring %s: the reading lies %s mm off", ident, strings.Replace(fmt.Sprintf("%+.3f", offMM), "-", "−", 1))
}
