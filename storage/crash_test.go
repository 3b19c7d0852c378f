package storage

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ringsaddle/acquire"
)

// victimPath names the database on which a copy of the test binary works until
// it is killed.
const victimPath = "RINGSADDLE_STORAGE_VICTIM"

func TestMain(m *testing.M) {
	if path := os.Getenv(victimPath); path != "" {
		fmt.Fprintln(os.Stderr, victim(path))
		os.Exit(3) // it is never to return by itself
	}
	os.Exit(m.Run())
}

// victim records a stream, commits captures and prints the id of each one that
// was acknowledged.
func victim(path string) error {
	ctx := context.Background()
	s, err := Open(ctx, Config{Path: path, FoldEvery: 3 * time.Millisecond}, time.Now, newUUID)
	if err != nil {
		return err
	}
	go func() { _ = s.Run(ctx) }()
	sets, err := s.OpenSets(ctx, testStation)
	if err != nil || len(sets) != 1 {
		return fmt.Errorf("%d open sets, %w", len(sets), err)
	}
	tape := acquire.NewTape(1 << 14)
	r, err := s.NewRecorder(RecorderConfig{Station: testStation, Streams: tape.StreamAt, TailAfter: 2 * time.Millisecond},
		tape.NewHead("recorder"))
	if err != nil {
		return err
	}
	go func() { _ = r.Run(ctx) }()
	st := testStream(0)
	tape.Open(st)
	b := &bench{Store: s, stream: st, set: sets[0]}
	for {
		rs := readings(2, 300)
		tape.Append(rs)
		rec := b.capture(rs[10].Seq, rs[299].Seq)
		evs, err := s.CommitCapture(ctx, rec, b.events(rec))
		if err != nil {
			return err
		}
		fmt.Printf("%s %d\n", rec.ID, evs[len(evs)-1].Seq)
	}
}

// The process that writes is killed at random moments. Afterwards the database is
// sound, and every capture and event that was acknowledged is in it with its
// readings. (This shows kills of the process; a power cut is another matter.)
func TestKilledProcessLosesNothingAcknowledged(t *testing.T) {
	const kills = 12
	path := filepath.Join(t.TempDir(), "bench.db")
	b := newBench(t, Config{Path: path})
	if err := b.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 1))
	acknowledged := map[string]int64{}
	for kill := range kills {
		n := killOne(t, path, time.Duration(rng.Int64N(int64(100*time.Millisecond))), acknowledged)
		s, err := Open(t.Context(), Config{Path: path}, time.Now, newUUID)
		if err != nil {
			t.Fatalf("kill %d: %v", kill, err)
		}
		checkIntegrity(t, s)
		last, err := s.LastSeq(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for id, seq := range acknowledged {
			rec, err := s.Capture(t.Context(), id)
			if err != nil {
				t.Errorf("kill %d: an acknowledged capture is gone: %v", kill, err)
				continue
			}
			if len(rec.Capture.Points) != 2 || len(rec.Capture.Reasons) != 2 || rec.TraceReadings != 290 || seq > last {
				t.Errorf("kill %d: capture %s is not whole: %+v", kill, id, rec)
			}
			if err := s.VerifyTrace(t.Context(), id); err != nil {
				t.Errorf("kill %d: %v", kill, err)
			}
		}
		if err := s.Close(t.Context()); err != nil {
			t.Fatal(err)
		}
		if t.Failed() {
			t.Fatalf("after kill %d with %d acknowledged", kill, n)
		}
	}
	if len(acknowledged) < kills {
		t.Errorf("only %d captures were acknowledged in %d rounds", len(acknowledged), kills)
	}
	t.Logf("%d kills, %d captures acknowledged, none lost", kills, len(acknowledged))
}

// killOne starts a process, kills it some time after its first capture, and notes
// what it acknowledged.
func killOne(t *testing.T, path string, after time.Duration, acknowledged map[string]int64) int {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), victimPath+"="+path)
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var timer *time.Timer
	n := 0
	for lines := bufio.NewScanner(out); lines.Scan(); {
		if timer == nil {
			timer = time.AfterFunc(after, func() { _ = cmd.Process.Kill() })
		}
		var id string
		var seq int64
		// The last line may have been cut by the kill.
		if _, err := fmt.Sscanf(lines.Text(), "%36s %d", &id, &seq); err == nil && len(id) == 36 {
			acknowledged[id] = seq
			n++
		}
	}
	_ = cmd.Wait()
	if timer == nil || !strings.Contains(cmd.ProcessState.String(), "killed") {
		t.Fatalf("the process ended by itself (%v): %s", cmd.ProcessState, stderr.String())
	}
	return n
}

// A kill in the midst of folding leaves every reading there once.
func TestReadingsSurviveKillsOnce(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bench.db")
	b := newBench(t, Config{Path: path})
	if err := b.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	acknowledged := map[string]int64{}
	for range 3 {
		killOne(t, path, 80*time.Millisecond, acknowledged)
	}
	s, _ := mustOpen(t, Config{Path: path})
	streams, err := s.Streams(t.Context(), testStation, 10)
	if err != nil {
		t.Fatal(err)
	}
	total := 0
	for _, st := range streams {
		var seqs []uint64
		for _, x := range stored(t, s, st.ID) {
			seqs = append(seqs, x.Seq)
		}
		total += len(seqs)
		for i := range seqs {
			if seqs[i] != seqs[0]+uint64(i) {
				t.Fatalf("stream %s: reading %d follows %d", st.ID, seqs[i], seqs[i-1])
			}
		}
	}
	if total < 290*len(acknowledged) || slices.IndexFunc(streams, func(st StoredStream) bool { return st.FirstSeq == 1 }) < 0 {
		t.Errorf("%d readings for %d captures", total, len(acknowledged))
	}
}
