package storage

import (
	"errors"
	"io/fs"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ringsaddle/acquire"
	"ringsaddle/calibrate"
)

func temperatureSample(channel string, micro int64) acquire.TemperatureSample {
	return acquire.TemperatureSample{At: boot0, Channel: channel, MicroCelsius: micro}
}

func (b *bench) result(difference calibrate.Length) ResultRecord {
	return ResultRecord{
		SetID: b.set.ID, Method: "gum", Evaluator: "calibrate/1", InputDigest: "in", Status: "accepted",
		Outcome: []byte(`{"b": 2, "a": 30.000412}`), By: "tester",
		Positions: []ResultPosition{
			{RingID: b.work.ID, PlanStep: 1, Height: 10 * calibrate.Millimetre, Direction: 90_000, Diameter: 30_000_412_000, U: 60_000, Expanded: 120_000, Decision: "conforms"},
		},
		Checks:        []ReferenceCheck{{MasterID: b.master.ID, Difference: difference, Limit: 200_000, DriftPerHour: -5, Attempts: 2, Within: true}},
		Repeatability: &Repeatability{MasterID: b.master.ID, S: 45_000, DoF: 7},
	}
}

func putAllParts(t *testing.T, s *Store, b *bench) error {
	t.Helper()
	_, err := s.PutResult(t.Context(), b.result(-40_000))
	return err
}

func TestResultsHaveRevisions(t *testing.T) {
	b := newBench(t, Config{})
	ctx := t.Context()
	one, err := b.PutResult(ctx, b.result(-40_000))
	if err != nil || one.Revision != 1 || one.Station != testStation || one.ID == "" {
		t.Fatalf("%+v, %v", one, err)
	}
	again, err := b.PutResult(ctx, b.result(-40_000))
	if err != nil || again.Revision != 1 || again.ID != one.ID {
		t.Errorf("the same result again: %+v, %v", again, err)
	}
	next := b.result(30_000)
	next.Evaluator, next.Outcome = "calibrate/2", []byte(`{"a": 30.000413}`)
	if _, err := b.PutResult(ctx, next); err != nil {
		t.Fatal(err)
	}
	got, err := b.Result(ctx, b.set.ID)
	if err != nil || got.Revision != 2 || string(got.Outcome) != `{"a": 30.000413}` {
		t.Errorf("%+v, %v", got, err)
	}
	all, err := b.Results(ctx, b.set.ID)
	if err != nil || len(all) != 2 {
		t.Fatal(all, err)
	}
	want := b.result(-40_000)
	want.Revision, want.ID, want.Station, want.Digest, want.WallNS = 1, one.ID, testStation, one.Digest, wall0
	want.Positions[0].SetID, want.Positions[0].Revision, want.Positions[0].Station, want.Positions[0].WallNS = b.set.ID, 1, testStation, wall0
	want.Checks[0].SetID, want.Checks[0].Revision, want.Checks[0].Station, want.Checks[0].WallNS = b.set.ID, 1, testStation, wall0
	r := want.Repeatability
	r.SetID, r.Revision, r.Station, r.WallNS = b.set.ID, 1, testStation, wall0
	if d := cmp.Diff(want, all[0]); d != "" {
		t.Error(d)
	}
	if _, err := b.PutResult(ctx, ResultRecord{SetID: b.set.ID, Outcome: []byte(`{`)}); err == nil {
		t.Error("a broken outcome was recorded")
	}
	if _, err := b.PutResult(ctx, ResultRecord{SetID: "none", Outcome: []byte(`{}`)}); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("unknown set: %v", err)
	}
	if _, err := b.Result(ctx, "none"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("unknown set: %v", err)
	}
	if err := b.VerifyJournal(ctx); err != nil {
		t.Error(err)
	}
}

func TestHistories(t *testing.T) {
	b := newBench(t, Config{})
	ctx := t.Context()
	first := b.set
	for i, difference := range []calibrate.Length{10_000, 20_000, 30_000} {
		if i == 2 { // a second set with the same master
			b.clock.Advance(1e9)
			var err error
			if b.set, _, err = b.CreateSet(ctx, SetRecord{Station: testStation}, b.started()); err != nil {
				t.Fatal(err)
			}
		}
		r := b.result(difference)
		r.InputDigest = string(rune('a' + i)) // the second replaces the first
		if _, err := b.PutResult(ctx, r); err != nil {
			t.Fatal(err)
		}
	}
	last, err := b.LastReferenceChecks(ctx)
	if err != nil || len(last) != 1 || last[0].Difference != 30_000 || last[0].SetID != b.set.ID {
		t.Errorf("%+v, %v", last, err)
	}
	history, err := b.ReferenceHistory(ctx, testStation, b.master.ID, 10)
	if err != nil || len(history) != 2 || history[1].Difference != 20_000 || history[1].SetID != first.ID || history[1].Revision != 2 {
		t.Errorf("%+v, %v", history, err)
	}
	rep, err := b.LastRepeatability(ctx)
	if err != nil || len(rep) != 1 || rep[0].DoF != 7 || rep[0].S != 45_000 {
		t.Errorf("%+v, %v", rep, err)
	}
	ring, err := b.RingHistory(ctx, b.work.ID, 10)
	if err != nil || len(ring) != 3 || !ring[0].ResultIsNewest || !ring[1].ResultIsNewest || ring[2].ResultIsNewest {
		t.Errorf("%+v, %v", ring, err)
	}
	if none, err := b.ReferenceHistory(ctx, "bench-2", b.master.ID, 10); err != nil || len(none) != 0 {
		t.Errorf("%+v, %v", none, err)
	}
}

func TestTemperatures(t *testing.T) {
	b := newBench(t, Config{})
	ctx := t.Context()
	var all []TemperatureRecord
	for i := range int64(4) {
		for _, ch := range []string{"air", "scale"} {
			all = append(all, TemperatureRecord{
				TemperatureSample: temperatureSample(ch, 20_000_000+i), Station: testStation, StreamID: b.stream.ID,
				WallNS: wall0 + i, UMicroCelsius: 50_000, Source: "frame",
			})
		}
	}
	if err := b.PutTemperatures(ctx, all...); err != nil {
		t.Fatal(err)
	}
	got, err := b.Temperatures(ctx, testStation, wall0+1, wall0+3)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([]TemperatureRecord{all[2], all[4], all[3], all[5]}, got); d != "" {
		t.Error(d)
	}
	got, err = b.LastTemperatures(ctx, testStation)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([]TemperatureRecord{all[6], all[7]}, got); d != "" {
		t.Error(d)
	}
	if none, err := b.LastTemperatures(ctx, "bench-2"); err != nil || len(none) != 0 {
		t.Errorf("%v, %v", none, err)
	}
	if err := b.PutTemperatures(ctx, TemperatureRecord{TemperatureSample: temperatureSample("air", 1)}, TemperatureRecord{Station: testStation}); err == nil {
		t.Error("samples without station and channel were recorded")
	}
}
