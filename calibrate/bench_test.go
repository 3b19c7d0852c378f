package calibrate

import (
	"syscall"
	"testing"
	"time"
)

// cpuTime returns the CPU time of the process, which a busy machine does not
// stretch as it does the clock.
func cpuTime(b *testing.B) time.Duration {
	var r syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &r); err != nil {
		b.Fatal(err)
	}
	return time.Duration(r.Utime.Nano() + r.Stime.Nano())
}

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

// BenchmarkTrials is a chunk of 10 000 trials of the ring model, with the CPU time of
// one and its ratio to drawing the inputs alone:
//
//	go test ./calibrate -run '^$' -bench Trials
func BenchmarkTrials(b *testing.B) {
	m := ringModel(b)
	dst := make([]float64, ChunkTrials)
	b.ReportAllocs()
	chunk := 0
	start := cpuTime(b)
	for b.Loop() {
		Trials(m, 1, chunk, dst)
		chunk++
	}
	perTrial := float64(cpuTime(b)-start) / float64(b.N*ChunkTrials)
	s := newSampler(m, 1, 0)
	start = cpuTime(b)
	const draws = 500_000
	for range draws {
		s.draw()
	}
	drawing := float64(cpuTime(b)-start) / draws
	b.ReportMetric(perTrial, "cpu-ns/trial")
	b.ReportMetric(perTrial/drawing, "×draws")
}

// BenchmarkEvaluate is one set by the law of propagation, with its ratio to one
// evaluation of the model.
func BenchmarkEvaluate(b *testing.B) {
	s := loadSet(b, "two-rings.json")
	m := ringModel(b)
	b.ReportAllocs()
	start := cpuTime(b)
	for b.Loop() {
		if _, err := Evaluate(s, Options{}); err != nil {
			b.Fatal(err)
		}
	}
	per := float64(cpuTime(b)-start) / float64(b.N)
	x := m.estimates()
	start = cpuTime(b)
	const n = 200_000
	for range n {
		x[0] = m.Eval(x)
	}
	b.ReportMetric(per/1000, "cpu-µs/set")
	b.ReportMetric(per/(float64(cpuTime(b)-start)/n), "×model")
}
