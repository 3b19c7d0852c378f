package storage

import (
	"bytes"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ringsaddle/calibrate"
)

// journaled makes a database with one of each kind of entry and closes it.
func journaled(t *testing.T, path string) *bench {
	t.Helper()
	b := newBench(t, Config{Path: path})
	ctx := t.Context()
	b.putTrace(t, readings(1, 200), 100)
	rec := b.capture(1, 150)
	if _, err := b.CommitCapture(ctx, rec, b.events(rec)); err != nil {
		t.Fatal(err)
	}
	amended := b.work
	amended.Owner = "other department"
	if _, err := b.AmendRing(ctx, amended, Note{By: "tester"}); err != nil {
		t.Fatal(err)
	}
	if _, err := b.PutResult(ctx, ResultRecord{SetID: b.set.ID, Method: "gum", Outcome: []byte(`{"diameter_mm":30.0004}`)}); err != nil {
		t.Fatal(err)
	}
	if err := b.VerifyJournal(ctx); err != nil {
		t.Fatal(err)
	}
	if err := b.Close(ctx); err != nil {
		t.Fatal(err)
	}
	return b
}

// tamper runs statements on the file as somebody with a database browser would,
// after taking all triggers away.
func tamper(t *testing.T, path string, statements ...string) {
	t.Helper()
	db, err := sql.Open("sqlite3", "file:"+path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = db.Close() }()
	db.SetMaxOpenConns(1)
	triggers, err := collect(t.Context(), db, scanText, `SELECT name FROM sqlite_schema WHERE type = 'trigger'`)
	if err != nil || len(triggers) < 50 {
		t.Fatalf("%d triggers, %v", len(triggers), err)
	}
	for _, name := range triggers {
		statements = append([]string{"DROP TRIGGER " + name}, statements...)
	}
	for _, st := range statements {
		res, err := db.Exec(st)
		if err != nil {
			t.Fatalf("%s: %v", st, err)
		}
		if n, _ := res.RowsAffected(); !strings.HasPrefix(st, "DROP") && n == 0 {
			t.Fatalf("%s: changed nothing", st)
		}
	}
}

func TestTamperingIsFound(t *testing.T) {
	original := filepath.Join(t.TempDir(), "bench.db")
	journaled(t, original)
	seqOf := func(subject string) string { return `(SELECT min(seq) FROM journal WHERE subject = '` + subject + `')` }
	for name, tc := range map[string]struct {
		do   string
		at   string // query for the Seq that must be named
		says string
	}{
		"a payload":          {`UPDATE journal SET payload = replace(payload, 'tester', 'tested') WHERE seq = 5`, `SELECT 5`, "hash does not follow"},
		"a time":             {`UPDATE journal SET wall_ns = wall_ns + 1 WHERE seq = 3`, `SELECT 3`, "hash does not follow"},
		"a station":          {`UPDATE journal SET station = 'bench-2' WHERE seq = 2`, `SELECT 2`, "hash does not follow"},
		"a hash":             {`UPDATE journal SET hash = zeroblob(32) WHERE seq = 2`, `SELECT 2`, "hash does not follow"},
		"an entry gone":      {`DELETE FROM journal WHERE seq = 4`, `SELECT 4`, "missing"},
		"the first gone":     {`DELETE FROM journal WHERE seq = 1`, `SELECT 1`, "missing"},
		"two exchanged":      {`UPDATE journal SET seq = CASE seq WHEN 3 THEN 1004 WHEN 4 THEN 1003 END WHERE seq IN (3, 4); UPDATE journal SET seq = seq - 1000 WHERE seq > 1000`, `SELECT 3`, "hash does not follow"},
		"a capture's value":  {`UPDATE capture SET saddle = 1.5`, `SELECT ` + seqOf("capture"), "is not as it was recorded"},
		"a turning point":    {`UPDATE turning_point SET u = 2.0 * u WHERE ordinal = 1`, `SELECT ` + seqOf("capture"), "is not as it was recorded"},
		"a reason gone":      {`DELETE FROM capture_reason WHERE ordinal = 1`, `SELECT ` + seqOf("capture"), "is not as it was recorded"},
		"a capture gone":     {`DELETE FROM turning_point; DELETE FROM capture_reason; DELETE FROM capture`, `SELECT ` + seqOf("capture"), "is missing"},
		"a certificate":      {`UPDATE ring_revision SET facts = replace(facts, '30000400000', '30000300000') WHERE ident = 'M-30'`, `SELECT min(seq) FROM journal WHERE subject = 'ring'`, "is not as it was recorded"},
		"a result":           {`UPDATE result SET outcome = '{"diameter_mm":30.0003}'`, `SELECT ` + seqOf("result"), "is not as it was recorded"},
		"a station's baud":   {`UPDATE station_revision SET settings = replace(settings, '9600', '4800')`, `SELECT 1`, "is not as it was recorded"},
		"a stream's step":    {`UPDATE stream SET step_num_pm = 10000`, `SELECT ` + seqOf("stream"), "is not as it was recorded"},
		"a stream's anchors": {`UPDATE stream SET opened_wall_ns = 0`, `SELECT ` + seqOf("stream"), "is not as it was recorded"},
	} {
		path := filepath.Join(t.TempDir(), "bench.db")
		copyFile(t, original, path)
		tamper(t, path, strings.Split(tc.do, "; ")...)
		s, _ := mustOpen(t, Config{Path: path})
		var want int64
		// What must be named is looked up in the untouched columns.
		if err := s.readers.QueryRow(tc.at).Scan(&want); err != nil {
			t.Fatal(err)
		}
		err := s.VerifyJournal(t.Context())
		var je *JournalError
		if !errors.As(err, &je) || je.Seq != want || !strings.Contains(je.Reason, tc.says) {
			t.Errorf("%s: got %v, want entry %d: %s", name, err, want, tc.says)
		}
	}
}

func TestReplacedReadingsAreFound(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bench.db")
	b := journaled(t, path)
	rs := readings(1, 100)
	rs[50].X++
	blk, err := mustCodec(t).EncodeBlock(rs) // a sound block with other readings
	if err != nil {
		t.Fatal(err)
	}
	tamper(t, path, fmt.Sprintf(`UPDATE trace_block SET data = x'%s' WHERE first_seq = 1`, hex.EncodeToString(blk)))
	s, _ := mustOpen(t, Config{Path: path})
	all, err := s.Captures(t.Context(), CaptureFilter{SetID: b.set.ID})
	if err != nil || len(all) != 1 {
		t.Fatal(all, err)
	}
	if err := s.VerifyTrace(t.Context(), all[0].ID); err == nil || !strings.Contains(err.Error(), "are not those it was recorded with") {
		t.Errorf("got %v", err)
	}
}

// Cutting the end off is what the chain cannot show; Head can.
func TestHeadShowsACutEnd(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bench.db")
	journaled(t, path)
	s, _ := mustOpen(t, Config{Path: path})
	seq, hash, err := s.Head(t.Context())
	if err != nil || seq == 0 {
		t.Fatal(seq, err)
	}
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	tamper(t, path, fmt.Sprintf(`DELETE FROM journal WHERE seq = %d`, seq))
	s, _ = mustOpen(t, Config{Path: path})
	if err := s.VerifyJournal(t.Context()); err != nil {
		t.Errorf("the chain itself is whole: %v", err)
	}
	after, other, err := s.Head(t.Context())
	if err != nil || after != seq-1 || bytes.Equal(hash[:], other[:]) {
		t.Errorf("head %d, %v", after, err)
	}
}

// No fact can be changed, removed or replaced, whatever connection asks.
func TestFactsStay(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bench.db")
	b := journaled(t, path)
	s, _ := mustOpen(t, Config{Path: path})
	if err := s.PutTemperatures(t.Context(), TemperatureRecord{Station: testStation, TemperatureSample: temperatureSample("air", 1)}); err != nil {
		t.Fatal(err)
	}
	err := s.write(t.Context(), false, func(x *tx) error { return x.putGap(b.stream, 1000, 1001, GapOverrun) })
	if err != nil {
		t.Fatal(err)
	}
	if err := putAllParts(t, s, b); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("sqlite3", "file:"+path) // none of our pragmas
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = db.Close() }()
	tables, err := collect(t.Context(), db, scanText, `SELECT name FROM pragma_table_list
		WHERE schema = 'main' AND type = 'table' AND name NOT LIKE 'sqlite%' AND name NOT LIKE 'goose%'`)
	if err != nil || len(tables) < 20 {
		t.Fatal(tables, err)
	}
	for _, table := range tables {
		if table == "trace_door" {
			continue
		}
		var n int
		if err := db.QueryRow(`SELECT count(*) FROM ` + table).Scan(&n); err != nil || n == 0 {
			t.Errorf("%s: %d rows, %v: this test would prove nothing", table, n, err)
		}
		for _, st := range []string{
			`UPDATE ` + table + ` SET station = station`,
			`DELETE FROM ` + table,
			`INSERT OR REPLACE INTO ` + table + ` SELECT * FROM ` + table,
			`REPLACE INTO ` + table + ` SELECT * FROM ` + table + ` LIMIT 1`,
		} {
			if _, err := db.Exec(st); err == nil {
				t.Errorf("%s: succeeded", st)
			}
		}
	}
}

func TestEveryTableIsStrictAndNamesItsStation(t *testing.T) {
	s, _ := mustOpen(t, Config{})
	tables, err := collect(t.Context(), s.readers, scanText, `SELECT name FROM pragma_table_list
		WHERE schema = 'main' AND type = 'table' AND name NOT LIKE 'sqlite%' AND name NOT LIKE 'goose%' AND strict = 1`)
	if err != nil || len(tables) != 21 {
		t.Errorf("%d strict tables, %v: %v", len(tables), err, tables)
	}
	for _, table := range tables {
		var n int
		err := s.readers.QueryRow(`SELECT count(*) FROM pragma_table_info(?) WHERE name = 'station' AND "notnull" + pk > 0`, table).Scan(&n)
		if err != nil || n != 1 && table != "trace_door" {
			t.Errorf("%s has no station, %v", table, err)
		}
	}
}

func TestCanonicalJSON(t *testing.T) {
	for in, want := range map[string]string{
		`{"b":1,"a":{"d":null,"c":[true,"x"]}}`:  `{"a":{"c":[true,"x"],"d":null},"b":1}`,
		` [ 1 , 9223372036854775807 , -5 ] `:     `[1,9223372036854775807,-5]`,
		`"<&> \u0041 \u00b5 \ud83d\ude00 \n \""`: `"<&> A µ 😀 \n \""`,
		`{"é":1,"z":2,"A":3}`:                    `{"A":3,"z":2,"é":1}`,
	} {
		got, err := canonical([]byte(in), false)
		if err != nil || string(got) != want {
			t.Errorf("%s: got %s, %v, want %s", in, got, err, want)
		}
	}
	for _, in := range []string{`1.5`, `1e3`, `-0`, `{"a":[0.0]}`} {
		if got, err := canonical([]byte(in), false); !errors.Is(err, errFloat) {
			t.Errorf("%s: got %s, %v", in, got, err)
		}
		if _, err := canonical([]byte(in), true); err != nil {
			t.Errorf("%s, floats permitted: %v", in, err)
		}
	}
	for _, in := range []string{``, `{`, `1 2`, `{"a":1}}`} {
		if got, err := canonical([]byte(in), true); err == nil {
			t.Errorf("%q: got %s", in, got)
		}
	}
}

func TestCanonicalIsAFixedPoint(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		v := map[string]any{}
		for _, k := range rapid.SliceOfN(rapid.String(), 0, 6).Draw(rt, "keys") {
			v[k] = rapid.OneOf(rapid.Int64().AsAny(), rapid.String().AsAny(), rapid.Bool().AsAny()).Draw(rt, "value")
		}
		once, err := canonicalOf(v)
		if err != nil {
			rt.Fatal(err)
		}
		twice, err := canonical(once, false)
		if err != nil || !bytes.Equal(once, twice) {
			rt.Fatalf("%s became %s, %v", once, twice, err)
		}
	})
}

// An event comes back as the plan walker saw it when it was recorded.
func TestAppendedEventIsTheStoredOne(t *testing.T) {
	b := newBench(t, Config{})
	rec, err := b.AppendEvent(t.Context(), b.set.ID, calibrate.Event{Kind: calibrate.Paused, Reason: "bad \xff bytes", By: "x"})
	if err != nil {
		t.Fatal(err)
	}
	evs, err := b.Events(t.Context(), b.set.ID)
	if err != nil || fmt.Sprint(evs[len(evs)-1]) != fmt.Sprint(rec) {
		t.Errorf("%v, %v, %v", evs[len(evs)-1], rec, err)
	}
	if _, err := b.AppendEvent(t.Context(), b.set.ID, calibrate.Event{}); err == nil {
		t.Error("an event without kind was recorded")
	}
}

// Somebody who changes an entry and gives it a hash that fits breaks the next one.
func TestARehashedEntryBreaksTheNext(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bench.db")
	journaled(t, path)
	s, _ := mustOpen(t, Config{Path: path})
	entries, err := s.EventsAfter(t.Context(), 3, 2)
	if err != nil || len(entries) != 2 {
		t.Fatal(entries, err)
	}
	forged := entries[1]
	forged.Payload = bytes.ReplaceAll(forged.Payload, []byte("tester"), []byte("tested"))
	if bytes.Equal(forged.Payload, entries[1].Payload) {
		t.Fatal("nothing to forge")
	}
	hash := forged.chain(entries[0].Hash)
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	tamper(t, path, fmt.Sprintf(`UPDATE journal SET payload = replace(payload, 'tester', 'tested'), hash = x'%x' WHERE seq = %d`, hash, forged.Seq))
	s, _ = mustOpen(t, Config{Path: path})
	var je *JournalError
	if err := s.VerifyJournal(t.Context()); !errors.As(err, &je) || je.Seq != forged.Seq+1 {
		t.Errorf("got %v, want entry %d", err, forged.Seq+1)
	}
}
