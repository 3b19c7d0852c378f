package detect

import (
	"math"
	"runtime"
	"syscall"
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

// cpuSeconds is the processor time that this process has used, s. On a machine
// that others use too it tells more than the clock on the wall.
func cpuSeconds(tb testing.TB) float64 {
	tb.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		tb.Fatal(err)
	}
	return float64(u.Utime.Nano()+u.Stime.Nano()) * 1e-9
}

// reportRate reports millions of readings a second of processor time since from.
func reportRate(b *testing.B, readings int, from float64) {
	b.Helper()
	b.ReportMetric(float64(readings)*float64(b.N)/(cpuSeconds(b)-from)/1e6, "Mreadings/cpu-s")
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
	from := cpuSeconds(b)
	for b.Loop() {
		for i := range traces {
			d := ds[i]
			for _, r := range traces[i].Readings {
				d.Push(r)
			}
			d.Flush()
		}
	}
	reportRate(b, n, from)
	var plain [][]acquire.Reading
	for i := range traces {
		plain = append(plain, traces[i].Readings)
	}
	reportRatio(b, plain, n, from)
}

// reportRatio reports how often the processor time a reading since from contains
// that of a plain pass over the readings which only sums them.
func reportRatio(b *testing.B, traces [][]acquire.Reading, readings int, from float64) {
	b.Helper()
	used := (cpuSeconds(b) - from) / float64(readings) / float64(b.N)
	total := 0
	for _, rs := range traces {
		total += len(rs)
	}
	sum, start, passes := int64(0), cpuSeconds(b), 0
	for cpuSeconds(b)-start < 0.05 {
		for _, rs := range traces {
			for i := range rs {
				sum += rs[i].X
			}
		}
		passes++
	}
	b.ReportMetric(used*float64(passes)*float64(total)/(cpuSeconds(b)-start), "x-sum")
	runtime.KeepAlive(sum)
}

// BenchmarkIdle pushes readings of a carriage that stands still out of contact.
func BenchmarkIdle(b *testing.B) {
	d, err := New(DefaultParams(acquire.Step{Num: 10_000, Den: 1}, 100_000))
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	seq := uint64(0)
	from := cpuSeconds(b)
	for b.Loop() {
		seq++
		d.Push(acquire.Reading{Seq: seq, At: int64(seq) * 1_000_000, X: 123456 + int64(seq&1)*10})
	}
	reportRate(b, 1, from)
}

// BenchmarkSum is the plain pass to compare with: it only sums the readings of
// BenchmarkCorpus.
func BenchmarkSum(b *testing.B) {
	traces := benchmarkTraces(b)
	n := 0
	for i := range traces {
		n += len(traces[i].Readings)
	}
	sum := int64(0)
	from := cpuSeconds(b)
	for b.Loop() {
		for i := range traces {
			for _, r := range traces[i].Readings {
				sum += r.X
			}
		}
	}
	reportRate(b, n, from)
	_ = sum
}

// longContact makes a contact of the given length at 1 kHz in which the hand
// sweeps to and fro.
func longContact(seconds float64) []acquire.Reading {
	var rs []acquire.Reading
	noise := uint64(1)
	for i := range int(seconds * 1000) {
		t := float64(i) / 1000
		x := 4000 * math.Pow(math.Sin(t/3), 2)
		noise = noise*6364136223846793005 + 1442695040888963407
		rs = append(rs, acquire.Reading{Seq: uint64(i + 1), At: int64(i) * 1_000_000, X: int64(x) + int64(noise>>61)})
	}
	return rs
}

// BenchmarkContact compares the cost of a reading in a ten-minute contact, whose
// looks weigh more reversals, with that in a short one.
func BenchmarkContact(b *testing.B) {
	for _, x := range []struct {
		name string
		s    float64
	}{{"20s", 20}, {"60s", 60}, {"600s", 600}} {
		rs := longContact(x.s)
		b.Run(x.name, func(b *testing.B) {
			d, err := New(DefaultParams(acquire.Step{Num: 10_000, Den: 1}, 100_000))
			if err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			from := cpuSeconds(b)
			for b.Loop() {
				for _, r := range rs {
					d.Push(r)
				}
				d.Flush()
			}
			reportRate(b, len(rs), from)
			reportRatio(b, [][]acquire.Reading{rs}, len(rs), from)
		})
	}
}

// A reading costs no allocation, and a station keeps to its memory.
func TestAllocations(t *testing.T) {
	d, err := New(DefaultParams(acquire.Step{Num: 10_000, Den: 1}, 100_000))
	if err != nil {
		t.Fatal(err)
	}
	rs := longContact(30)
	run := func() {
		for _, r := range rs {
			d.Push(r)
		}
		d.Flush()
	}
	run()
	per := testing.AllocsPerRun(3, run) / float64(len(rs))
	if per > 0.01 {
		t.Errorf("%.4f allocations a reading", per)
	}
	runtime.KeepAlive(d)
	for _, hasY := range []bool{false, true} {
		var before, after runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&before)
		e, err := New(d.Params())
		if err != nil {
			t.Fatal(err)
		}
		// Nearly as many bins as are kept: they are joined at 145 s.
		for _, r := range longContact(144) {
			if hasY {
				r.Flags |= acquire.HasY
				r.Y = r.X / 4
			}
			e.Push(r)
		}
		e.Flush()
		runtime.GC()
		runtime.ReadMemStats(&after)
		kept := int64(after.HeapAlloc) - int64(before.HeapAlloc)
		t.Logf("%.4f allocations a reading, %d bytes a station, second axis %v", per, kept, hasY)
		if kept > 4<<20 {
			t.Errorf("a station keeps %d bytes, at most 4 MiB are granted", kept)
		}
		runtime.KeepAlive(e)
	}
}
