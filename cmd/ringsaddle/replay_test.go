package main

import (
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"ringsaddle/acquire"
	"ringsaddle/acquire/bench"
	"ringsaddle/acquire/frame"
	"ringsaddle/detect"
)

// recordedSet returns the bytes of two entries on the simulated bench, one chunk a
// frame, as the port delivered them.
func recordedSet(t *testing.T) acquire.Recording {
	t.Helper()
	sc, err := bench.LoadScenario("demo")
	if err != nil {
		t.Fatal(err)
	}
	session, err := bench.NewSession(sc, 77)
	if err != nil {
		t.Fatal(err)
	}
	rec := acquire.Recording{Name: "two entries", Complete: true}
	rec.Station, rec.BootID = "bench-1", "boot"
	add := func(readings []acquire.Reading) {
		for _, r := range readings {
			rec.Chunks = append(rec.Chunks, acquire.Chunk{At: r.At, Bytes: sc.Frame.Append(nil, r, sc.Readout.Decimals)})
			rec.EndAt = r.At
		}
	}
	for _, task := range sc.Tasks[:2] {
		readings, _, err := session.Run(task, nil)
		if err != nil {
			t.Fatal(err)
		}
		add(readings)
		add(session.Idle(3, nil))
	}
	return rec
}

// inPieces cuts every chunk at random places; the pieces keep its time.
func inPieces(rec acquire.Recording, rng *rand.Rand) acquire.Recording {
	cut := rec
	cut.Chunks = nil
	for _, c := range rec.Chunks {
		for b := c.Bytes; len(b) > 0; {
			n := 1 + rng.IntN(len(b))
			cut.Chunks = append(cut.Chunks, acquire.Chunk{At: c.At, Bytes: b[:n]})
			b = b[n:]
		}
	}
	return cut
}

// capturesOf detects on a head of a tape, which may lag; it returns the captures
// and what the head lost.
func capturesOf(t *rapid.T, tape *acquire.Tape, head *acquire.Head, batch int, lag func()) ([]detect.Capture, []acquire.Overrun) {
	var detector *detect.Detector
	var captures []detect.Capture
	var lost []acquire.Overrun
	take := func(events []detect.Event) {
		for _, e := range events {
			if e.Kind == detect.EventCaptured {
				captures = append(captures, *e.Capture)
			}
		}
	}
	buf := make([]acquire.Reading, batch)
	for {
		lag()
		n, err := head.Read(context.Background(), buf)
		var overrun *acquire.Overrun
		switch {
		case errors.Is(err, io.EOF):
			if detector != nil {
				take(detector.Flush())
			}
			return captures, lost
		case errors.As(err, &overrun):
			lost = append(lost, *overrun)
			if detector != nil {
				take(detector.Lost(overrun.From, overrun.To))
			}
			continue
		case err != nil:
			t.Fatal(err)
		}
		for _, r := range buf[:n] {
			if detector == nil {
				stream, ok := tape.StreamAt(r.Seq)
				if !ok {
					t.Fatalf("entry %d has no stream", r.Seq)
				}
				if detector, err = detect.New(detect.DefaultParams(stream.Step, stream.ResolutionPM)); err != nil {
					t.Fatal(err)
				}
			}
			take(detector.Push(r))
		}
	}
}

// The same recorded bytes and times give bit-identical captures whatever the read
// sizes, the capacity of the tape and the delays of the consumer; a consumer that
// loses readings gives up the capture and says so.
func TestSameBytesSameCaptures(t *testing.T) {
	t.Parallel()
	rec := recordedSet(t)
	decoder, err := frame.New(frame.Config{Form: "signed-decimal-mm-crlf", Decimals: 4})
	if err != nil {
		t.Fatal(err)
	}
	cfg := acquire.ReplayConfig{Decoder: decoder, SilenceAfter: 2 * time.Second}
	play := func(rt *rapid.T, rec acquire.Recording, capacity, batch int, lag func()) ([]detect.Capture, []acquire.Overrun) {
		tape := acquire.NewTape(capacity)
		head := tape.NewHead("detector")
		done := make(chan struct{})
		go func() {
			defer close(done)
			rec.ReplayTo(tape, cfg)
			tape.Close()
		}()
		captures, lost := capturesOf(rt, tape, head, batch, lag)
		<-done
		return captures, lost
	}
	overruns, same := 0, 0
	var want []detect.Capture
	rapid.Check(t, func(rt *rapid.T) {
		if want == nil {
			want, _ = play(rt, rec, 1<<20, 512, func() {})
			if len(want) < 2 {
				rt.Fatalf("%d captures of two entries", len(want))
			}
		}
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 1))
		capacity := rapid.SampledFrom([]int{16, 64, 1024, 1 << 15}).Draw(rt, "capacity")
		batch := rapid.IntRange(1, 700).Draw(rt, "batch")
		slow := rapid.SampledFrom([]int{0, 1, 50}).Draw(rt, "delay in a thousand reads")
		got, lost := play(rt, inPieces(rec, rng), capacity, batch, func() {
			if rng.IntN(1000) < slow {
				time.Sleep(time.Duration(rng.IntN(2000)) * time.Microsecond)
			}
		})
		if len(lost) == 0 {
			same++
			if diff := cmp.Diff(want, got); diff != "" {
				rt.Fatalf("nothing was lost and the captures differ (- whole, + in pieces):\n%s", diff)
			}
			return
		}
		overruns++
		for _, c := range got {
			if !known(want, c) && c.Outcome == detect.OutcomeDiameter && spans(c, lost) {
				rt.Fatalf("a diameter spans readings that were lost: %+v, lost %v", c, lost)
			}
		}
		for _, c := range got {
			if c.Ending == detect.EndReadingsLost && (c.Outcome == detect.OutcomeDiameter || !says(c, detect.ReasonReadingsLost)) {
				rt.Fatalf("a capture that was given up does not say so: %+v", c)
			}
		}
	})
	t.Logf("%d runs without loss, all identical; %d with loss", same, overruns)
	if same == 0 || overruns == 0 {
		t.Error("both kinds of run are needed")
	}
}

func known(all []detect.Capture, c detect.Capture) bool {
	for _, w := range all {
		if reflect.DeepEqual(w, c) {
			return true
		}
	}
	return false
}

func spans(c detect.Capture, lost []acquire.Overrun) bool {
	for _, o := range lost {
		if o.From <= c.LastSeq && o.To >= c.FirstSeq {
			return true
		}
	}
	return false
}

func says(c detect.Capture, code detect.ReasonCode) bool {
	for _, r := range c.Reasons {
		if r.Code == code {
			return true
		}
	}
	return false
}
