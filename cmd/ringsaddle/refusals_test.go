package main

import (
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ringsaddle/acquire/bench"
)

// What a daemon refuses, it refuses in one clear sentence.
func TestRefusals(t *testing.T) {
	t.Parallel()
	rig := newRig(t, shortScenario(t, 1, 1), 31)
	_, address, _ := rig.inProcess()
	c := &client{base: "http://" + address}
	register := func(ident, kind string, nominal float64, due string) string {
		t.Helper()
		in := map[string]any{"by": "T", "ident": ident, "kind": kind, "nominal_mm": nominal, "material": "steel"}
		if kind == "master" {
			in["certificate"] = map[string]any{
				"number": "1", "diameter_20c_mm": nominal, "expanded_uncertainty_mm": 0.0002, "coverage_factor": 2,
				"height_mm": 10, "direction_deg": 0, "calibrated_on": "2020-01-01", "due_on": due,
			}
		}
		var ring remoteRing
		if err := c.call(t.Context(), http.MethodPost, "/rings", in, &ring); err != nil {
			t.Fatal(err)
		}
		return ring.ID
	}
	nextYear := time.Now().AddDate(1, 0, 0).Format(time.DateOnly)
	master := register("M-1", "master", 40, nextYear)
	overdue := register("M-2", "master", 40, "2021-01-01")
	work := register("W-1", "work", 40, "")
	third := register("W-3", "work", 40, "")
	large := register("W-2", "work", 200, "")

	start := func(master, work string, more map[string]any) error {
		in := map[string]any{
			"station": "bench-1", "technician": "T", "master_id": master, "repeats": 1,
			"works": []any{map[string]any{"ring_id": work, "positions": []any{map[string]any{"height_mm": 10, "direction_deg": 0}}}},
		}
		for k, v := range more {
			in[k] = v
		}
		return c.call(t.Context(), http.MethodPost, "/sets", in, nil)
	}
	refused := func(name string, err error, words ...string) {
		t.Helper()
		if err == nil {
			t.Fatalf("%s: not refused", name)
		}
		for _, w := range words {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%s: the answer does not say %q: %v", name, w, err)
			}
		}
	}
	refused("unknown master", start("nobody", work, nil), "master_id", "not known")
	refused("unknown ring", start(master, "nobody", nil), "works[0].ring_id", "not known")
	refused("unknown station", start(master, work, map[string]any{"station": "bench-9"}), "station", "not known")
	refused("master past its due date", start(overdue, work, nil), "M-2", "2021-01-01", "record a reason")
	refused("work outside the range", start(master, large, nil), "W-2", "outside the instrument's stated range")
	refused("a work ring as master", start(work, third, nil), "needs a master")
	refused("a second ring of the same ident", c.call(t.Context(), http.MethodPost, "/rings",
		map[string]any{"by": "T", "ident": "W-1", "kind": "work", "nominal_mm": 40, "material": "steel"}, nil), "W-1", "already")
	refused("unknown material", c.call(t.Context(), http.MethodPost, "/rings",
		map[string]any{"by": "T", "ident": "W-9", "kind": "work", "nominal_mm": 40, "material": "cheese"}, nil), "cheese", "steel")

	if err := start(overdue, work, map[string]any{"overdue_reason": "recalibration is booked, agreed with the owner"}); err != nil {
		t.Fatalf("an overdue master with a reason is refused: %v", err)
	}
	refused("a second set on the station", start(master, work, nil), "close or abort it first")
	var sets struct {
		Sets []struct {
			ID string `json:"id"`
		} `json:"sets"`
	}
	if err := c.call(t.Context(), http.MethodGet, "/sets", nil, &sets); err != nil {
		t.Fatal(err)
	}
	refused("manual capture without contact", c.act(t.Context(), sets.Sets[0].ID, "manual-capture",
		map[string]any{"by": "T", "reason": "try"}), "contact")
	refused("closing too early", c.act(t.Context(), sets.Sets[0].ID, "close", map[string]any{"by": "T"}))
	refused("a capture that is not there", c.call(t.Context(), http.MethodPost, "/captures/none/reject",
		map[string]any{"by": "T", "reason": "dust"}, nil), "none")
	if err := c.act(t.Context(), sets.Sets[0].ID, "abort", map[string]any{"by": "T", "reason": "end of the test"}); err != nil {
		t.Fatal(err)
	}
}

// A second program on the same port is told that it is busy; the first goes on.
func TestBusyPort(t *testing.T) {
	t.Parallel()
	rig := newRig(t, shortScenario(t, 1, 1), 32)
	d, _, _ := rig.inProcess()
	waitFor(t, 10*time.Second, "the daemon reads", func() bool { return d.stations[0].source.Stats().Readings > 10 })
	second := *rig.cfg
	second.Storage.Path = filepath.Join(t.TempDir(), "second.db")
	d2, _, _ := startDaemon(t, &second)
	waitFor(t, 10*time.Second, "the second says busy", func() bool {
		return strings.Contains(d2.stations[0].problem.get(), "busy") || strings.Contains(d2.stations[0].problem.get(), "another program")
	})
	before := d.stations[0].source.Stats().Readings
	waitFor(t, 10*time.Second, "the first goes on", func() bool { return d.stations[0].source.Stats().Readings > before+10 })
}

// At a wrong speed only garbage arrives, and the station says so. A
// pseudo-terminal has no speed, so the bench sends the garbage.
func TestOnlyGarbage(t *testing.T) {
	t.Parallel()
	sc := shortScenario(t, 1, 1)
	rig := newRig(t, sc, 33)
	rig.cfg.Stations[0].Frame.Form = "signed-decimal-comma-mm-crlf" // matches no frame of this bench
	rig.cfg.Stations[0].Readout.SilenceAfter.Duration = 2 * time.Second
	d, _, _ := rig.inProcess()
	if err := rig.bench.Inject(rig.ctx, bench.Fault{Kind: bench.FaultGarbage, Bytes: 200}); err != nil {
		t.Fatal(err)
	}
	waitFor(t, 20*time.Second, "the station says that only garbage arrives", func() bool {
		return strings.Contains(d.stations[0].problem.get(), "115200 baud")
	})
	stats := d.stations[0].source.Stats()
	if stats.Readings != 0 || stats.RejectedBytes() == 0 {
		t.Errorf("%d readings, %d bytes rejected", stats.Readings, stats.RejectedBytes())
	}
}
