package bench

import (
	"math/rand/v2"
	"testing"
)

// BenchmarkGenerate prints how many readings are made in a second, for a quiet
// bench and for one with every disturbance at work.
func BenchmarkGenerate(b *testing.B) {
	for _, c := range []Class{ClassOrdinary, ClassFast1kHz, ClassVibration, ClassWithY} {
		b.Run(string(c), func(b *testing.B) {
			n := 0
			for i := range b.N {
				sc, err := ClassScenario(c, rand.New(rand.NewPCG(uint64(i), 1)))
				if err != nil {
					b.Fatal(err)
				}
				tr, err := Generate(sc, uint64(i))
				if err != nil {
					b.Fatal(err)
				}
				n += len(tr.Readings)
			}
			b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
		})
	}
}
