package calibrate

import (
	"testing"
	"time"
)

// ringModel is the model of the example set.
func ringModel(t testing.TB) *Model {
	s := loadSet(t, "two-rings.json")
	c := compile(&s)
	ref, err := c.referenceOf()
	if err != nil {
		t.Fatal(err)
	}
	m, _ := c.modelFor(1, c.weights(ref, 1))
	return m
}

// BenchmarkTrials is one trial of the ring model, with its ratio to drawing the
// inputs alone:
//
//	go test ./calibrate -run '^$' -bench Trials
func BenchmarkTrials(b *testing.B) {
	m := ringModel(b)
	dst := make([]float64, ChunkTrials)
	b.ReportAllocs()
	chunk := 0
	for b.Loop() {
		Trials(m, 1, chunk, dst)
		chunk++
	}
	perTrial := float64(b.Elapsed()) / float64(b.N*ChunkTrials)
	s := newSampler(m, 1, 0)
	start := time.Now()
	const draws = 500_000
	for range draws {
		s.draw()
	}
	drawing := float64(time.Since(start)) / draws
	b.ReportMetric(perTrial, "ns/trial")
	b.ReportMetric(perTrial/drawing, "×draws")
	b.ReportMetric(perTrial*1e6/1e9, "s/1e6-trials")
}

// BenchmarkEvaluate is one set by the law of propagation, with its ratio to one
// evaluation of the model.
func BenchmarkEvaluate(b *testing.B) {
	s := loadSet(b, "two-rings.json")
	m := ringModel(b)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Evaluate(s, Options{}); err != nil {
			b.Fatal(err)
		}
	}
	per := float64(b.Elapsed()) / float64(b.N)
	x := m.estimates()
	start := time.Now()
	const n = 200_000
	for range n {
		x[0] = m.Eval(x)
	}
	b.ReportMetric(per/(float64(time.Since(start))/n), "×model")
}
