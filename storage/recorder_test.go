package storage

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"ringsaddle/acquire"
)

var _ ReadingReader = (*acquire.Head)(nil)

// recording starts a recorder of a tape and returns a function that closes the
// tape and waits for the recorder's end.
func recording(t testing.TB, s *Store, head ReadingReader, cfg RecorderConfig) (r *Recorder, wait func() error) {
	t.Helper()
	cfg.Station = testStation
	r, err := s.NewRecorder(cfg, head)
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- r.Run(context.Background()) }()
	return r, func() error {
		select {
		case err := <-done:
			return err
		case <-time.After(20 * time.Second):
			return errors.New("the recorder did not end")
		}
	}
}

func stored(t testing.TB, s *Store, streamID string) []acquire.Reading {
	t.Helper()
	var out []acquire.Reading
	for r, err := range s.Trace(context.Background(), streamID, 0, 1<<63) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, r)
	}
	return out
}

func TestRecorderStoresATape(t *testing.T) {
	s, _ := mustOpen(t, Config{})
	running(t, s)
	tape := acquire.NewTape(1 << 14)
	r, wait := recording(t, s, tape.NewHead("recorder"), RecorderConfig{
		Settings: []byte(`{"a":1}`), Streams: tape.StreamAt, TailAfter: time.Hour,
	})
	var want [2][]acquire.Reading
	var ids [2]string
	for i := range 2 {
		st := testStream(0)
		ids[i] = st.ID
		first := tape.Open(st)
		want[i] = append(want[i], acquire.Reading{Seq: first, At: st.OpenedAt, Flags: acquire.StreamStart | acquire.Gap})
		for range 30 {
			rs := readings(2, 100)
			tape.Append(rs)
			want[i] = append(want[i], rs...)
		}
	}
	last := want[1][len(want[1])-1].Seq
	// The tail waits for an hour; Flush has it written now.
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	if err := r.Flush(ctx, last); err != nil {
		t.Fatal(err)
	}
	for i := range 2 {
		if got := stored(t, s, ids[i]); !slices.Equal(want[i], got) {
			t.Errorf("stream %d: %d readings stored, want %d", i, len(got), len(want[i]))
		}
		st, err := s.Stream(ctx, ids[i])
		if err != nil || st.FirstSeq != want[i][0].Seq {
			t.Errorf("stream %d: %+v, %v", i, st, err)
		}
	}
	tape.Append(readings(1, 5)[1:])
	tape.Close()
	if err := wait(); err != nil {
		t.Fatal(err)
	}
	st := r.Stats()
	if st.Readings != last+4 || st.Lost != 0 || st.CommittedSeq != last+4 || st.Failing {
		t.Errorf("%+v", st)
	}
	if err := r.Flush(ctx, last+5); !errors.Is(err, ErrRecorderEnded) {
		t.Errorf("flush after the end: %v", err)
	}
	if err := s.VerifyJournal(ctx); err != nil {
		t.Error(err)
	}
}

// Whatever the batches, block sizes and losses: what the head delivered is stored
// in order, what it lost is a gap of the right stream, and nothing is in neither.
func TestRecorderLosesNothingSilently(t *testing.T) {
	s, _ := mustOpen(t, Config{})
	running(t, s)
	putStation(t, s)
	rapid.Check(t, func(rt *rapid.T) {
		var streams []acquire.Stream
		streamAt := func(seq uint64) (acquire.Stream, bool) {
			for i := len(streams) - 1; i >= 0; i-- {
				if streams[i].FirstSeq <= seq {
					return streams[i], true
				}
			}
			return acquire.Stream{}, false
		}
		n := uint64(rapid.IntRange(1, 400).Draw(rt, "n"))
		starts := append([]uint64{1}, rapid.SliceOfN(rapid.Uint64Range(2, n+1), 0, 3).Draw(rt, "starts")...)
		slices.Sort(starts)
		for _, first := range slices.Compact(starts) {
			if first <= n {
				streams = append(streams, testStream(first))
			}
		}
		head := newFakeHead()
		lost := map[uint64]bool{}
		for seq := uint64(1); seq <= n; {
			k := min(uint64(rapid.IntRange(1, 90).Draw(rt, "batch")), n-seq+1)
			if rapid.IntRange(0, 3).Draw(rt, "kind") == 0 {
				for i := range k {
					lost[seq+i] = true
				}
				head.in <- &acquire.Overrun{Head: "recorder", From: seq, To: seq + k - 1}
			} else {
				rs := readings(seq, int(k))
				for i := range rs {
					rs[i].Flags = 0
					if st, _ := streamAt(rs[i].Seq); st.FirstSeq == rs[i].Seq {
						rs[i].Flags = acquire.StreamStart | acquire.Gap
					}
				}
				head.in <- rs
			}
			seq += k
		}
		close(head.in)
		r, wait := recording(t, s, head, RecorderConfig{Streams: streamAt, BlockReadings: rapid.IntRange(1, 64).Draw(rt, "block")})
		if err := wait(); err != nil {
			rt.Fatal(err)
		}
		var lostCount uint64
		for i, st := range streams {
			end := n
			if i+1 < len(streams) {
				end = streams[i+1].FirstSeq - 1
			}
			seen := map[uint64]int{}
			for _, x := range stored(t, s, st.ID) {
				seen[x.Seq]++
				if want := readings(x.Seq, 1)[0]; x.X != want.X || x.At != want.At {
					rt.Fatalf("reading %d came back as %v", x.Seq, x)
				}
			}
			gaps, err := s.Gaps(context.Background(), st.ID, 0, 1<<63)
			if err != nil {
				rt.Fatal(err)
			}
			for _, g := range gaps {
				for q := g.FirstSeq; q <= g.LastSeq; q++ {
					if !lost[q] || g.Reason != GapOverrun {
						rt.Fatalf("reading %d is in a gap (%s) and was not lost", q, g.Reason)
					}
					seen[q]++
					lostCount++
				}
			}
			for q := st.FirstSeq; q <= end; q++ {
				if seen[q] != 1 {
					rt.Fatalf("reading %d of stream %d is there %d times", q, i, seen[q])
				}
			}
			if len(seen) != int(end-st.FirstSeq+1) {
				rt.Fatalf("stream %d holds readings of another", i)
			}
			if u, err := s.unexplained(context.Background(), st.ID, st.FirstSeq, end); err != nil || u != 0 {
				rt.Fatalf("%d unexplained, %v", u, err)
			}
		}
		if got := r.Stats(); got.Lost != lostCount || got.Readings+got.Lost != n {
			rt.Fatalf("%+v, lost %d of %d", got, lostCount, n)
		}
	})
}

func TestCommitCaptureWaitsForTheTrace(t *testing.T) {
	b := newBench(t, Config{})
	running(t, b.Store)
	head := newFakeHead()
	_, wait := recording(t, b.Store, head, RecorderConfig{
		TailAfter: time.Hour, Streams: func(uint64) (acquire.Stream, bool) { return b.stream, true },
	})
	head.in <- readings(1, 50)
	rec := b.capture(20, 100)
	done := make(chan error, 1)
	go func() {
		_, err := b.CommitCapture(context.Background(), rec, b.events(rec))
		done <- err
	}()
	select {
	case err := <-done:
		t.Fatalf("committed before its readings: %v", err)
	case <-time.After(50 * time.Millisecond):
	}
	head.in <- &acquire.Overrun{From: 51, To: 60}
	head.in <- readings(61, 60)
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	got, err := b.Capture(t.Context(), rec.ID)
	if err != nil || got.TraceReadings != 71 || got.TraceMissing != 10 {
		t.Errorf("%d stored, %d missing, %v", got.TraceReadings, got.TraceMissing, err)
	}
	if err := b.VerifyTrace(t.Context(), rec.ID); err != nil {
		t.Error(err)
	}
	close(head.in)
	if err := wait(); err != nil {
		t.Error(err)
	}
	late := b.capture(100, 500)
	if _, err := b.CommitCapture(t.Context(), late, nil); !errors.Is(err, ErrRecorderEnded) {
		t.Errorf("readings that will never come: %v", err)
	}
	// A capture of stored readings needs no recorder.
	again := b.capture(61, 120)
	again.RecomputedFrom = rec.ID
	if _, err := b.CommitCapture(t.Context(), again, nil); err != nil {
		t.Error(err)
	}
}

func TestTailsAreWrittenWithinASecond(t *testing.T) {
	b := newBench(t, Config{})
	running(t, b.Store)
	head := newFakeHead()
	r, wait := recording(t, b.Store, head, RecorderConfig{
		TailAfter: 30 * time.Millisecond, Streams: func(uint64) (acquire.Stream, bool) { return b.stream, true },
	})
	head.in <- readings(1, 10)
	for deadline := time.Now().Add(5 * time.Second); r.Stats().CommittedSeq != 10; {
		if time.Now().After(deadline) {
			t.Fatalf("the tail was not written: %+v", r.Stats())
		}
		time.Sleep(time.Millisecond)
	}
	close(head.in)
	if err := wait(); err != nil {
		t.Error(err)
	}
}

// A context that ends is not the end of the tape: what was written to it before
// is stored all the same.
func TestRecorderDrainsAfterItsContext(t *testing.T) {
	s, _ := mustOpen(t, Config{})
	putStation(t, s)
	tape := acquire.NewTape(1 << 14)
	r, err := s.NewRecorder(RecorderConfig{Station: testStation, Streams: tape.StreamAt}, tape.NewHead("recorder"))
	if err != nil {
		t.Fatal(err)
	}
	st := testStream(0)
	tape.Open(st)
	tape.Append(readings(1, 9000))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := r.Run(ctx); err != nil { // no Run of the store either: the recorder commits by itself
		t.Fatal(err)
	}
	if got := stored(t, s, st.ID); len(got) != 9001 {
		t.Errorf("%d of 9001 readings stored", len(got))
	}
}

func TestRecorderConfigReportsAllFaults(t *testing.T) {
	s, _ := mustOpen(t, Config{})
	_, err := s.NewRecorder(RecorderConfig{BlockReadings: -1, TailAfter: -1}, nil)
	for _, want := range []string{"station: empty", "streams and head", "block readings: -1", "tail after -1ns"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v does not say %q", err, want)
		}
	}
}

func TestTraceByTime(t *testing.T) {
	s, _ := mustOpen(t, Config{})
	putStation(t, s)
	ctx := t.Context()
	// Two streams whose station clocks have nothing in common, an hour apart.
	var want []TimedReading
	const hour = int64(time.Hour)
	for i := range int64(2) {
		st := testStream(uint64(1 + i*5000))
		st.OpenedAt, st.OpenedWallNS = boot0-i*boot0/2, wall0+i*hour
		if err := s.PutStream(ctx, st, nil); err != nil {
			t.Fatal(err)
		}
		b := &bench{Store: s, stream: st}
		rs := readings(st.FirstSeq, 4000)
		for k := range rs {
			rs[k].At = st.OpenedAt + int64(k)*10_000_000
			w := wall0 + i*hour + int64(k)*10_000_000
			if w >= wall0+20e9 && w < wall0+hour+10e9 {
				want = append(want, TimedReading{Reading: rs[k], StreamID: st.ID, WallNS: w})
			}
		}
		b.putTrace(t, rs, 700)
	}
	var got []TimedReading
	for r, err := range s.TraceByTime(ctx, testStation, wall0+20e9, wall0+hour+10e9) {
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, r)
	}
	if d := cmp.Diff(want, got, cmpopts.EquateEmpty()); d != "" || len(got) != 3000 {
		t.Errorf("%d readings, want %d\n%.500s", len(got), len(want), d)
	}
	for r, err := range s.TraceByTime(ctx, "bench-2", 0, 1<<62) {
		t.Errorf("another station: %v, %v", r, err)
	}
}

// Readings far apart in time do not share a block, so that a time range finds
// them; times that run backwards are legal.
func TestBlocksAreCutByTime(t *testing.T) {
	s, _ := mustOpen(t, Config{})
	putStation(t, s)
	tape := acquire.NewTape(1 << 10)
	r, err := s.NewRecorder(RecorderConfig{Station: testStation, Streams: tape.StreamAt}, tape.NewHead("recorder"))
	if err != nil {
		t.Fatal(err)
	}
	st := testStream(0)
	tape.Open(st)
	minute := int64(time.Minute)
	var ats []int64
	for _, at := range []int64{0, 10, 10, 5, 3 * minute, 3*minute + 1, minute, minute - 7, -9 * minute, 1 << 50} {
		ats = append(ats, boot0+at)
		tape.Append([]acquire.Reading{{At: boot0 + at}})
	}
	tape.Close()
	if err := r.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	var long int
	err = s.readers.QueryRow(`SELECT count(*) FROM trace_block WHERE max_wall_ns - min_wall_ns > ?`, minute).Scan(&long)
	if err != nil || long != 0 {
		t.Errorf("%d blocks cover more than a minute, %v", long, err)
	}
	got := stored(t, s, st.ID)
	if len(got) != len(ats)+1 {
		t.Fatalf("%d readings, want %d", len(got), len(ats)+1)
	}
	for i, at := range ats {
		if got[i+1].At != at {
			t.Errorf("reading %d at %d, want %d", i, got[i+1].At, at)
		}
	}
	n := 0
	for x, err := range s.TraceByTime(t.Context(), testStation, wall0+minute-10, wall0+minute+10) {
		if err != nil {
			t.Fatal(err)
		}
		if x.At != boot0+minute && x.At != boot0+minute-7 {
			t.Errorf("unexpected %v", x)
		}
		n++
	}
	if n != 2 {
		t.Errorf("%d readings in the range, want 2", n)
	}
}

// Entries that belong to no stream cannot be stored; they are counted, and nobody
// waits for them.
func TestEntriesOfNoStreamAreCounted(t *testing.T) {
	b := newBench(t, Config{})
	head := newFakeHead()
	r, wait := recording(t, b.Store, head, RecorderConfig{
		TailAfter: time.Hour, Streams: func(seq uint64) (acquire.Stream, bool) { return b.stream, seq > 10 },
	})
	head.in <- readings(2, 9)
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	if err := r.Flush(ctx, 10); err != nil {
		t.Fatal(err)
	}
	head.in <- readings(11, 5)
	close(head.in)
	if err := wait(); err != nil {
		t.Fatal(err)
	}
	if st := r.Stats(); st.Unplaced != 9 || st.Readings != 5 || st.CommittedSeq != 15 {
		t.Errorf("%+v", st)
	}
	if got := stored(t, b.Store, b.stream.ID); len(got) != 5 {
		t.Errorf("%d readings stored", len(got))
	}
}
