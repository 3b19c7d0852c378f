package acquire_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"ringsaddle/acquire"
)

// positions returns n readings whose X counts on from first.
func positions(first int64, n int) []acquire.Reading {
	rs := make([]acquire.Reading, n)
	for i := range rs {
		rs[i] = acquire.Reading{At: first + int64(i), X: first + int64(i)}
	}
	return rs
}

// drain reads a head to its end.
func drain(t *testing.T, h *acquire.Head, size int) (got []acquire.Reading, overruns []acquire.Overrun) {
	t.Helper()
	buf := make([]acquire.Reading, size)
	for {
		n, err := h.Read(t.Context(), buf)
		got = append(got, buf[:n]...)
		var o *acquire.Overrun
		switch {
		case errors.Is(err, io.EOF):
			return got, overruns
		case errors.As(err, &o):
			overruns = append(overruns, *o)
		case err != nil:
			t.Fatal(err)
		case n == 0:
			t.Fatal("Read returned nothing without an error")
		}
	}
}

func TestTapeDeliversInOrder(t *testing.T) {
	tape := acquire.NewTape(64)
	h := tape.NewHead("test")
	first := tape.Open(acquire.Stream{ID: "a", OpenedAt: 5, Step: acquire.Step{Num: 10_000, Den: 1}})
	tape.Append(positions(10, 3))
	hint := tape.Mark(acquire.Reading{At: 20, X: 1, Flags: acquire.Hint})
	tape.Append(positions(30, 1))
	tape.Close()
	tape.Append(positions(40, 2)) // refused
	if first != 1 || hint != 5 {
		t.Errorf("stream at %d, hint at %d; want 1 and 5", first, hint)
	}
	got, overruns := drain(t, h, 2)
	want := []acquire.Reading{
		{Seq: 1, At: 5, Flags: acquire.StreamStart | acquire.Gap},
		{Seq: 2, At: 10, X: 10},
		{Seq: 3, At: 11, X: 11},
		{Seq: 4, At: 12, X: 12},
		{Seq: 5, At: 20, X: 1, Flags: acquire.Hint},
		{Seq: 6, At: 30, X: 30},
	}
	if diff := cmp.Diff(want, got); diff != "" || overruns != nil {
		t.Errorf("entries (-want +got):\n%s overruns %v", diff, overruns)
	}
	if s := tape.Stats(); s.Refused != 2 || s.Written != 6 || !s.Closed {
		t.Errorf("stats %+v; want 6 written and 2 refused", s)
	}
	if r, ok := tape.Latest(); !ok || r.X != 30 || r.Seq != 6 {
		t.Errorf("latest %+v, %v", r, ok)
	}
}

func TestTapeSaysExactlyWhatWasLost(t *testing.T) {
	tape := acquire.NewTape(16)
	h := tape.NewHead("slow")
	tape.Append(positions(1, 17)) // one more than the ring holds
	buf := make([]acquire.Reading, 100)
	_, err := h.Read(t.Context(), buf)
	var o *acquire.Overrun
	if !errors.As(err, &o) {
		t.Fatalf("error %v; want an Overrun", err)
	}
	// The oldest held is 2; a quarter of the ring past it is 6.
	if diff := cmp.Diff(acquire.Overrun{Head: "slow", From: 1, To: 5}, *o); diff != "" {
		t.Errorf("overrun (-want +got):\n%s", diff)
	}
	n, err := h.Read(t.Context(), buf)
	if err != nil || n != 12 || buf[0].Seq != 6 || buf[11].Seq != 17 {
		t.Errorf("after the overrun %d readings from %d, %v; want 12 from 6", n, buf[0].Seq, err)
	}
	want := acquire.HeadStats{Name: "slow", Delivered: 12, Lost: 5, Overruns: 1}
	if diff := cmp.Diff(want, h.Stats()); diff != "" {
		t.Errorf("stats (-want +got):\n%s", diff)
	}
	// Exactly a ring behind is not too late.
	h = tape.NewHeadAt("edge", 2)
	if n, err := h.Read(t.Context(), buf); n != 16 || err != nil {
		t.Errorf("a head exactly one ring behind got %d readings, %v; want 16", n, err)
	}
	// Asked for what is gone.
	h = tape.NewHeadAt("late", 0)
	if _, err := h.Read(t.Context(), buf); !errors.As(err, &o) || o.From != 1 {
		t.Errorf("a head at a place no longer held got %v; want an Overrun from 1", err)
	}
}

func TestTapeHeadWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		tape := acquire.NewTape(16)
		h := tape.NewHeadAt("early", 3)
		var got []acquire.Reading
		var end error
		done := make(chan struct{})
		go func() {
			defer close(done)
			buf := make([]acquire.Reading, 8)
			for {
				n, err := h.Read(context.Background(), buf)
				got = append(got, buf[:n]...)
				if err != nil {
					end = err
					return
				}
			}
		}()
		time.Sleep(time.Second)
		tape.Append(positions(1, 2)) // before its place
		time.Sleep(time.Second)
		if len(got) != 0 {
			t.Errorf("a head at 3 got %v", got)
		}
		tape.Append(positions(3, 1))
		synctest.Wait()
		if len(got) != 1 || got[0].Seq != 3 {
			t.Errorf("got %v; want the entry 3", got)
		}
		h.Close()
		<-done
		if !errors.Is(end, io.EOF) {
			t.Errorf("a closed head ends with %v; want io.EOF", end)
		}

		h = tape.NewHead("cancelled")
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		if _, err := h.Read(ctx, make([]acquire.Reading, 1)); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("a cancelled Read ends with %v", err)
		}
		tape.Close()
		h.Close() // after the tape: must not panic
		if _, err := tape.NewHead("after").Read(context.Background(), make([]acquire.Reading, 1)); !errors.Is(err, io.EOF) {
			t.Errorf("a head of a closed tape ends with %v; want io.EOF", err)
		}
	})
}

func TestTapeStreamAt(t *testing.T) {
	tape := acquire.NewTape(16)
	if _, ok := tape.StreamAt(1); ok {
		t.Error("an empty tape has a stream")
	}
	tape.Append(positions(1, 1))
	var firsts []uint64
	for i := range 3 {
		firsts = append(firsts, tape.Open(acquire.Stream{ID: fmt.Sprint(i)}))
		tape.Append(positions(1, 2))
	}
	for seq, want := range map[uint64]string{1: "", 2: "0", 4: "0", 5: "1", 7: "1", 8: "2", 10: "2", 11: ""} {
		s, ok := tape.StreamAt(seq)
		if ok != (want != "") || s.ID != want {
			t.Errorf("stream at %d is %q, %v; want %q", seq, s.ID, ok, want)
		}
	}
	if s, ok := tape.Stream(); !ok || s.ID != "2" || s.FirstSeq != firsts[2] {
		t.Errorf("newest stream %+v", s)
	}
	// A loose cable: streams are forgotten only when nothing of them is held.
	for i := range 5000 {
		tape.Open(acquire.Stream{ID: fmt.Sprint(100 + i)})
	}
	s := tape.Stats()
	for seq := s.Oldest; seq <= s.Written; seq++ {
		if st, ok := tape.StreamAt(seq); !ok || st.FirstSeq != seq {
			t.Fatalf("the stream of entry %d, still held, is %+v, %v", seq, st, ok)
		}
	}
	if _, ok := tape.StreamAt(2); ok {
		t.Error("a stream of 5000 streams ago is still remembered")
	}
}

// Every head gets what was written since it began, or is told what it lost, at
// any mix of batch sizes, capacities, buffer sizes and delays.
func TestTapeDeliveredPlusLostIsWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		capacity := rapid.IntRange(1, 200).Draw(t, "capacity")
		heads := rapid.IntRange(1, 4).Draw(t, "heads")
		total := rapid.IntRange(0, 3000).Draw(t, "total")
		seed := rapid.Uint64().Draw(t, "seed")
		tape := acquire.NewTape(capacity)
		var wg sync.WaitGroup
		faults := make(chan error, heads)
		for i := range heads {
			h := tape.NewHead(fmt.Sprint("head-", i))
			rng := rand.New(rand.NewPCG(seed, uint64(i)))
			wg.Go(func() { faults <- readAll(h, uint64(total), rng) })
		}
		rng := rand.New(rand.NewPCG(seed, 99))
		for written := 0; written < total; {
			n := min(1+rng.IntN(40), total-written)
			batch := positions(int64(written)+1, n)
			if rng.IntN(10) == 0 {
				n = 1
				tape.Mark(batch[0])
			} else {
				tape.Append(batch)
			}
			written += n
			if rng.IntN(4) == 0 {
				time.Sleep(time.Duration(rng.IntN(20)) * time.Microsecond)
			}
		}
		tape.Close()
		wg.Wait()
		for range heads {
			if err := <-faults; err != nil {
				t.Fatal(err)
			}
		}
	})
}

// readAll checks that a head accounts for every entry 1 to total.
func readAll(h *acquire.Head, total uint64, rng *rand.Rand) error {
	buf := make([]acquire.Reading, 1+rng.IntN(50))
	next, lost := uint64(1), uint64(0)
	for {
		n, err := h.Read(context.Background(), buf)
		for _, r := range buf[:n] {
			if r.Seq != next || r.X != int64(next) {
				return fmt.Errorf("%s: got entry %d with X %d; want %d", h.Name(), r.Seq, r.X, next)
			}
			next++
		}
		var o *acquire.Overrun
		switch {
		case errors.Is(err, io.EOF):
			s := h.Stats()
			if next != total+1 || s.Delivered+s.Lost != total || s.Lost != lost || s.Lag != 0 {
				return fmt.Errorf("%s: ended before %d of %d; stats %+v, lost %d", h.Name(), next, total, s, lost)
			}
			return nil
		case errors.As(err, &o):
			if o.From != next || o.To < o.From {
				return fmt.Errorf("%s: %v; want from %d", h.Name(), o, next)
			}
			lost += o.Lost()
			next = o.To + 1
		case err != nil:
			return err
		}
		if rng.IntN(3) == 0 {
			time.Sleep(time.Duration(rng.IntN(60)) * time.Microsecond)
		}
	}
}

func TestTapeAppendAllocatesNothing(t *testing.T) {
	tape := acquire.NewTape(1024)
	h := tape.NewHead("reader")
	batch, buf := positions(1, 16), make([]acquire.Reading, 16)
	if n := testing.AllocsPerRun(1000, func() {
		tape.Append(batch)
		if n, err := h.Read(context.Background(), buf); n != 16 || err != nil {
			t.Fatalf("read %d, %v", n, err)
		}
	}); n != 0 {
		t.Errorf("a batch through the tape allocates %v times; want 0", n)
	}
}

// BenchmarkTapeAppend appends batches of 16, with no head and with four that
// nobody reads; the copy alone is the yardstick.
func BenchmarkTapeAppend(b *testing.B) {
	batch := positions(1, 16)
	into := make([]acquire.Reading, 1<<16)
	plain := math.Inf(1) // ns to copy 16 readings, the best of five rounds
	for range 5 {
		start := time.Now()
		for i := 0; i < len(into); i += len(batch) {
			copy(into[i:], batch)
		}
		plain = min(plain, float64(time.Since(start).Nanoseconds())/float64(len(into)/len(batch)))
	}
	for _, heads := range []int{0, 4} {
		b.Run(fmt.Sprintf("heads=%d", heads), func(b *testing.B) {
			tape := acquire.NewTape(1 << 16)
			for i := range heads {
				tape.NewHead(fmt.Sprint(i))
			}
			b.ReportAllocs()
			for b.Loop() {
				tape.Append(batch)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/plain, "×copy")
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/16, "ns/reading")
		})
	}
}
