package detect

import (
	"testing"

	"ringsaddle/acquire"
	"ringsaddle/acquire/bench"
)

func benchmarkTraces(b *testing.B) []bench.Trace {
	b.Helper()
	var out []bench.Trace
	for _, c := range bench.Classes() {
		for seed := range uint64(2) {
			tr, err := benchCase(c, seed)
			if err != nil {
				b.Fatal(err)
			}
			out = append(out, tr)
		}
	}
	return out
}

// BenchmarkCorpus runs the detector over two traces of every class.
func BenchmarkCorpus(b *testing.B) {
	traces := benchmarkTraces(b)
	n := 0
	for i := range traces {
		n += len(traces[i].Readings)
	}
	ds := make([]*Detector, len(traces))
	for i := range traces {
		d, err := New(benchParams(&traces[i]))
		if err != nil {
			b.Fatal(err)
		}
		ds[i] = d
	}
	b.ReportAllocs()
	for b.Loop() {
		for i := range traces {
			d := ds[i]
			for _, r := range traces[i].Readings {
				d.Push(r)
			}
			d.Flush()
		}
	}
	b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mreadings/s")
}

// BenchmarkIdle pushes readings of a carriage that stands still out of contact.
func BenchmarkIdle(b *testing.B) {
	d, err := New(DefaultParams(acquire.Step{Num: 10_000, Den: 1}, 100_000))
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	seq := uint64(0)
	for b.Loop() {
		seq++
		d.Push(acquire.Reading{Seq: seq, At: int64(seq) * 1_000_000, X: 123456 + int64(seq&1)*10})
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds()/1e6, "Mreadings/s")
}
