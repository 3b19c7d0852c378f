package detect

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// What picks a value by its place finds the one that sorting finds.
func TestPlaces(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for range 3000 {
		d := make([]float64, 1+rng.IntN(400))
		step := math.Pow(10, -6*rng.Float64())
		mode := rng.IntN(4)
		for i := range d {
			switch mode {
			case 0:
				d[i] = math.Abs(rng.NormFloat64()) * step
			case 1: // steps of a readout
				d[i] = math.Round(math.Abs(rng.NormFloat64())*3) * step
			case 2: // nearly all alike
				d[i] = 0.005 * (1 + 1e-15*float64(rng.IntN(5)))
			default:
				d[i] = math.Exp(20 * rng.NormFloat64())
			}
		}
		sorted := slices.Clone(d)
		slices.Sort(sorted)
		k := rng.IntN(len(d))
		if got := nth(slices.Clone(d), k); got != sorted[k] {
			t.Fatalf("nth %d of %d: %g, sorted %g", k, len(d), got, sorted[k])
		}
		if got := nthClose(slices.Clone(d), k); got != sorted[k] {
			t.Fatalf("nthClose %d of %d: %g, sorted %g", k, len(d), got, sorted[k])
		}
		if q25, q50 := quartiles(slices.Clone(d)); q25 != sorted[len(d)/4] || q50 != sorted[len(d)/2] {
			t.Fatalf("quartiles of %d: %g %g, sorted %g %g", len(d), q25, q50, sorted[len(d)/4], sorted[len(d)/2])
		}
		signed := slices.Clone(d)
		for i := range signed {
			if rng.IntN(2) == 0 {
				signed[i] = -signed[i]
			}
		}
		if got := nthAbs(signed, k); got != sorted[k] {
			t.Fatalf("nthAbs %d of %d: %g, sorted %g", k, len(d), got, sorted[k])
		}
	}
}
