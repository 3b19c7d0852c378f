package storage

import (
	"errors"
	"io/fs"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"ringsaddle/calibrate"
	"ringsaddle/detect"
)

// exact compares floating point by its bits.
func exact() cmp.Option {
	return cmp.Comparer(func(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) })
}

func ignoreOwn() cmp.Option {
	return cmpopts.IgnoreFields(CaptureRecord{}, "RecordedWallNS", "TraceReadings", "TraceMissing", "TraceDigest", "Digest", "Params")
}

func TestCaptureComesBackBitForBit(t *testing.T) {
	b := newBench(t, Config{})
	ctx := t.Context()
	b.putTrace(t, readings(1, 3000), 500)
	rec := b.capture(100, 2500)
	evs, err := b.CommitCapture(ctx, rec, b.events(rec))
	if err != nil {
		t.Fatal(err)
	}
	if len(evs) != 2 || evs[0].Seq == 0 || evs[1].Seq != evs[0].Seq+1 {
		t.Errorf("events: %+v", evs)
	}
	got, err := b.Capture(ctx, rec.ID)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(rec, got, exact(), ignoreOwn()); d != "" {
		t.Error(d)
	}
	if got.TraceReadings != 2401 || got.TraceMissing != 0 || got.RecordedWallNS != wall0 {
		t.Errorf("%d readings, %d missing, recorded %d", got.TraceReadings, got.TraceMissing, got.RecordedWallNS)
	}
	if p, err := b.Params(ctx, "abc"); err != nil || string(p) != `{"a":1,"k":2.5}` {
		t.Errorf("parameters %s, %v", p, err)
	}
	if err := b.VerifyTrace(ctx, rec.ID); err != nil {
		t.Error(err)
	}
	if err := b.VerifyJournal(ctx); err != nil {
		t.Error(err)
	}
	if _, err := b.CommitCapture(ctx, rec, nil); !errors.Is(err, ErrExists) {
		t.Errorf("the same id again: %v", err)
	}
}

func TestAnyCaptureComesBack(t *testing.T) {
	b := newBench(t, Config{})
	b.putTrace(t, readings(1, 50), 50)
	finite := rapid.Custom(func(t *rapid.T) float64 {
		if rapid.IntRange(0, 9).Draw(t, "special") == 0 {
			return rapid.SampledFrom([]float64{0, math.Copysign(0, -1), 1, 5e-324, -math.MaxFloat64, 1 << 53, 1<<53 + 2, 1e300}).Draw(t, "value")
		}
		return rapid.Float64().Filter(func(f float64) bool { return !math.IsInf(f, 0) && !math.IsNaN(f) }).Draw(t, "float")
	})
	text := rapid.String().Filter(func(s string) bool { return !strings.ContainsRune(s, 0) })
	rapid.Check(t, func(rt *rapid.T) {
		rec := b.capture(1, 50)
		c := &rec.Capture
		c.StartAt, c.EndAt, c.At = rapid.Int64().Draw(rt, "start"), rapid.Int64().Draw(rt, "end"), rapid.Int64().Draw(rt, "at")
		c.Origin = rapid.Int64().Draw(rt, "origin")
		c.Saddle, c.U = finite.Draw(rt, "saddle"), finite.Draw(rt, "u")
		for i := range 2 {
			c.Residual[i], c.ResidualU[i] = finite.Draw(rt, "residual"), finite.Draw(rt, "residual u")
			c.Probability[i] = finite.Draw(rt, "probability")
			c.Parked[i] = rapid.Bool().Draw(rt, "parked")
		}
		c.Points = c.Points[:rapid.IntRange(0, 2).Draw(rt, "points")]
		for i := range c.Points {
			p := &c.Points[i]
			p.Value, p.U, p.At = finite.Draw(rt, "value"), finite.Draw(rt, "u"), rapid.Int64().Draw(rt, "point at")
			p.Crossings, p.First = rapid.Int().Draw(rt, "crossings"), uint64(rapid.Int64Min(0).Draw(rt, "first"))
		}
		c.Reasons = nil
		for range rapid.IntRange(0, 3).Draw(rt, "reasons") {
			c.Reasons = append(c.Reasons, detect.Reason{Code: detect.ReasonCode(text.Draw(rt, "code")), Text: text.Draw(rt, "text")})
		}
		rec.SetID, rec.PlanStep, rec.By = "", -1, text.Draw(rt, "by")
		if _, err := b.CommitCapture(t.Context(), rec, nil); err != nil {
			rt.Fatal(err)
		}
		got, err := b.Capture(t.Context(), rec.ID)
		if err != nil {
			rt.Fatal(err)
		}
		if d := cmp.Diff(rec, got, exact(), ignoreOwn(), cmpopts.EquateEmpty()); d != "" {
			rt.Fatal(d)
		}
	})
	if err := b.VerifyJournal(t.Context()); err != nil {
		t.Error(err)
	}
}

func TestCaptureIsRefusedWhole(t *testing.T) {
	b := newBench(t, Config{})
	ctx := t.Context()
	b.putTrace(t, readings(1, 100), 100)
	before, err := b.LastSeq(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for name, tc := range map[string]struct {
		change func(*CaptureRecord)
		is     error
		says   string
	}{
		"NaN":                {func(r *CaptureRecord) { r.Capture.U = math.NaN() }, nil, "u: NaN is no finite number"},
		"infinite":           {func(r *CaptureRecord) { r.Capture.Points[1].Value = math.Inf(1) }, nil, "turning point 1 (cross) value: +Inf"},
		"all faults":         {func(r *CaptureRecord) { r.ID, r.Capture.Saddle, r.Step.Den = "", math.NaN(), 0 }, nil, "all are needed\nstep 100000/0 pm: must be positive\nsaddle: NaN"},
		"no trace":           {func(r *CaptureRecord) { r.Capture.LastSeq = 101 }, ErrTraceNotStored, "1 of the readings 10 to 101"},
		"unknown set":        {func(r *CaptureRecord) { r.SetID = "none" }, fs.ErrNotExist, "set none"},
		"other station":      {func(r *CaptureRecord) { r.Station = "bench-2" }, fs.ErrNotExist, "of station bench-2"},
		"without readings":   {func(r *CaptureRecord) { r.Capture.FirstSeq, r.Capture.LastSeq = 0, 0 }, nil, "must be manual"},
		"recomputed of what": {func(r *CaptureRecord) { r.RecomputedFrom = "none" }, nil, "FOREIGN KEY"},
	} {
		rec := b.capture(10, 100)
		tc.change(&rec)
		_, err := b.CommitCapture(ctx, rec, b.events(rec))
		if err == nil || !strings.Contains(err.Error(), tc.says) || tc.is != nil && !errors.Is(err, tc.is) {
			t.Errorf("%s: got %v, want %q", name, err, tc.says)
		}
	}
	all, err := b.Captures(ctx, CaptureFilter{})
	if err != nil || len(all) != 0 {
		t.Errorf("%d captures, %v", len(all), err)
	}
	if after, _ := b.LastSeq(ctx); after != before {
		t.Errorf("the journal went from %d to %d", before, after)
	}
}

func TestManualCaptureNeedsNoTrace(t *testing.T) {
	b := newBench(t, Config{})
	rec := b.capture(0, 0)
	rec.Manual, rec.By = true, "tester"
	rec.Capture.Points, rec.Capture.Outcome = nil, "manual"
	if _, err := b.CommitCapture(t.Context(), rec, nil); err != nil {
		t.Fatal(err)
	}
	got, err := b.Capture(t.Context(), rec.ID)
	if err != nil || !got.Manual || got.TraceReadings != 0 {
		t.Errorf("%+v, %v", got, err)
	}
	if err := b.VerifyTrace(t.Context(), rec.ID); err != nil {
		t.Error(err)
	}
}

func TestCapturesAreSelected(t *testing.T) {
	b := newBench(t, Config{})
	ctx := t.Context()
	b.putTrace(t, readings(1, 1000), 100)
	var ids []string
	for i := range 5 {
		rec := b.capture(uint64(i*100+1), uint64(i*100+100))
		if i%2 == 1 {
			rec.SetID = ""
		}
		if _, err := b.CommitCapture(ctx, rec, nil); err != nil {
			t.Fatal(err)
		}
		ids = append(ids, rec.ID)
	}
	for name, tc := range map[string]struct {
		f    CaptureFilter
		want []int
	}{
		"all":         {CaptureFilter{}, []int{0, 1, 2, 3, 4}},
		"of the set":  {CaptureFilter{SetID: b.set.ID, Station: testStation}, []int{0, 2, 4}},
		"by time":     {CaptureFilter{StreamID: b.stream.ID, FromWallNS: wall0 + 2e9, ToWallNS: wall0 + 4e9}, []int{1, 2}},
		"at most two": {CaptureFilter{Limit: 2}, []int{0, 1}},
		"elsewhere":   {CaptureFilter{Station: "bench-2"}, nil},
	} {
		got, err := b.Captures(ctx, tc.f)
		if err != nil {
			t.Fatal(err)
		}
		var which []int
		for _, r := range got {
			which = append(which, slices.Index(ids, r.ID))
		}
		if d := cmp.Diff(tc.want, which); d != "" {
			t.Errorf("%s: %s", name, d)
		}
	}
	if _, err := b.Capture(ctx, "none"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("unknown capture: %v", err)
	}
}

func TestSetsResume(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bench.db")
	b := newBench(t, Config{Path: path})
	ctx := t.Context()
	second, _, err := b.CreateSet(ctx, SetRecord{Station: testStation, By: "other"}, b.started())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.AppendEvent(ctx, b.set.ID, calibrate.Event{Kind: calibrate.RingConfirmed, RingID: b.master.ID, By: "tester"}); err != nil {
		t.Fatal(err)
	}
	if _, err := b.AppendEvent(ctx, second.ID, calibrate.Event{Kind: calibrate.Aborted, Reason: "lunch <µ>", By: "tester"}); err != nil {
		t.Fatal(err)
	}
	want, err := b.Events(ctx, b.set.ID)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Close(ctx); err != nil {
		t.Fatal(err)
	}
	s, _ := mustOpen(t, Config{Path: path})
	open, err := s.OpenSets(ctx, testStation)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([]SetRecord{b.set}, open); d != "" {
		t.Error(d)
	}
	got, err := s.Events(ctx, b.set.ID)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	first := b.started()
	first.Seq = got[0].Seq
	if d := cmp.Diff(first, got[0]); d != "" {
		t.Error(d)
	}
	if len(got) != 2 || got[1].WallNS != wall0 {
		t.Errorf("%+v", got)
	}
	if none, err := s.OpenSets(ctx, "bench-2"); err != nil || len(none) != 0 {
		t.Errorf("%v, %v", none, err)
	}
	all, err := s.Sets(ctx, SetFilter{RingID: b.master.ID, Station: testStation})
	if err != nil || len(all) != 2 {
		t.Errorf("%v, %v", all, err)
	}
	entries, err := s.EventsAfter(ctx, got[0].Seq, 2)
	if err != nil || len(entries) != 2 || entries[0].Seq != got[0].Seq+1 {
		t.Errorf("%v, %v", entries, err)
	}
}

func TestSetsAreRefused(t *testing.T) {
	b := newBench(t, Config{})
	ctx := t.Context()
	stale := b.started()
	stale.Rings = slices.Clone(stale.Rings)
	stale.Rings[0].Owner = "changed"
	unnamed := b.started()
	unnamed.Rings = unnamed.Rings[:1]
	unknown := b.started()
	unknown.Plan = &calibrate.Plan{Steps: []calibrate.PlanStep{{Role: calibrate.Opening, RingID: "none"}}}
	unknown.Rings = []calibrate.Ring{{ID: "none", Ident: "none"}}
	for name, tc := range map[string]struct {
		set  SetRecord
		ev   calibrate.Event
		says string
	}{
		"no plan":         {SetRecord{Station: testStation}, calibrate.Event{Kind: calibrate.SetStarted}, "must be set_started with a plan"},
		"unknown station": {SetRecord{Station: "bench-2"}, b.started(), `station "bench-2": file does not exist`},
		"stale ring":      {SetRecord{Station: testStation}, stale, "not as revision 1 of the register has it"},
		"ring not given":  {SetRecord{Station: testStation}, unnamed, "step 1: ring"},
		"unknown ring":    {SetRecord{Station: testStation}, unknown, `ring "none": file does not exist`},
		"taken id":        {SetRecord{ID: b.set.ID, Station: testStation}, b.started(), "exists already"},
	} {
		if _, _, err := b.CreateSet(ctx, tc.set, tc.ev); err == nil || !strings.Contains(err.Error(), tc.says) {
			t.Errorf("%s: got %v, want %q", name, err, tc.says)
		}
	}
	if _, err := b.AppendEvent(ctx, "none", calibrate.Event{Kind: calibrate.Paused}); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("event of an unknown set: %v", err)
	}
	if _, err := b.Events(ctx, "none"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("events of an unknown set: %v", err)
	}
	if all, err := b.Sets(ctx, SetFilter{}); err != nil || len(all) != 1 {
		t.Errorf("%v, %v", all, err)
	}
}
