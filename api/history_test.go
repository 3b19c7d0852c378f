package api

import (
	"context"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"ringsaddle/calibrate"
)

func (f *fake) RingHistory(_ context.Context, ringID string, limit int) ([]RingCalibration, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	list := f.found[ringID]
	return list[:min(limit, len(list))], f.broken
}

func (f *fake) ClosingHistory(_ context.Context, station, masterID string, since time.Time, limit int) ([]Closing, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []Closing
	for _, c := range f.closings[masterID] {
		if station == "bench-1" && !c.Started.Before(since) && len(out) < limit {
			out = append(out, c)
		}
	}
	return out, f.broken
}

// inventHistory gives W-32-118 three calibrations at two positions, the last with a
// change that the uncertainties do not explain at one of them, and M-30-07 the
// closing differences (µm), oldest first, a day apart.
func (f *fake) inventHistory(closings ...float64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	one := func(set string, years int, height calibrate.Length, direction int64, deviationUM, uUM float64, decision string) RingCalibration {
		return RingCalibration{
			SetID: set, Revision: 1, Station: "bench-1", Technician: "A. Example", Started: fakeDay.AddDate(-years, 0, 0), Status: "accepted",
			Position:   Position{Height: height * calibrate.Millimetre, Direction: direction},
			DiameterMM: 32 + deviationUM/1000, UMM: uUM / 2000, ExpandedMM: uUM / 1000, Decision: decision,
		}
	}
	f.found = map[string][]RingCalibration{"w32": {
		one("set-1", 0, 5, 0, 0.82, 0.21, "conforms"), one("set-1", 0, 10, 90_000, 0.91, 0.21, "conforms"),
		one("set-0b", 1, 5, 0, 0.78, 0.24, "conforms"), one("set-0b", 1, 10, 90_000, 0.53, 0.24, "conforms"),
		one("set-0a", 3, 5, 0, 0.55, 0.28, "conforms"),
	}}
	var list []Closing
	for i, um := range closings {
		list = append(list, Closing{
			SetID: "set-1", Technician: "A. Example", Started: fakeDay.AddDate(0, 0, i-len(closings)+1), Attempts: 1,
			Difference: calibrate.Length(math.Round(um * 1e6)), Limit: 200_000, Within: math.Abs(um) <= 0.2,
		})
	}
	slices.Reverse(list)
	f.closings = map[string][]Closing{"m30": list}
}

func TestRingHistory(t *testing.T) {
	b := newBench(t)
	b.inventHistory()
	got := want[wireRingHistory](b, 200, "GET", "/api/v1/rings/w32/history", nil)
	if len(got.Calibrations) != 5 || got.Ring.Ident != "W-32-118" || !strings.Contains(got.Caution, "rather too large") {
		t.Fatalf("%+v", got)
	}
	for i, c := range []struct {
		set            string
		deviation      float64
		before         string
		change, expand float64
		within         bool
	}{
		// √(0.21² + 0.24²) = 0.31890, √(0.24² + 0.28²) = 0.36878
		{"set-1", 0.00082, "set-0b", 0.00004, 0.00031890, true},
		{"set-1", 0.00091, "set-0b", 0.00038, 0.00031890, false},
		{"set-0b", 0.00078, "set-0a", 0.00023, 0.00036878, true},
		{"set-0b", 0.00053, "", 0, 0, false},
		{"set-0a", 0.00055, "", 0, 0, false},
	} {
		w := got.Calibrations[i]
		if w.SetID != c.set || math.Abs(w.DeviationMM-c.deviation) > 1e-9 || (w.Change == nil) != (c.before == "") {
			t.Errorf("%d: %+v", i, w)
		}
		if ch := w.Change; ch != nil && (ch.SetID != c.before || math.Abs(ch.ChangeMM-c.change) > 1e-9 || math.Abs(ch.ExpandedMM-c.expand) > 1e-8 || ch.Within != c.within) {
			t.Errorf("%d: %+v", i, *ch)
		}
	}
	if got := want[wireRingHistory](b, 200, "GET", "/api/v1/rings/w33/history", nil); len(got.Calibrations) != 0 {
		t.Errorf("%+v", got)
	}
	b.problem(404, "GET", "/api/v1/rings/none/history", nil)
	b.problem(422, "GET", "/api/v1/rings/w32/history?limit=0", nil)
	b.broken = errors.New("disk on fire")
	b.problem(500, "GET", "/api/v1/rings/w32/history", nil)
}

// usual are closing differences (µm) with a mean of 0.02 and moving ranges of 0.04.
var usual = []float64{0, 0.04, 0, 0.04, 0, 0.04, 0, 0.04, 0, 0.04, 0, 0.04}

func TestClosingHistory(t *testing.T) {
	const path = "/api/v1/stations/bench-1/closings?master=m30"
	b := newBench(t)
	b.inventHistory(usual[:9]...)
	got := want[wireClosingHistory](b, 200, "GET", path, nil)
	if got.Limits != nil || got.WhyNot != "9 of at least 10 closing differences: too few for control limits." || len(got.Closings) != 9 || got.Closings[0].EWMAMM != nil || len(got.Signals) != 0 {
		t.Errorf("nine: %+v", got)
	}

	b.inventHistory(append(slices.Clone(usual), 0.31)...)
	got = want[wireClosingHistory](b, 200, "GET", path, nil)
	// Thirteen values are all baseline: mean 0.55/13 = 0.0423, moving ranges 11·0.04 and
	// 0.27, mean 0.0592; s = 0.0592/1.1284 = 0.05243.
	l := got.Limits
	if l == nil || l.Baseline != 13 || math.Abs(l.CentreMM-0.0000423) > 1e-7 || math.Abs(l.SMM-0.00005243) > 1e-7 ||
		math.Abs(l.UpperMM-0.0001996) > 1e-7 || math.Abs(l.LowerMM+0.000115) > 1e-7 || got.WhyNot != "" {
		t.Fatalf("limits %+v", l)
	}
	last := got.Closings[12]
	if last.Within || last.DifferenceMM != 0.00031 || !slices.Contains(last.Signals, "beyond_limits") || len(got.Closings[11].Signals) != 0 || !last.Started.After(got.Closings[11].Started) {
		t.Errorf("the newest: %+v", last)
	}
	if len(got.Signals) == 0 || got.Signals[0] != "The newest closing difference, +0.31 µm, lies above the upper control limit of +0.20 µm." {
		t.Errorf("signals %q", got.Signals)
	}

	// A small shift downwards after 25 usual ones: the slow charts say it.
	var shifted []float64
	for i := range 40 {
		v := 0.04 * float64(i%2)
		if i >= 25 {
			v -= 0.05
		}
		shifted = append(shifted, v)
	}
	b.inventHistory(shifted...)
	got = want[wireClosingHistory](b, 200, "GET", path, nil)
	last = got.Closings[39]
	if got.Limits.Baseline != 25 || !slices.Equal(last.Signals, []string{"ewma", "cusum"}) || len(got.Signals) != 2 ||
		!strings.HasPrefix(got.Signals[0], "The closing differences have moved downwards: their moving average (EWMA) is \u22120.0") ||
		got.Signals[1] != "Small differences downwards have added up: the cumulative sum (CUSUM) is beyond its limit." {
		t.Errorf("%q, %+v", got.Signals, last)
	}
	since := fakeDay.AddDate(0, 0, -11).Format(time.RFC3339)
	if got := want[wireClosingHistory](b, 200, "GET", path+"&since="+since, nil); len(got.Closings) != 12 || got.Limits == nil || len(got.Signals) != 0 {
		t.Errorf("since the shift: %d closings, %q", len(got.Closings), got.Signals)
	}

	b.problem(404, "GET", "/api/v1/stations/bench-1/closings?master=none", nil)
	b.problem(404, "GET", "/api/v1/stations/none/closings?master=m30", nil)
	b.problem(422, "GET", "/api/v1/stations/bench-1/closings?master=w32", nil)
	b.problem(422, "GET", "/api/v1/stations/bench-1/closings", nil)
	b.broken = errors.New("disk on fire")
	b.problem(500, "GET", path, nil)
}
