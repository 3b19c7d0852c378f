package calibrate

import (
	"fmt"
	"math"
)

const (
	// MinClosings is how many closing differences control limits need. Limits from
	// so few are rough; textbooks ask for 20 to 25 (from memory).
	MinClosings = 10
	// BaselineClosings is how many of them, from the first, the limits are taken
	// from, so that a later shift does not widen the limits that should show it.
	BaselineClosings = 25
)

// Parameters of the two charts that see small, lasting shifts. λ = 0.2 with a width
// of 3 standard deviations, k = s/2 and h = 5s are the usual choices (NIST/SEMATECH
// e-Handbook, 6.3.2.3 and 6.3.2.4, which call λ from 0.2 to 0.3 and h of 4 or 5
// usual; from memory).
const (
	closingLambda = 0.2
	closingWidth  = 3
	closingK      = 0.5
	closingH      = 5
)

// ClosingChart says whether the closing differences of one master on one bench are
// under statistical control. All of it is in the unit of the differences.
type ClosingChart struct {
	// Baseline is how many values, from the first, Limits and SD stand on. SD is
	// the mean moving range over d₂ of two values.
	Baseline int
	Limits   ControlLimits
	SD       float64
	// Beyond, EWMA and CUSUM have one element for each value. A cumulative sum
	// above Decision is a signal.
	Beyond   []bool
	EWMA     []EWMAPoint
	CUSUM    []CUSUMPoint
	Decision float64
}

// ChartClosings charts closing differences in the order in which they were measured:
// single values by Shewhart (limits x̄ ± 3·MR/d₂ of the baseline), their moving
// average and their cumulative sum about the same centre. The error says in words
// why there are no limits yet.
func ChartClosings(x []float64) (ClosingChart, error) {
	if len(x) < MinClosings {
		return ClosingChart{}, fmt.Errorf("%d of at least %d closing differences: too few for control limits", len(x), MinClosings)
	}
	c := ClosingChart{Baseline: min(len(x), BaselineClosings)}
	var err error
	if c.Limits, err = ShewhartSingle(x[:c.Baseline]); err != nil {
		return ClosingChart{}, err
	}
	c.SD = (c.Limits.Upper - c.Limits.Centre) / 3
	if !(c.SD > 0) || math.IsInf(c.SD, 0) {
		return ClosingChart{}, fmt.Errorf("the first %d closing differences do not scatter: no control limits", c.Baseline)
	}
	for _, v := range x {
		c.Beyond = append(c.Beyond, c.Limits.Out(v))
	}
	if c.EWMA, err = EWMA(x, c.Limits.Centre, c.SD, closingLambda, closingWidth); err != nil {
		return ClosingChart{}, err
	}
	c.Decision = closingH * c.SD
	c.CUSUM, err = CUSUM(x, c.Limits.Centre, closingK*c.SD, c.Decision)
	return c, err
}
