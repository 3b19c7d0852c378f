package storage

import (
	"context"
	"flag"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"
)

var writeRelease = flag.String("write-release", "", "write the database of this release to a file and keep it in testdata/db")

// A database of every release is kept; each must open, be brought up to date and
// still say what it said.
func TestDatabasesOfReleasesOpen(t *testing.T) {
	if *writeRelease != "" {
		writeReleaseDatabase(t, *writeRelease)
	}
	dir := filepath.Join("..", "testdata", "db")
	names, err := filepath.Glob(filepath.Join(dir, "*.db"))
	if err != nil || len(names) == 0 {
		t.Fatalf("no database in %s, %v", dir, err)
	}
	for _, name := range names {
		path := filepath.Join(t.TempDir(), "bench.db")
		copyFile(t, name, path)
		s, err := Open(t.Context(), Config{Path: path}, time.Now, newUUID)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		checkIntegrity(t, s)
		all, err := s.Captures(t.Context(), CaptureFilter{Station: testStation})
		if err != nil || len(all) != 2 {
			t.Fatalf("%s: %d captures, %v", name, len(all), err)
		}
		for _, rec := range all {
			if err := s.VerifyTrace(t.Context(), rec.ID); err != nil {
				t.Errorf("%s: %v", name, err)
			}
			want := (&bench{stream: testStream(1)}).capture(rec.Capture.FirstSeq, rec.Capture.LastSeq).Capture
			if rec.Capture.Saddle != want.Saddle || rec.Capture.Points[0] != want.Points[0] || rec.TraceReadings == 0 {
				t.Errorf("%s: %+v", name, rec)
			}
		}
		r, err := s.Result(t.Context(), all[0].SetID)
		if err != nil || r.Positions[0].Diameter != 30_000_412_000 {
			t.Errorf("%s: %+v, %v", name, r, err)
		}
		if err := s.Close(t.Context()); err != nil {
			t.Error(err)
		}
	}
}

func writeReleaseDatabase(t *testing.T, path string) {
	t.Helper()
	b := newBench(t, Config{Path: path})
	ctx := t.Context()
	b.putTrace(t, readings(1, 2500), 500)
	for _, span := range [][2]uint64{{100, 1200}, {1300, 2400}} {
		rec := b.capture(span[0], span[1])
		if _, err := b.CommitCapture(ctx, rec, b.events(rec)); err != nil {
			t.Fatal(err)
		}
	}
	b.clock.Advance(2 * time.Hour)
	if n, err := b.Fold(ctx); err != nil || n == 0 {
		t.Fatal(n, err)
	}
	if _, err := b.PutResult(ctx, b.result(-40_000)); err != nil {
		t.Fatal(err)
	}
	if err := b.Close(context.Background()); err != nil {
		t.Fatal(err)
	}
}

func copyFile(t *testing.T, from, to string) {
	t.Helper()
	in, err := os.Open(from)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = in.Close() }()
	out, err := os.Create(to)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.Copy(out, in); err != nil {
		t.Fatal(err)
	}
	if err := out.Close(); err != nil {
		t.Fatal(err)
	}
}
