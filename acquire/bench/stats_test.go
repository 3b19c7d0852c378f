package bench

import (
	"math"
	"slices"
	"testing"
)

// peakHold is what a peak-hold key shows for a phase: the largest or smallest raw
// reading, as an error against the noise-free extremum, µm. Stray readings are
// left out first, as a person would: those further than 8σ + 3 steps from the
// median of the nine around them.
func peakHold(tr *Trace, p *Phase, maximum bool) float64 {
	sgn := -1.0
	if maximum {
		sgn = 1
	}
	worst := math.Inf(-1)
	mm := func(i int) float64 { return tr.Step.PositionMM(tr.Readings[i].X) }
	limit := 8*tr.NoiseUM*1e-3 + 3e-9*float64(tr.ResolutionPM)
	var nine [9]float64
	for i, r := range tr.Readings {
		if r.At < p.StartNS || r.At > p.EndNS || i < 4 || i+4 >= len(tr.Readings) {
			continue
		}
		for j := range nine {
			nine[j] = mm(i - 4 + j)
		}
		slices.Sort(nine[:])
		if math.Abs(mm(i)-nine[4]) <= limit {
			worst = math.Max(worst, sgn*(mm(i)-p.ExtremumMM)*1e3)
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
// minimum, the largest of a cross phase as much above the maximum, on average
// over a class. Three classes are worse by their nature: steps of 1 µm, contact
// that settles anew in mid-phase, and dust that leaves in mid-phase. The carriage's
// hysteresis undoes a part of the bias.
func TestPeakHoldIsBiased(t *testing.T) {
	for n, c := range Classes() {
		if c == ClassClockJump {
			continue // its time stamps do not tell the phases
		}
		cases := uint64(10)
		if c == ClassOrdinary {
			cases = 60
		}
		var low, high, whole []float64
		for i := range cases {
			_, tr := classTrace(t, c, uint64(n)<<20+i)
			for _, k := range tr.Contacts() {
				for j := range k.Phases {
					p := &k.Phases[j]
					switch {
					case len(p.Crossings) == 0:
					case seek(&tr, p):
						e := peakHold(&tr, p, true)
						high = append(high, e)
						whole = append(whole, e+(p.ExtremumMM-k.SaddleMM)*1e3)
					default:
						low = append(low, peakHold(&tr, p, false))
					}
				}
			}
		}
		ml, mh := mean(low), mean(high)
		t.Logf("%-20s raw minimum %+.3f µm (5 to 95 %%: %+.3f to %+.3f), raw maximum %+.3f µm, against the saddle %+.3f µm, %d phases",
			c, ml, quantile(low, 0.05), quantile(low, 0.95), mh, mean(whole), len(low)+len(high))
		lo, hi := 0.05, 0.5
		if c == ClassCoarse || c == ClassContactLost || c == ClassDust {
			hi = 1
		}
		if c == ClassHysteresis {
			lo = 0.02
		}
		if len(low) > 0 {
			within(t, string(c)+": bias of the raw minimum, µm", -ml, lo, hi)
		}
		if len(high) > 0 {
			within(t, string(c)+": bias of the raw maximum, µm", mh, lo, hi)
		}
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
