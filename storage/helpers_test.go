package storage

import (
	"context"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"

	"ringsaddle/acquire"
	"ringsaddle/calibrate"
	"ringsaddle/detect"
)

const (
	testStation = "bench-1"
	wall0       = int64(1_760_000_000_000_000_000)
	boot0       = int64(5_000_000_000_000)
)

func newUUID() string { return uuid.Must(uuid.NewV7()).String() }

// testClock is a wall clock that tests can set.
type testClock struct {
	mu  sync.Mutex
	now time.Time
}

func newTestClock() *testClock { return &testClock{now: time.Unix(0, wall0)} }

func (c *testClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *testClock) Advance(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
}

func mustOpen(t testing.TB, cfg Config) (*Store, *testClock) {
	t.Helper()
	if cfg.Path == "" {
		cfg.Path = filepath.Join(t.TempDir(), "bench.db")
	}
	clock := newTestClock()
	s, err := Open(t.Context(), cfg, clock.Now, newUUID)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(context.Background()); err != nil {
			t.Error(err)
		}
	})
	return s, clock
}

// running starts Run and stops it when the test ends.
func running(t testing.TB, s *Store) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
}

func testStream(first uint64) acquire.Stream {
	return acquire.Stream{
		ID: newUUID(), Station: testStation, BootID: "boot", OpenedAt: boot0, OpenedWallNS: wall0,
		Step: acquire.Step{Num: 100_000, Den: 1}, ResolutionPM: 100_000, FirstSeq: first, Reason: "opened",
	}
}

func putStation(t testing.TB, s *Store) {
	t.Helper()
	if _, err := s.UpsertStation(t.Context(), testStation, []byte(`{"baud": 9600, "resolution_mm": 0.0001}`)); err != nil {
		t.Fatal(err)
	}
}

func testRing(ident string, kind calibrate.RingKind) calibrate.Ring {
	r := calibrate.Ring{Ident: ident, Kind: kind, Nominal: 30 * calibrate.Millimetre, Material: "steel", Owner: "laboratory"}
	if kind == calibrate.Master {
		r.Certificate = &calibrate.MasterCertificate{
			Number: "C-1", Diameter: 30_000_400_000, Expanded: 200_000, CoverageFactorMill: 2000,
			CalibratedOn: "2026-01-10", DueOn: "2027-01-10",
		}
	}
	return r
}

// bench is a store with a station, a stream, two rings and a set.
type bench struct {
	*Store
	clock        *testClock
	stream       acquire.Stream
	master, work calibrate.Ring
	set          SetRecord
}

func newBench(t testing.TB, cfg Config) *bench {
	t.Helper()
	s, clock := mustOpen(t, cfg)
	return fillBench(t, s, clock)
}

func fillBench(t testing.TB, s *Store, clock *testClock) *bench {
	t.Helper()
	ctx := t.Context()
	putStation(t, s)
	b := &bench{Store: s, clock: clock, stream: testStream(1)}
	if err := s.PutStream(ctx, b.stream, nil); err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		to   *calibrate.Ring
		ring calibrate.Ring
	}{{&b.master, testRing("M-30", calibrate.Master)}, {&b.work, testRing("W-1", calibrate.Work)}} {
		rec, err := s.AddRing(ctx, x.ring, Note{Station: testStation, By: "tester"})
		if err != nil {
			t.Fatal(err)
		}
		*x.to = rec.Ring
	}
	var err error
	b.set, _, err = s.CreateSet(ctx, SetRecord{Station: testStation, By: "tester"}, b.started())
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func (b *bench) started() calibrate.Event {
	return calibrate.Event{
		Kind: calibrate.SetStarted, At: boot0, WallNS: wall0, By: "tester",
		Plan: &calibrate.Plan{Steps: []calibrate.PlanStep{
			{Role: calibrate.Opening, RingID: b.master.ID, Repeats: 1},
			{Role: calibrate.Working, RingID: b.work.ID, Height: 10 * calibrate.Millimetre, Direction: 90_000, Repeats: 2},
			{Role: calibrate.Closing, RingID: b.master.ID, Repeats: 1},
		}},
		Rings: []calibrate.Ring{b.master, b.work},
	}
}

// readings makes n readings from first that look like a slow sweep at 100 Hz.
func readings(first uint64, n int) []acquire.Reading {
	out := make([]acquire.Reading, n)
	for i := range out {
		seq := first + uint64(i)
		out[i] = acquire.Reading{
			Seq: seq,
			At:  boot0 + int64(seq)*10_000_000 + int64(seq*7919%80_000),
			X:   300_000 + int64(2000*math.Sin(float64(seq)/300)) + int64(seq*31%3),
		}
	}
	if first == 1 {
		out[0].Flags = acquire.StreamStart | acquire.Gap
	}
	return out
}

// putTrace stores readings as blocks of the given size, as a recorder would.
func (b *bench) putTrace(t testing.TB, rs []acquire.Reading, size int) {
	t.Helper()
	for len(rs) > 0 {
		n := min(size, len(rs))
		blk, err := b.makeBlock(b.stream, rs[:n])
		if err != nil {
			t.Fatal(err)
		}
		if err := b.write(t.Context(), false, func(x *tx) error { return x.putBlock(blk, false) }); err != nil {
			t.Fatal(err)
		}
		rs = rs[n:]
	}
}

func (b *bench) capture(first, last uint64) CaptureRecord {
	return CaptureRecord{
		ID: newUUID(), Station: testStation, StreamID: b.stream.ID, SetID: b.set.ID, PlanStep: 1,
		Step: b.stream.Step, WallNS: wall0 + int64(last)*10_000_000,
		Params: []byte(`{"k": 2.5, "a": 1}`),
		Capture: detect.Capture{
			FirstSeq: first, LastSeq: last, StartAt: boot0 + 1, EndAt: boot0 + 2, At: boot0 + 2, Origin: 300_000,
			Outcome: detect.OutcomeDiameter, Ending: detect.EndWithdrawn, Saddle: 0.1 + 0.2, U: 1.0 / 3,
			Points: []detect.TurningPoint{
				{Adjustment: detect.Tilt, Sense: detect.Minimum, At: boot0 + 1, Value: -math.Pi, U: 5e-324, Crossings: 2, First: first, Last: first + 1},
				{Adjustment: detect.Cross, Sense: detect.Maximum, At: boot0 + 2, Value: math.MaxFloat64, U: 3, Crossings: 3, First: first, Last: last},
			},
			Reasons:  []detect.Reason{{Code: "a", Text: "µ < 1 & \"quoted\" \u2028"}, {Code: "b", Text: ""}},
			Residual: [2]float64{math.Copysign(0, -1), 2}, ResidualU: [2]float64{0, math.SmallestNonzeroFloat64},
			Probability: [2]float64{0.75, 1},
			Parked:      [2]bool{true, false}, Revision: "detect/1", ParamsDigest: "abc",
		},
	}
}

func (b *bench) events(rec CaptureRecord) []calibrate.Event {
	return []calibrate.Event{
		{
			Kind: calibrate.CaptureStored, At: rec.Capture.At, WallNS: rec.WallNS, Step: rec.PlanStep, CaptureID: rec.ID,
			Capture: &calibrate.CaptureFact{ID: rec.ID, StreamID: rec.StreamID, Outcome: "diameter", Reading: 30_000_417_000, U: 30_000},
		},
		{Kind: calibrate.WithdrawnAfter, At: rec.Capture.At, WallNS: rec.WallNS + 1},
	}
}

// fakeHead gives what is sent to it, one batch or error at a time.
type fakeHead struct {
	in   chan any // []acquire.Reading or error
	rest []acquire.Reading
}

func newFakeHead() *fakeHead { return &fakeHead{in: make(chan any, 1024)} }

func (h *fakeHead) Read(ctx context.Context, buf []acquire.Reading) (int, error) {
	if err := ctx.Err(); err != nil {
		return 0, err
	}
	if len(h.rest) == 0 {
		select {
		case v, ok := <-h.in:
			switch v := v.(type) {
			case []acquire.Reading:
				h.rest = v
			case error:
				return 0, v
			default:
				if !ok {
					return 0, io.EOF
				}
				return 0, fmt.Errorf("unexpected %T", v)
			}
		case <-ctx.Done():
			return 0, ctx.Err()
		}
	}
	n := copy(buf, h.rest)
	h.rest = h.rest[n:]
	return n, nil
}
