package storage

import (
	"fmt"
	"path/filepath"
	"testing"

	"ringsaddle/acquire"
	"ringsaddle/calibrate"
)

// BenchmarkWrite gives the time of what the bench waits for, with FULL commits on
// the disk of the temporary folder.
func BenchmarkWrite(b *testing.B) {
	h := newBench(b, Config{Path: filepath.Join(b.TempDir(), "bench.db"), FoldEvery: -1})
	running(b, h.Store)
	h.putTrace(b, benchTraceOf(h, 4000), 1024)
	b.Run("capture", func(b *testing.B) {
		for b.Loop() {
			rec := h.capture(100, 4000)
			if _, err := h.CommitCapture(b.Context(), rec, h.events(rec)); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("event", func(b *testing.B) {
		for b.Loop() {
			if _, err := h.AppendEvent(b.Context(), h.set.ID, calibrate.Event{Kind: calibrate.Paused}); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("events-from-16", func(b *testing.B) {
		b.SetParallelism(8)
		b.RunParallel(func(pb *testing.PB) {
			for pb.Next() {
				if _, err := h.AppendEvent(b.Context(), h.set.ID, calibrate.Event{Kind: calibrate.Paused}); err != nil {
					b.Error(err)
				}
			}
		})
	})
	next := uint64(10_000)
	b.Run("trace-block-1024", func(b *testing.B) {
		n := 0
		for b.Loop() {
			rs := benchTrace(1000, 1024, false)
			for i := range rs {
				rs[i].Seq = next + uint64(i)
			}
			next += 1024
			n += len(rs)
			h.putTrace(b, rs, 1024)
		}
		b.ReportMetric(float64(n)/b.Elapsed().Seconds()/1e6, "Mreadings/s")
	})
}

func benchTraceOf(h *bench, n int) []acquire.Reading {
	rs := benchTrace(1000, n, false)
	rs[0].Flags = acquire.StreamStart | acquire.Gap
	return rs
}

// BenchmarkRead gives the time of the main queries with a trace of an hour at
// 100 Hz and a thousand captures.
func BenchmarkRead(b *testing.B) {
	h := newBench(b, Config{Path: filepath.Join(b.TempDir(), "bench.db"), FoldEvery: -1})
	const n = 360_000
	h.putTrace(b, readings(1, n), 1024)
	var last CaptureRecord
	for i := range 1000 {
		last = h.capture(uint64(i*300+1), uint64(i*300+300))
		if _, err := h.CommitCapture(b.Context(), last, h.events(last)); err != nil {
			b.Fatal(err)
		}
	}
	trace := func(b *testing.B, length uint64) {
		for b.Loop() {
			got := uint64(0)
			for _, err := range h.Trace(b.Context(), h.stream.ID, n/2, n/2+length-1) {
				if err != nil {
					b.Fatal(err)
				}
				got++
			}
			if got != length {
				b.Fatal(got)
			}
		}
		b.ReportMetric(float64(length)*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mreadings/s")
	}
	for _, length := range []uint64{100, 4000, 100_000} {
		b.Run(fmt.Sprintf("trace-%d", length), func(b *testing.B) { trace(b, length) })
	}
	b.Run("capture", func(b *testing.B) {
		for b.Loop() {
			if _, err := h.Capture(b.Context(), last.ID); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("events-after", func(b *testing.B) {
		for b.Loop() {
			if _, err := h.EventsAfter(b.Context(), 1500, 100); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("verify-journal-3000", func(b *testing.B) {
		for b.Loop() {
			if err := h.VerifyJournal(b.Context()); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("stats", func(b *testing.B) {
		for b.Loop() {
			_ = h.Stats()
		}
	})
}
