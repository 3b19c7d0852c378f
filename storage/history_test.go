package storage

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ringsaddle/calibrate"
)

// Histories follow the order in which the sets were measured, whatever the order in
// which they were worked out, and tell the newest revision of each.
func TestHistoriesFollowTheSets(t *testing.T) {
	b := newBench(t, Config{})
	ctx := t.Context()
	sets := []SetRecord{b.set}
	for i := 1; i < 3; i++ {
		b.clock.Advance(time.Hour)
		ev := b.started()
		ev.WallNS = wall0 + int64(i)*int64(time.Hour)
		set, _, err := b.CreateSet(ctx, SetRecord{Station: testStation, By: "second shift"}, ev)
		if err != nil {
			t.Fatal(err)
		}
		sets = append(sets, set)
	}
	put := func(set int, difference, diameter calibrate.Length, status, evaluator string) {
		t.Helper()
		b.clock.Advance(time.Minute)
		b.set = sets[set]
		r := b.result(difference)
		r.Status, r.Evaluator, r.Positions[0].Diameter = status, evaluator, diameter
		r.Positions = append(r.Positions, r.Positions[0])
		r.Positions[1].Height = 5 * calibrate.Millimetre
		if _, err := b.PutResult(ctx, r); err != nil {
			t.Fatal(err)
		}
	}
	put(2, 30_000, 30_000_300_000, "accepted", "one")
	put(0, 10_000, 30_000_100_000, "accepted", "one")
	put(1, 20_000, 30_000_200_000, "not_accepted", "one")
	put(0, 11_000, 30_000_110_000, "accepted", "two") // worked out again, last of all

	type found struct {
		Set                      string
		Revision                 int64
		Started                  int64
		Status                   string
		By                       string
		Height, Diameter, Expand calibrate.Length
		Newest                   bool
	}
	list, err := b.RingCalibrations(ctx, b.work.ID, 5)
	if err != nil {
		t.Fatal(err)
	}
	var got []found
	for _, c := range list {
		got = append(got, found{c.SetID, c.Revision, c.StartedWallNS - wall0, c.Status, c.By, c.Height / calibrate.Millimetre, c.Diameter - 30_000_000_000, c.Expanded, c.ResultIsNewest})
	}
	hour := int64(time.Hour)
	want := []found{
		{sets[2].ID, 1, 2 * hour, "accepted", "second shift", 10, 300_000, 120_000, true},
		{sets[2].ID, 1, 2 * hour, "accepted", "second shift", 5, 300_000, 120_000, true},
		{sets[1].ID, 1, hour, "not_accepted", "second shift", 10, 200_000, 120_000, true},
		{sets[1].ID, 1, hour, "not_accepted", "second shift", 5, 200_000, 120_000, true},
		{sets[0].ID, 2, 0, "accepted", "tester", 10, 110_000, 120_000, true},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}

	closings, err := b.Closings(ctx, testStation, b.master.ID, 0, 10)
	if err != nil {
		t.Fatal(err)
	}
	var differences []calibrate.Length
	for _, c := range closings {
		differences = append(differences, c.Difference)
	}
	if d := cmp.Diff([]calibrate.Length{30_000, 20_000, 11_000}, differences); d != "" {
		t.Error(d)
	}
	if c := closings[2]; c.SetID != sets[0].ID || c.StartedWallNS != wall0 || c.By != "tester" || c.Limit != 200_000 || c.Attempts != 2 || !c.Within {
		t.Errorf("%+v", c)
	}
	for name, c := range map[string]struct {
		station, master string
		since           int64
		limit, want     int
	}{
		"since the second":  {testStation, b.master.ID, wall0 + hour, 10, 2},
		"only the newest":   {testStation, b.master.ID, 0, 1, 1},
		"another bench":     {"bench-2", b.master.ID, 0, 10, 0},
		"no master of ours": {testStation, b.work.ID, 0, 10, 0},
	} {
		if got, err := b.Closings(ctx, c.station, c.master, c.since, c.limit); err != nil || len(got) != c.want {
			t.Errorf("%s: %d, %v", name, len(got), err)
		}
	}
	if none, err := b.RingCalibrations(ctx, b.master.ID, 10); err != nil || len(none) != 0 {
		t.Errorf("%+v, %v", none, err)
	}
}
