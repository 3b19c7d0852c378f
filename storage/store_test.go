package storage

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ringsaddle/calibrate"
)

func TestOpenReadsItsPragmasBack(t *testing.T) {
	s, _ := mustOpen(t, Config{})
	for _, p := range pragmas(false, 0) {
		var got string
		if err := s.writer.QueryRowContext(t.Context(), "PRAGMA "+p.name).Scan(&got); err != nil {
			t.Fatal(err)
		}
		if got != p.want {
			t.Errorf("writer: %s = %q, want %q", p.name, got, p.want)
		}
	}
	for _, p := range pragmas(true, 0) {
		var got string
		if err := s.readers.QueryRowContext(t.Context(), "PRAGMA "+p.name).Scan(&got); err != nil {
			t.Fatal(err)
		}
		if got != p.want {
			t.Errorf("reader: %s = %q, want %q", p.name, got, p.want)
		}
	}
}

func TestOpenRefusesAPragmaThatDoesNotTake(t *testing.T) {
	c := newConnector(filepath.Join(t.TempDir(), "x.db"), false, 0)
	for _, p := range []pragma{{"jurnal_mode", "WAL", "wal"}, {"synchronous", "NORMAL", "2"}} {
		c.pragmas = []pragma{p}
		_, err := c.Connect(t.Context())
		var pe *PragmaError
		if !errors.As(err, &pe) || pe.Name != p.name {
			t.Errorf("%s: got %v, want a *PragmaError", p.name, err)
		}
	}
}

func TestOpenErrors(t *testing.T) {
	dir := t.TempDir()
	notDB := filepath.Join(dir, "text.db")
	if err := os.WriteFile(notDB, []byte(strings.Repeat("no database, ", 1000)), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, tc := range map[string]struct {
		cfg  Config
		want string
	}{
		"empty path":       {Config{Readers: 99, CommitBudget: time.Hour}, "path: empty"},
		"all at once":      {Config{Readers: 99, CommitBudget: time.Hour}, "readers: 99, permitted 1 to 64\ncommit budget: 1h0m0s"},
		"no folder":        {Config{Path: filepath.Join(dir, "none", "x.db")}, "its folder"},
		"not a database":   {Config{Path: notDB}, "not a database"},
		"absent, reading":  {Config{Path: filepath.Join(dir, "y.db"), ReadOnly: true}, "no such file"},
		"a file as folder": {Config{Path: filepath.Join(notDB, "x.db")}, "is not a folder"},
	} {
		_, err := Open(t.Context(), tc.cfg, time.Now, newUUID)
		if err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s: got %v, want %q", name, err, tc.want)
		}
	}
}

func TestOddPathsAreTakenLiterally(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a?mode=memory#50%25 ü.db")
	s, _ := mustOpen(t, Config{Path: path})
	putStation(t, s)
	if st, err := os.Stat(path); err != nil || st.Size() == 0 {
		t.Fatalf("%v, %v", st, err)
	}
}

func TestASecondWriterIsKeptOut(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bench.db")
	s, _ := mustOpen(t, Config{Path: path})
	putStation(t, s)
	if _, err := Open(t.Context(), Config{Path: path}, time.Now, newUUID); !errors.Is(err, ErrInUse) {
		t.Fatalf("second writer: got %v, want ErrInUse", err)
	}
	ro, err := Open(t.Context(), Config{Path: path, ReadOnly: true}, time.Now, newUUID)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = ro.Close(context.Background()) }()
	if _, err := ro.Station(t.Context(), testStation); err != nil {
		t.Error(err)
	}
	if _, err := ro.UpsertStation(t.Context(), testStation, []byte(`{}`)); !errors.Is(err, ErrReadOnly) {
		t.Errorf("writing: got %v, want ErrReadOnly", err)
	}
	if _, err := ro.readers.ExecContext(t.Context(), `DELETE FROM trace_door`); err == nil {
		t.Error("a connection for reading wrote")
	}
}

func TestANewerSchemaIsRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bench.db")
	s, _ := mustOpen(t, Config{Path: path})
	if _, err := s.writer.ExecContext(t.Context(), `INSERT INTO goose_db_version(version_id, is_applied) VALUES (99, 1)`); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, ro := range []bool{false, true} {
		_, err := Open(t.Context(), Config{Path: path, ReadOnly: ro}, time.Now, newUUID)
		var ve *VersionError
		if !errors.As(err, &ve) || ve.Have != 99 {
			t.Errorf("read only %v: got %v, want a *VersionError", ro, err)
		}
	}
}

func TestClosedStoreRefuses(t *testing.T) {
	s, _ := mustOpen(t, Config{})
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(t.Context()); err != nil {
		t.Errorf("closing twice: %v", err)
	}
	if _, err := s.UpsertStation(t.Context(), testStation, []byte(`{}`)); !errors.Is(err, ErrClosed) {
		t.Errorf("got %v, want ErrClosed", err)
	}
	if err := s.Run(t.Context()); !errors.Is(err, ErrClosed) {
		t.Errorf("Run: got %v, want ErrClosed", err)
	}
}

func TestStationsHaveRevisions(t *testing.T) {
	s, _ := mustOpen(t, Config{})
	ctx := t.Context()
	var got []int64
	for _, settings := range []string{`{"a":1,"b":2.50}`, `{ "b":2.50, "a":1 }`, `{"a":2}`, `{"a":1,"b":2.50}`} {
		r, err := s.UpsertStation(ctx, testStation, []byte(settings))
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, r.Revision)
	}
	if d := cmp.Diff([]int64{1, 1, 2, 3}, got); d != "" {
		t.Error(d)
	}
	r, err := s.StationAt(ctx, testStation, 1)
	if err != nil || string(r.Settings) != `{"a":1,"b":2.50}` {
		t.Errorf("revision 1: %s, %v", r.Settings, err)
	}
	if _, err := s.Station(ctx, "none"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("unknown station: %v", err)
	}
	if _, err := s.UpsertStation(ctx, "", []byte(`{"a":`)); err == nil {
		t.Error("broken settings were recorded")
	}
}

func TestStreams(t *testing.T) {
	s, _ := mustOpen(t, Config{})
	ctx := t.Context()
	st := testStream(1)
	if err := s.PutStream(ctx, st, nil); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a stream of an unknown station: %v", err)
	}
	for range 2 { // putting it again does nothing
		if err := s.PutStream(ctx, st, []byte(`{"a":1}`)); err != nil {
			t.Fatal(err)
		}
	}
	got, err := s.Stream(ctx, st.ID)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(StoredStream{st, 1}, got); d != "" {
		t.Error(d)
	}
	other := st
	other.OpenedAt++
	if err := s.PutStream(ctx, other, nil); !errors.Is(err, ErrExists) {
		t.Errorf("another stream under the same id: %v", err)
	}
}

func TestRingsAreAmendedNeverOverwritten(t *testing.T) {
	s, _ := mustOpen(t, Config{})
	ctx := t.Context()
	a, err := s.AddRing(ctx, testRing("A", calibrate.Master), Note{By: "x"})
	if err != nil {
		t.Fatal(err)
	}
	b, err := s.AddRing(ctx, testRing("B", calibrate.Work), Note{By: "x"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.AddRing(ctx, testRing("A", calibrate.Work), Note{}); !errors.Is(err, ErrExists) {
		t.Errorf("taken ident: %v", err)
	}
	if _, err := s.AddRing(ctx, a.Ring, Note{}); !errors.Is(err, ErrExists) {
		t.Errorf("taken id: %v", err)
	}
	amended := a.Ring
	amended.Ident = "A2"
	amended.Certificate = &calibrate.MasterCertificate{Number: "C-2", Diameter: 30_000_500_000}
	a2, err := s.AmendRing(ctx, amended, Note{By: "y", Reason: "calibrated again"})
	if err != nil || a2.Revision != 2 {
		t.Fatal(a2.Revision, err)
	}
	if d := cmp.Diff(amended, a2.Ring); d != "" {
		t.Error(d)
	}
	amended.Ident = "B"
	if _, err := s.AmendRing(ctx, amended, Note{}); !errors.Is(err, ErrExists) {
		t.Errorf("amended to a taken ident: %v", err)
	}
	amended.ID = "none"
	if _, err := s.AmendRing(ctx, amended, Note{}); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("amending an unknown ring: %v", err)
	}
	c, err := s.AddRing(ctx, testRing("A", calibrate.Work), Note{}) // the ident is free again
	if err != nil {
		t.Fatal(err)
	}
	got, err := s.Rings(ctx)
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, r := range got {
		ids = append(ids, r.ID)
	}
	if d := cmp.Diff([]string{c.ID, a.ID, b.ID}, ids); d != "" {
		t.Error(d)
	}
	revs, err := s.RingRevisions(ctx, a.ID)
	if err != nil || len(revs) != 2 || revs[0].Ident != "A" || revs[1].Note.Reason != "calibrated again" {
		t.Errorf("%+v, %v", revs, err)
	}
	if r, err := s.RingByIdent(ctx, "A2"); err != nil || r.ID != a.ID {
		t.Errorf("%v, %v", r, err)
	}
	if _, err := s.RingByIdent(ctx, "C"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("unknown ident: %v", err)
	}
	if err := s.VerifyJournal(ctx); err != nil {
		t.Error(err)
	}
}
