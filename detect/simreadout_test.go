package detect

import (
	"math"
	"math/rand/v2"

	"ringsaddle/acquire"
)

// simReadout turns the course of the length into the readings of a readout.
func simReadout(tr simTrace, c simConfig, rng *rand.Rand, dt float64, length, ys, touch []float64) simTrace {
	// Readout.
	n := len(length)
	wn := 0.0
	t := 0.0
	period := 1 / c.rate
	hyst := 0.0
	prevL := length[0]
	idx := 0
	tr.stepMM = 1e-5
	tr.resPM = int64(c.q * 1e6)
	vibUntil, vibPhase := -1.0, 0.0
	staleUntil := -1.0
	dropLeft := 0
	strayLeft := 0
	strayAmp := 0.0
	var lastX int64
	seq := uint64(0)
	for {
		t += period * (1 + 0.1*rng.NormFloat64()*math.Min(1, c.rate/1000+0.3))
		ni := int(t / dt)
		if ni >= n {
			break
		}
		// Wander as an Ornstein-Uhlenbeck process.
		a := math.Exp(-period / c.wanderTau)
		wn = a*wn + c.wander*math.Sqrt(1-a*a)*rng.NormFloat64()
		for ; idx < ni; idx++ {
			// The lag of the carriage: play of ±hyst.
			d := length[idx] - prevL
			prevL = length[idx]
			hyst = math.Max(-c.hyst, math.Min(c.hyst, hyst-d))
		}
		x := length[ni] + hyst + touch[ni] + wn + c.drift*t/60 + c.white*rng.NormFloat64()
		if c.vib > 0 {
			if t > vibUntil && rng.Float64() < 0.05*period {
				vibUntil = t + uni(rng, 0.3, 1.5)
				vibPhase = rng.Float64() * 7
			}
			if t < vibUntil {
				x += c.vib * math.Sin(2*math.Pi*23*t+vibPhase)
			}
		}
		if strayLeft == 0 && rng.Float64() < c.outliers*period {
			strayLeft = 1 + rng.IntN(3)
			strayAmp = logUni(rng, 1, 5000) * sgn(rng)
		}
		if strayLeft > 0 {
			x += strayAmp
			strayLeft--
		}
		counts := int64(math.Round(x/c.q)) * int64(math.Round(c.q/0.01))
		if t < staleUntil {
			counts = lastX
		} else if rng.Float64() < c.stale*period {
			staleUntil = t + uni(rng, 0.05, 0.5)
		}
		if dropLeft == 0 && rng.Float64() < c.drops*period {
			dropLeft = 1 + rng.IntN(10)
		}
		if dropLeft > 0 {
			dropLeft--
			continue
		}
		lastX = counts
		seq++
		r := acquire.Reading{Seq: seq, At: int64(math.Round(t * 1e9)), X: counts}
		if c.y {
			r.Flags |= acquire.HasY
			r.Y = int64(math.Round((ys[ni]+0.05*rng.NormFloat64())/c.q)) * int64(math.Round(c.q/0.01))
		}
		tr.readings = append(tr.readings, r)
	}
	return tr
}
