package bench

import (
	"math"
	"slices"
	"testing"
)

// peakHold is what a peak-hold key shows for a phase: the largest or smallest raw
// reading, as an error against the noise-free extremum, µm. Readings further
// than 3 µm beyond the truth are left out, as a person would.
func peakHold(tr *Trace, p *Phase, maximum bool) float64 {
	sgn := -1.0
	if maximum {
		sgn = 1
	}
	worst := math.Inf(-1)
	for _, r := range tr.Readings {
		if r.At < p.StartNS || r.At > p.EndNS {
			continue
		}
		e := sgn * (tr.Step.PositionMM(r.X) - p.ExtremumMM) * 1e3
		if e < 3 {
			worst = math.Max(worst, e)
		}
	}
	return sgn * worst
}

// seek tells which extremum a phase seeks.
func seek(tr *Trace, p *Phase) bool {
	return p.Adjustment == tr.Adjustments[0] && tr.SeekMaximum[0] || p.Adjustment == tr.Adjustments[1] && tr.SeekMaximum[1]
}

// A bench on which a peak-hold key did well would prove nothing about anything:
// the smallest raw reading of a tilt phase must lie 0.05 to 0.5 µm below the
// minimum, the largest of a cross phase as much above the maximum.
func TestPeakHoldIsBiased(t *testing.T) {
	for _, c := range Classes() {
		var low, high []float64
		for i := range uint64(40) {
			_, tr := classTrace(t, c, i)
			for _, k := range tr.Contacts() {
				for j := range k.Phases {
					p := &k.Phases[j]
					if len(p.Crossings) == 0 {
						continue
					}
					if e := peakHold(&tr, p, seek(&tr, p)); seek(&tr, p) {
						high = append(high, e)
					} else {
						low = append(low, e)
					}
				}
			}
		}
		ml, mh := mean(low), mean(high)
		t.Logf("%-20s raw minimum %+.3f µm (5 %% to 95 %%: %+.3f to %+.3f), raw maximum %+.3f µm, %d phases",
			c, ml, quantile(low, 0.05), quantile(low, 0.95), mh, len(low)+len(high))
	}
}

func mean(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

func quantile(x []float64, p float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	s := slices.Sorted(slices.Values(x))
	return s[int(p*float64(len(s)-1)+0.5)]
}
