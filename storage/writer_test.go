package storage

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"ringsaddle/acquire"
	"ringsaddle/calibrate"
)

var errInjected = errors.New("injected fault")

// faults fails one statement of the writer, or that one and all after it.
type faults struct {
	at     int
	sticky bool
	after  bool // fail after the statement was carried out
	n      int
	fired  int
}

func (f *faults) hit(stage, statement string) error {
	if stage == "before" {
		f.n++
	}
	// A COMMIT that succeeded has succeeded; it cannot fail afterwards.
	if (stage == "after") != f.after || stage == "after" && statement == "COMMIT" {
		return nil
	}
	if f.n == f.at || f.sticky && f.n > f.at {
		f.fired++
		return errInjected
	}
	return nil
}

// traces of a capture in the database, by table.
func (b *bench) rowsOf(t *testing.T, captureID string) map[string]int {
	t.Helper()
	out := map[string]int{}
	for table, q := range map[string]string{
		"capture":       `SELECT count(*) FROM capture WHERE id = ?`,
		"turning point": `SELECT count(*) FROM turning_point WHERE capture_id = ?`,
		"reason":        `SELECT count(*) FROM capture_reason WHERE capture_id = ?`,
		"committed":     `SELECT count(*) FROM journal WHERE subject = 'capture' AND subject_id = ?`,
		"stored":        `SELECT count(*) FROM journal WHERE kind = 'capture_stored' AND payload ->> 'capture_id' = ?`,
	} {
		var n int
		if err := b.readers.QueryRow(q, captureID).Scan(&n); err != nil {
			t.Fatal(err)
		}
		out[table] = n
	}
	return out
}

func whole(rows map[string]int) bool {
	return fmt.Sprint(rows) == fmt.Sprint(map[string]int{"capture": 1, "turning point": 2, "reason": 2, "committed": 1, "stored": 1})
}

func none(rows map[string]int) bool {
	for _, n := range rows {
		if n != 0 {
			return false
		}
	}
	return true
}

// Whatever statement of a capture's transaction fails, once or for good, before
// or after it was carried out: either all of the capture is there and the caller
// was told so, or none of it is and the caller got the error.
func TestAFaultAtEveryStatementLeavesNothingHalfWritten(t *testing.T) {
	b := newBench(t, Config{})
	b.putTrace(t, readings(1, 100), 100)
	count := &faults{}
	b.fault = count.hit
	rec := b.capture(1, 100)
	if _, err := b.CommitCapture(t.Context(), rec, b.events(rec)); err != nil {
		t.Fatal(err)
	}
	if !whole(b.rowsOf(t, rec.ID)) {
		t.Fatalf("without a fault: %v", b.rowsOf(t, rec.ID))
	}
	if count.n < 11 { // begin, savepoint, capture, 2 points, 2 reasons, 3 entries, release, commit
		t.Fatalf("only %d statements were seen", count.n)
	}
	failed, repeated := 0, 0
	for at := 1; at <= count.n; at++ {
		for _, sticky := range []bool{false, true} {
			for _, after := range []bool{false, true} {
				f := &faults{at: at, sticky: sticky, after: after}
				b.fault = f.hit
				rec := b.capture(1, 100)
				_, err := b.CommitCapture(t.Context(), rec, b.events(rec))
				b.fault = nil
				name := fmt.Sprintf("statement %d, sticky %v, after %v", at, sticky, after)
				if f.fired == 0 && !(after && at == count.n) {
					t.Fatalf("%s: the fault did not fire", name)
				}
				rows := b.rowsOf(t, rec.ID)
				switch {
				case err == nil && !whole(rows), err != nil && !none(rows):
					t.Errorf("%s: error %v, but there is %v", name, err, rows)
				case err != nil && !errors.Is(err, errInjected):
					t.Errorf("%s: unexpected error %v", name, err)
				case err != nil:
					failed++
				case f.fired > 0:
					repeated++ // the commit failed once and the repetition succeeded
				}
			}
		}
	}
	if failed < 2*count.n || repeated == 0 {
		t.Errorf("%d failures and %d repetitions of %d statements", failed, repeated, count.n)
	}
	rec = b.capture(1, 100)
	if _, err := b.CommitCapture(t.Context(), rec, b.events(rec)); err != nil {
		t.Errorf("after the faults: %v", err)
	}
	if err := b.VerifyJournal(t.Context()); err != nil {
		t.Error(err)
	}
}

// The library itself refuses the commit.
func TestARefusedCommitLeavesNothing(t *testing.T) {
	var refuse atomic.Bool
	clock := newTestClock()
	s, err := open(t.Context(), Config{Path: filepath.Join(t.TempDir(), "bench.db")}, clock.Now, newUUID, func() int {
		if refuse.Load() {
			return 1
		}
		return 0
	})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Close(context.Background()) }()
	b := fillBench(t, s, clock)
	b.putTrace(t, readings(1, 100), 100)
	rec := b.capture(1, 100)
	refuse.Store(true)
	if _, err := b.CommitCapture(t.Context(), rec, b.events(rec)); err == nil {
		t.Fatal("no error")
	}
	if rows := b.rowsOf(t, rec.ID); !none(rows) {
		t.Errorf("there is %v", rows)
	}
	refuse.Store(false)
	if _, err := b.CommitCapture(t.Context(), rec, b.events(rec)); err != nil {
		t.Fatal(err)
	}
	if st := b.Stats(); st.Errors == 0 || !strings.Contains(st.LastError, "constraint") {
		t.Errorf("%+v", st)
	}
}

// Of pieces of work in one transaction, one that fails takes no other along.
func TestAGroupCommitsWithoutItsFailures(t *testing.T) {
	b := newBench(t, Config{})
	var wg sync.WaitGroup
	var good, bad atomic.Int64
	// Nobody drives the writer while the work is gathered.
	b.writeMu.Lock()
	for i := range 40 {
		wg.Go(func() {
			set := b.set.ID
			if i%4 == 0 {
				set = "none"
			}
			_, err := b.AppendEvent(context.Background(), set, calibrate.Event{Kind: calibrate.Paused, Reason: fmt.Sprint(i)})
			if err == nil {
				good.Add(1)
			} else if set == "none" {
				bad.Add(1)
			}
		})
	}
	for b.q.len() < 39 { // one may be waiting for the lock with its job
		time.Sleep(time.Millisecond)
	}
	before := b.Stats().Transactions.Count
	b.writeMu.Unlock()
	wg.Wait()
	if good.Load() != 30 || bad.Load() != 10 {
		t.Errorf("%d succeeded and %d failed, want 30 and 10", good.Load(), bad.Load())
	}
	evs, err := b.Events(t.Context(), b.set.ID)
	if err != nil || len(evs) != 31 {
		t.Errorf("%d events, %v", len(evs), err)
	}
	if n := b.Stats().Transactions.Count - before; n >= 40 {
		t.Errorf("%d transactions for 40 pieces of work: nothing was grouped", n)
	}
	if err := b.VerifyJournal(t.Context()); err != nil {
		t.Error(err)
	}
}

func TestCapturesGoBeforeTraces(t *testing.T) {
	b := newBench(t, Config{})
	var mu sync.Mutex
	var order []string
	note := func(name string) func(*tx) error {
		return func(*tx) error {
			mu.Lock()
			defer mu.Unlock()
			order = append(order, name)
			return nil
		}
	}
	b.writeMu.Lock()
	var wg sync.WaitGroup
	submit := func(urgent bool, name string) {
		n := b.q.len()
		wg.Go(func() {
			if err := b.write(context.Background(), urgent, note(name)); err != nil {
				t.Error(err)
			}
		})
		for b.q.len() == n {
			time.Sleep(time.Millisecond)
		}
	}
	submit(false, "trace")
	submit(false, "trace")
	submit(true, "capture")
	b.writeMu.Unlock()
	wg.Wait()
	if got := strings.Join(order, " "); got != "capture trace trace" {
		t.Errorf("got %s", got)
	}
}

func TestACallerWhoGivesUpLeavesNothing(t *testing.T) {
	b := newBench(t, Config{})
	running(t, b.Store)
	b.writeMu.Lock() // the disk is slow
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	errs := make(chan error, 2)
	for range 2 { // the writer may hold the first one in its hands
		go func() {
			_, err := b.AppendEvent(ctx, b.set.ID, calibrate.Event{Kind: calibrate.Paused})
			errs <- err
		}()
	}
	<-ctx.Done()
	time.Sleep(20 * time.Millisecond)
	b.writeMu.Unlock()
	var done int
	for range 2 {
		if err := <-errs; err == nil {
			done++
		} else if !errors.Is(err, context.DeadlineExceeded) {
			t.Error(err)
		}
	}
	evs, err := b.Events(t.Context(), b.set.ID)
	if err != nil || len(evs) != 1+done {
		t.Errorf("%d events for %d acknowledged, %v", len(evs)-1, done, err)
	}
}

func TestADiskThatIsFull(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bench.db")
	b := newBench(t, Config{Path: path, MaxPages: 200})
	ctx := t.Context()
	head := newFakeHead()
	r, wait := recording(t, b.Store, head, RecorderConfig{
		BlockReadings: 500, TailAfter: time.Millisecond, Streams: func(uint64) (acquire.Stream, bool) { return b.stream, true },
	})
	// Captures of stored readings until there is no room.
	head.in <- readings(1, 500)
	if err := r.Flush(ctx, 500); err != nil {
		t.Fatal(err)
	}
	var ids []string
	var full error
	for range 2000 {
		rec := b.capture(1, 500)
		if _, full = b.CommitCapture(ctx, rec, b.events(rec)); full != nil {
			if rows := b.rowsOf(t, rec.ID); !none(rows) {
				t.Errorf("refused, but there is %v", rows)
			}
			break
		}
		ids = append(ids, rec.ID)
	}
	if !IsFull(full) || len(ids) == 0 {
		t.Fatalf("after %d captures: %v", len(ids), full)
	}
	// Reading goes on; the recorder holds what it cannot write and says so.
	for _, id := range ids {
		if _, err := b.Capture(ctx, id); err != nil {
			t.Fatal(err)
		}
	}
	seq := uint64(500)
	for !r.Stats().Failing {
		head.in <- readings(seq+1, 2000)
		seq += 2000
		for len(head.in) > 0 && !r.Stats().Failing {
			time.Sleep(time.Millisecond)
		}
	}
	short, cancel := context.WithTimeout(ctx, 20*time.Millisecond)
	defer cancel()
	if err := r.Flush(short, seq); err == nil || !strings.Contains(err.Error(), "the recorder cannot write") {
		t.Errorf("flush: %v", err)
	}
	// Room again: everything goes on without a restart and without a loss.
	b.writeMu.Lock()
	_, err := b.writer.ExecContext(ctx, `PRAGMA max_page_count = 100000`)
	b.writeMu.Unlock()
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Flush(ctx, seq); err != nil {
		t.Fatal(err)
	}
	close(head.in)
	if err := wait(); err != nil {
		t.Fatal(err)
	}
	if got := stored(t, b.Store, b.stream.ID); len(got) != int(seq) || r.Stats().Lost != 0 || r.Stats().Failing {
		t.Errorf("%d of %d readings, %+v", len(got), seq, r.Stats())
	}
	if st := b.Stats(); st.Full == 0 || st.LastErrorAt.IsZero() {
		t.Errorf("%+v", st)
	}
	checkIntegrity(t, b.Store)
}

func checkIntegrity(t testing.TB, s *Store) {
	t.Helper()
	for _, check := range []string{"PRAGMA integrity_check", "PRAGMA foreign_key_check"} {
		all, err := collect(context.Background(), s.readers, scanText, check)
		if err != nil {
			t.Fatal(err)
		}
		if check == "PRAGMA integrity_check" && (len(all) != 1 || all[0] != "ok") || check != "PRAGMA integrity_check" && len(all) != 0 {
			t.Errorf("%s: %v", check, all)
		}
	}
	if err := s.VerifyJournal(context.Background()); err != nil {
		t.Error(err)
	}
}

// Work submitted from many sides while readers read, traces fold and the journal
// is walked.
func TestManyAtOnce(t *testing.T) {
	b := newBench(t, Config{FoldEvery: 5 * time.Millisecond, Readers: 3})
	b.clock.Advance(2 * foldAge) // so that tails are folded at once
	running(t, b.Store)
	tape := acquire.NewTape(1 << 16)
	r, wait := recording(t, b.Store, tape.NewHead("recorder"), RecorderConfig{
		BlockReadings: 64, TailAfter: 2 * time.Millisecond, Streams: tape.StreamAt,
	})
	st := testStream(0)
	tape.Open(st)
	b.stream = st
	stop := make(chan struct{})
	var readersWG, writers sync.WaitGroup
	for _, look := range []func() error{
		func() error { return b.VerifyJournal(context.Background()) },
		func() error {
			next := uint64(0)
			for x, err := range b.Trace(context.Background(), st.ID, 1, 1<<62) {
				if err != nil {
					return err
				}
				if next != 0 && x.Seq != next {
					return fmt.Errorf("reading %d where %d was due", x.Seq, next)
				}
				next = x.Seq + 1
			}
			return nil
		},
		func() error {
			all, err := b.Captures(context.Background(), CaptureFilter{SetID: b.set.ID})
			for _, c := range all {
				if len(c.Capture.Points) != 2 {
					return fmt.Errorf("capture %s is visible with %d turning points", c.ID, len(c.Capture.Points))
				}
			}
			_ = b.Stats()
			_ = r.Stats()
			return err
		},
	} {
		readersWG.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
				}
				if err := look(); err != nil {
					t.Error(err)
					return
				}
				time.Sleep(2 * time.Millisecond)
			}
		})
	}
	const rounds = 20
	for w := range 3 {
		writers.Go(func() {
			for i := range rounds {
				switch w {
				case 0:
					rs := readings(2, 100)
					tape.Append(rs)
					rec := b.capture(rs[0].Seq, rs[99].Seq)
					if _, err := b.CommitCapture(context.Background(), rec, b.events(rec)); err != nil {
						t.Error(err)
					}
				case 1:
					if _, err := b.AppendEvent(context.Background(), b.set.ID, calibrate.Event{Kind: calibrate.Paused}); err != nil {
						t.Error(err)
					}
				case 2:
					err := b.PutTemperatures(context.Background(), TemperatureRecord{
						Station: testStation, WallNS: wall0 + int64(i), Source: "typed",
						TemperatureSample: acquire.TemperatureSample{Channel: "scale", MicroCelsius: 20_000_000},
					})
					if err != nil {
						t.Error(err)
					}
				}
			}
		})
	}
	writers.Wait()
	close(stop)
	readersWG.Wait()
	tape.Close()
	if err := wait(); err != nil {
		t.Error(err)
	}
	if got := stored(t, b.Store, st.ID); len(got) != rounds*100+1 {
		t.Errorf("%d readings", len(got))
	}
	if b.Stats().BlocksFolded == 0 {
		t.Error("nothing was folded meanwhile")
	}
	all, err := b.Captures(t.Context(), CaptureFilter{})
	if err != nil || len(all) != rounds {
		t.Errorf("%d captures, %v", len(all), err)
	}
	for _, c := range all {
		if err := b.VerifyTrace(t.Context(), c.ID); err != nil {
			t.Error(err)
		}
	}
	checkIntegrity(t, b.Store)
}
