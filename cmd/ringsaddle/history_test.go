package main

import (
	"context"
	"fmt"
	"net/http/httptest"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ringsaddle/calibrate"
	"ringsaddle/storage"
)

// Histories come from a real database with a dozen sets of an invented ring; the
// last closing is far off the others.
func TestHistoriesOfARealDatabase(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	store, err := storage.Open(ctx, storage.Config{Path: filepath.Join(t.TempDir(), "ringsaddle.db")}, time.Now, newID)
	if err != nil {
		t.Fatal(err)
	}
	d := &daemon{store: store}
	b := backend{d}
	t.Cleanup(func() {
		if err := store.Close(context.Background()); err != nil {
			t.Error(err)
		}
	})
	if _, err := store.UpsertStation(ctx, "bench-1", []byte(`{}`)); err != nil {
		t.Fatal(err)
	}
	master := calibrate.Ring{ID: newID(), Ident: "M-30", Kind: calibrate.Master, Nominal: 30 * calibrate.Millimetre, Material: "steel", Certificate: &calibrate.MasterCertificate{
		Number: "C-1", Diameter: 30 * calibrate.Millimetre, Expanded: 200_000, CoverageFactorMill: 2000, CalibratedOn: "2026-01-01", DueOn: "2027-01-01",
	}}
	work := calibrate.Ring{ID: newID(), Ident: "W-32", Kind: calibrate.Work, Nominal: 32 * calibrate.Millimetre, Material: "steel"}
	for _, r := range []calibrate.Ring{master, work} {
		if _, err := store.AddRing(ctx, r, storage.Note{By: "T"}); err != nil {
			t.Fatal(err)
		}
	}
	wall0 := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	exposition := func() string {
		t.Helper()
		h, err := newMetrics(d)
		if err != nil {
			t.Fatal(err)
		}
		rec := httptest.NewRecorder()
		h.ServeHTTP(rec, httptest.NewRequest("GET", "/metrics", nil))
		return rec.Body.String()
	}
	for i := range 12 {
		difference := calibrate.Length(40_000 * (i % 2)) // moving ranges of 0.04 µm
		if i == 11 {
			difference = 900_000
		}
		at := wall0.AddDate(0, 0, i)
		ev := calibrate.Event{
			Kind: calibrate.SetStarted, WallNS: at.UnixNano(), By: "T", Rings: []calibrate.Ring{master, work},
			Plan: &calibrate.Plan{Steps: []calibrate.PlanStep{
				{Role: calibrate.Opening, RingID: master.ID, Repeats: 1},
				{Role: calibrate.Working, RingID: work.ID, Height: 5 * calibrate.Millimetre, Repeats: 1},
				{Role: calibrate.Closing, RingID: master.ID, Repeats: 1},
			}},
		}
		set, _, err := store.CreateSet(ctx, storage.SetRecord{ID: newID(), Station: "bench-1", By: "A. Example"}, ev)
		if err != nil {
			t.Fatal(err)
		}
		_, err = store.PutResult(ctx, storage.ResultRecord{
			SetID: set.ID, Method: "gum", Evaluator: "test", InputDigest: "x", Status: "accepted", Outcome: []byte(`{}`),
			Positions: []storage.ResultPosition{{
				RingID: work.ID, PlanStep: 1, Height: 5 * calibrate.Millimetre, Diameter: 32_000_800_000 + calibrate.Length(i),
				U: 100_000, Expanded: 200_000, Decision: "no tolerance given",
			}},
			Checks: []storage.ReferenceCheck{{MasterID: master.ID, Difference: difference, Limit: 200_000, Attempts: 1, Within: i < 11}},
		})
		if err != nil {
			t.Fatal(err)
		}
		if i == 8 && strings.Contains(exposition(), "ringsaddle_closing_signal{") {
			t.Error("a signal from nine closings")
		}
	}

	rings, err := b.RingHistory(ctx, work.ID, 5)
	if err != nil || len(rings) != 5 {
		t.Fatalf("%d, %v", len(rings), err)
	}
	if r := rings[0]; !r.Started.Equal(wall0.AddDate(0, 0, 11)) || r.DiameterMM != 32.000800011 || r.ExpandedMM != 0.0002 || r.Technician != "A. Example" || r.Status != "accepted" || r.Position.Height != 5*calibrate.Millimetre {
		t.Errorf("%+v", r)
	}
	closings, err := b.ClosingHistory(ctx, "bench-1", master.ID, wall0.AddDate(0, 0, 2), 100)
	if err != nil || len(closings) != 10 || closings[0].Difference != 900_000 || closings[0].Within || !closings[9].Started.Equal(wall0.AddDate(0, 0, 2)) {
		t.Errorf("%+v, %v", closings, err)
	}

	// Mean of twelve: (5·0.04 + 0.9)/12 = 0.09167 µm; moving ranges 10·0.04 and 0.9,
	// mean 0.11818; three standard deviations are 3·0.11818/1.12838 = 0.31421 µm.
	text := exposition()
	for _, line := range []string{
		`ringsaddle_closing_signal{chart="single",master="M-30",station="bench-1"} 1`,
		`ringsaddle_closing_control_upper_meters{master="M-30",station="bench-1"} 4.05`,
		`ringsaddle_closing_control_lower_meters{master="M-30",station="bench-1"} -2.22`,
	} {
		if !strings.Contains(text, line) {
			t.Errorf("no %s in\n%s", line, fmt.Sprint(grep(text, "ringsaddle_closing")))
		}
	}
}

// grep returns the lines with a word.
func grep(text, word string) string {
	var out []string
	for line := range strings.Lines(text) {
		if strings.Contains(line, word) {
			out = append(out, line)
		}
	}
	return strings.Join(out, "")
}

// The alert rules say of closings what they should.
func TestAlertsOfClosings(t *testing.T) {
	t.Parallel()
	promtool := need(t, "promtool", "prometheus")
	out, err := exec.Command(promtool, "test", "rules", filepath.Join("..", "..", "testdata", "alerts", "closing.yml")).CombinedOutput()
	if err != nil || !strings.Contains(string(out), "SUCCESS") {
		t.Errorf("promtool test rules: %v\n%s", err, out)
	}
}
