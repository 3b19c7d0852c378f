package api

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"pgregory.net/rapid"

	"ringsaddle/acquire"
	"ringsaddle/calibrate"
	"ringsaddle/detect"
)

// budgetResult is an invented result of two positions with everything that a result
// can have. Shares are the squares of the contributions over their sum.
func budgetResult(id string) Result {
	r := fakeResult(id)
	nine := 9.4
	terms := []ResultTerm{
		{ID: "master", Symbol: "D_M", Name: "master diameter, certificate", Value: 30.00042, U: 0.0001, Sensitivity: 1, ContributionMM: 0.0001, Kind: "B", Distribution: "normal", Share: 0.8},
		{ID: "reading", Symbol: "s·Δr", Name: "difference of readings (detector)", Value: 2.00075, U: 0.00004, Sensitivity: 1, ContributionMM: 0.00004, DoF: &nine, Kind: "A", Distribution: "t (9)", Share: 0.128},
		{ID: "expansion", Symbol: "δ_α", Name: "coefficients of expansion", Value: 0.0000012, U: 0.00003, Sensitivity: 1, ContributionMM: 0.00003, Kind: "B", Distribution: "several", Share: 0.072},
		{ID: "compression", Symbol: "δ_C", Name: "elastic compression, master less work", U: 0.0000004, Sensitivity: 1, ContributionMM: 0.0000004, Kind: "B", Distribution: "normal", Share: 0.0000128},
		{ID: "form", Symbol: "δ_F", Name: "form of the rings", Sensitivity: 1, Kind: "B", Distribution: "normal"},
	}
	for i := range r.Positions {
		p := &r.Positions[i]
		p.Terms = slices.Clone(terms)
		slices.Reverse(p.Terms)
		p.Verdict = &calibrate.Verdict{
			Outcome: calibrate.OutsideNotProven, Rule: calibrate.GuardBand, LowerMM: 31.999, UpperMM: 32.001,
			LowerAcceptanceMM: 31.99921, UpperAcceptanceMM: 32.00079, Conformance: 0.06, Risk: 0.06,
		}
		p.Decision = p.Verdict.Sentence(p.DiameterMM)
	}
	dof := 41.0
	estimate := func(v, u float64) calibrate.Estimate {
		return calibrate.Estimate{ValueMM: v, UMM: u, Dof: &dof, CoverageFactor: 2.02, ExpandedMM: 2.02 * u}
	}
	taper, oor := estimate(0.00006, 0.00005), estimate(0.00006, 0.00004)
	r.Rings = []RingResult{{
		RingID: "w32", Ident: "W-32-118", NominalMM: 32, Mean: estimate(32.0012012, 0.000104), FormMM: 0.00003,
		Taper: &taper, OutOfRoundness: &oor, Decision: "least favourable position: " + r.Positions[1].Decision,
	}}
	r.Positions[0].CaptureIDs, r.Positions[1].CaptureIDs, r.Positions[1].FloorApplied = []string{"cap-3"}, []string{"cap-4"}, true
	return r
}

// closedSet measures the two positions of order and closes the set.
func closedSet(t *testing.T, b *bench) {
	t.Helper()
	startSet(b)
	for _, ring := range []string{"m30", "w32"} {
		want[wireSet](b, 200, "POST", "/api/v1/sets/set-1/confirm-ring", map[string]any{"by": "A", "ring_id": ring})
		if ring == "m30" {
			b.capture(t, 0.5, nil)
		}
	}
	for _, um := range []float64{2001.25, 2001.3, 0.58} {
		b.capture(t, um, nil)
	}
	want[wireSet](b, 200, "POST", "/api/v1/sets/set-1/close", map[string]any{"by": "A"})
	b.mu.Lock()
	defer b.mu.Unlock()
	b.results["set-1"] = budgetResult("set-1")
	for _, c := range b.sets["set-1"].details {
		b.traces[c.Fact.ID] = contactTrace(c)
		if c.Fact.ID == "cap-3" { // the hand turned back 13 s and 20 s into the contact
			at := func(s int64) int64 { return clockOf(c.Fact, c.StartNS) + s*int64(time.Second) }
			b.turns[c.Fact.ID] = []CaptureTurnBack{
				{Adjustment: detect.Tilt, Sense: detect.Minimum, At: at(13), Value: c.Fact.Reading},
				{Adjustment: detect.Cross, Sense: detect.Maximum, At: at(20), Value: c.Fact.Reading - 9_000_000},
			}
		}
	}
}

// contactTrace is a hundred readings a second that fit the turning points of a fake
// capture: half a second before the contact, tilt to and fro, cross to and fro.
func contactTrace(c Capture) []acquire.Reading {
	var out []acquire.Reading
	sec := func(wallNS int64) float64 { return float64(wallNS-c.Fact.WallNS) / 1e9 }
	tilt, cross := sec(c.Points[0].WallNS), sec(c.Points[1].WallNS)
	um := func(l calibrate.Length) float64 { return float64(l) / 1e6 }
	for i := range 3100 {
		t := sec(c.StartNS) - 0.5 + float64(i)/100
		y := um(c.Points[0].Value) + 20*math.Pow(math.Sin((t-tilt)/2), 2)
		switch {
		case t < sec(c.StartNS):
			y += 3000 * (sec(c.StartNS) - t)
		case t > (tilt+cross)/2:
			y = um(c.Points[1].Value) - 27*math.Pow(math.Sin((t-cross)/2), 2)
		}
		wobble := 4*math.Sin(float64(i)*1.7) + 3*math.Sin(float64(i)*0.37)
		out = append(out, acquire.Reading{Seq: uint64(i + 1), At: c.Fact.At + int64(math.Round(t*1e9)), X: int64(math.Round(y*100 + wobble))})
	}
	out[2000].Flags = acquire.Gap
	return out
}

func TestEnvelope(t *testing.T) {
	const ms = int64(time.Millisecond)
	at := func(seq uint64, t, x int64, flags acquire.Flags) acquire.Reading {
		return acquire.Reading{Seq: seq, At: 1000*ms + t, X: x, Flags: flags}
	}
	for _, c := range []struct {
		name     string
		max      int
		readings []acquire.Reading
		width    int64
		want     []envelopeColumn
	}{
		{"nothing", 4, nil, 0, nil},
		{"marks alone", 4, []acquire.Reading{at(1, 0, 0, acquire.Silence)}, 0, nil},
		{
			"within a millisecond", 4,
			[]acquire.Reading{at(1, 0, 5, 0), at(2, ms/2, -7, 0), at(3, ms-1, 2, 0), at(4, ms, 9, 0)},
			ms,
			[]envelopeColumn{{n: 0, seq: 3, min: -7, max: 5, last: 2, count: 3}, {n: 1, seq: 4, min: 9, max: 9, last: 9, count: 1}},
		},
		{
			"joined when it would need more", 4,
			[]acquire.Reading{at(1, 0, 1, 0), at(2, ms, 2, 0), at(3, 2*ms, 3, 0), at(4, 3*ms, 4, 0), at(5, 4*ms, 0, 0)},
			2 * ms,
			[]envelopeColumn{{n: 0, seq: 2, min: 1, max: 2, last: 2, count: 2}, {n: 1, seq: 4, min: 3, max: 4, last: 4, count: 2}, {n: 2, seq: 5, count: 1}},
		},
		{
			"a pause leaves columns out", 4,
			[]acquire.Reading{at(1, 0, 1, 0), at(2, 1000*ms, 2, 0)},
			256 * ms,
			[]envelopeColumn{{n: 0, seq: 1, min: 1, max: 1, last: 1, count: 1}, {n: 3, seq: 2, min: 2, max: 2, last: 2, count: 1}},
		},
		{
			"time that runs backwards", 4,
			[]acquire.Reading{at(1, 0, 1, 0), at(2, 2*ms, 2, 0), at(3, ms, 3, 0), at(4, -5*ms, 4, 0)},
			ms,
			[]envelopeColumn{{n: 0, seq: 1, min: 1, max: 1, last: 1, count: 1}, {n: 2, seq: 4, min: 2, max: 4, last: 4, count: 3}},
		},
		{
			"what is missing breaks the line", 4,
			[]acquire.Reading{at(1, 0, 1, 0), at(2, ms, 0, acquire.NotValid), at(3, 2*ms, 3, 0), at(4, 3*ms, 0, acquire.Hint), at(5, 3*ms, 4, 0)},
			ms,
			[]envelopeColumn{{n: 0, seq: 1, min: 1, max: 1, last: 1, count: 1}, {n: 2, seq: 3, min: 3, max: 3, last: 3, count: 1, broken: true}, {n: 3, seq: 5, min: 4, max: 4, last: 4, count: 1}},
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			e := envelope{max: c.max}
			for _, r := range c.readings {
				e.add(r)
			}
			if e.width != c.width || !slices.Equal(e.cols, c.want) {
				t.Errorf("width %v, columns %+v; want %v, %+v", e.width, e.cols, c.width, c.want)
			}
		})
	}
}

// However the readings come, an envelope is bounded, loses none of them and touches
// the smallest and the largest; with even readings it uses at least half its columns.
func TestEnvelopeProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := envelope{max: rapid.IntRange(2, 40).Draw(t, "max")}
		steps := rapid.SliceOfN(rapid.Int64Range(-2e6, 400e6), 1, 300).Draw(t, "steps")
		at, low, high := int64(0), int64(math.MaxInt64), int64(math.MinInt64)
		for i, d := range steps {
			at += d
			x := rapid.Int64Range(-1000, 1000).Draw(t, "x")
			low, high = min(low, x), max(high, x)
			e.add(acquire.Reading{Seq: uint64(i + 1), At: at, X: x})
		}
		if len(e.cols) > e.max {
			t.Fatalf("%d columns, permitted %d", len(e.cols), e.max)
		}
		count, least, most := 0, int64(math.MaxInt64), int64(math.MinInt64)
		for i, c := range e.cols {
			count += c.count
			least, most = min(least, c.min), max(most, c.max)
			if i > 0 && c.n <= e.cols[i-1].n || c.n >= int64(e.max) || c.last < c.min || c.last > c.max {
				t.Fatalf("column %d: %+v", i, c)
			}
		}
		if count != len(steps) || least != low || most != high {
			t.Fatalf("%d of %d readings, %d to %d of %d to %d", count, len(steps), least, most, low, high)
		}
	})
}

func TestCaptureEnvelope(t *testing.T) {
	b := newBench(t)
	closedSet(t, b)
	e := want[wireEnvelope](b, 200, "GET", "/api/v1/captures/cap-3/envelope?columns=500", nil)
	// 31 s in at most 500 columns: 64 ms each.
	if e.ColumnS != 0.064 || len(e.Columns) != 485 || e.Readings != 3100 || e.StepMM != 0.00001 || e.FirstS != -0.5 || e.LastS != 30.49 {
		t.Errorf("%d columns of %v s, %d readings from %v to %v, step %v", len(e.Columns), e.ColumnS, e.Readings, e.FirstS, e.LastS, e.StepMM)
	}
	if *e.ContactFromS != 0 || *e.ContactToS != 30 || len(e.Points) != 2 || e.Points[0].T != 10 || e.Points[1].T != 24 || e.Points[1].ValueMM != 2.00137 || e.Points[0].Sense != "min" {
		t.Errorf("contact %v to %v, points %+v", *e.ContactFromS, *e.ContactToS, e.Points)
	}
	c := want[wireCapture](b, 200, "GET", "/api/v1/captures/cap-3", nil)
	if !e.Origin.Equal(*c.Start) {
		t.Errorf("t_s is 0 at %v, the contact begins at %v", e.Origin, *c.Start)
	}
	broken := 0
	for _, col := range e.Columns {
		if col.Broken {
			broken++
		}
	}
	if broken != 1 {
		t.Errorf("%d broken columns", broken)
	}
	// A window about the tilt minimum: every reading its own column, down to the noise.
	w := want[wireEnvelope](b, 200, "GET", "/api/v1/captures/cap-3/envelope?from_s=9.5&to_s=10.5", nil)
	low := math.Inf(1)
	for _, col := range w.Columns {
		low = min(low, col.Min)
	}
	if len(w.Columns) != 100 || w.ColumnS != 0.001 || w.Columns[0].T != 9.5 || w.Columns[99].N != 1 || w.Readings != 3100 || math.Abs(low-(e.Points[0].ValueMM-0.00007)) > 2e-5 {
		t.Errorf("window: %d columns of %v s from %v, smallest %v", len(w.Columns), w.ColumnS, w.Columns[0].T, low)
	}
	b.problem(422, "GET", "/api/v1/captures/cap-3/envelope?from_s=3&to_s=2", nil)
	b.problem(422, "GET", "/api/v1/captures/cap-3/envelope?columns=2001", nil)
	b.problem(404, "GET", "/api/v1/captures/none/envelope", nil)
	turns := want[wireTurnBacks](b, 200, "GET", "/api/v1/captures/cap-3/turn-backs", nil).TurnBacks
	if len(turns) != 2 || turns[0].T != 13 || turns[1].T != 20 || turns[0].Sense != "min" || turns[1].Adjustment != "cross" || turns[1].ValueMM != 1.99225 {
		t.Errorf("turn-backs %+v", turns)
	}
	b.problem(409, "GET", "/api/v1/captures/cap-4/turn-backs", nil)
	b.problem(404, "GET", "/api/v1/captures/none/turn-backs", nil)
	b.traces["cap-4"] = nil
	if e := want[wireEnvelope](b, 200, "GET", "/api/v1/captures/cap-4/envelope", nil); len(e.Columns) != 0 || e.Readings != 0 || len(e.Points) != 2 {
		t.Errorf("without a trace: %+v", e)
	}
	b.broken = errors.New("disk on fire")
	b.problem(500, "GET", "/api/v1/captures/cap-3/envelope", nil)
}

// An hour of readings, a hundred a second, comes in no more columns than a screen has.
func TestEnvelopeOfAnHourIsBounded(t *testing.T) {
	b := newBench(t)
	closedSet(t, b)
	long := make([]acquire.Reading, 360_000)
	for i := range long {
		long[i] = acquire.Reading{Seq: uint64(i + 1), At: int64(i) * 10_000_000, X: int64(i % 1000)}
	}
	long[123_456].X = -4711
	b.traces["cap-3"] = long
	rec := b.do("GET", "/api/v1/captures/cap-3/envelope?columns=2000", nil)
	var e wireEnvelope
	if err := json.Unmarshal(rec.Body.Bytes(), &e); err != nil {
		t.Fatal(err)
	}
	low := 0.0
	for _, c := range e.Columns {
		low = min(low, c.Min)
	}
	if n := len(e.Columns); n > 2000 || n < 1000 || e.Readings != 360_000 || low != -0.04711 {
		t.Errorf("%d columns for %d readings, smallest %v", n, e.Readings, low)
	}
	if rec.Body.Len() > 400_000 {
		t.Errorf("%d bytes for a page", rec.Body.Len())
	}
}

func TestResultHasItsBudget(t *testing.T) {
	b := newBench(t)
	closedSet(t, b)
	r := want[wireResult](b, 200, "GET", "/api/v1/sets/set-1/result", nil)
	p := r.Positions[0]
	var share, variance float64
	for _, term := range p.Terms {
		share += term.Share
		variance += term.ContributionMM * term.ContributionMM
	}
	if len(p.Terms) != 5 || p.Terms[4].Name != "master diameter, certificate" || p.Terms[4].Symbol != "D_M" || p.Terms[4].Kind != "B" || p.Terms[3].DoF == nil || *p.Terms[3].DoF != 9.4 || share < 0.999 || share > 1.001 {
		t.Errorf("terms %+v", p.Terms)
	}
	if v := p.Verdict; v == nil || v.Outcome != "outside_not_proven" || v.UpperAcceptanceMM != 32.00079 || v.Rule != "guard_band" {
		t.Errorf("verdict %+v", v)
	}
	if len(r.Rings) != 1 || r.Rings[0].Mean.ValueMM != 32.0012012 || r.Rings[0].Taper.ValueMM != 0.00006 || *r.Rings[0].OutOfRoundness.DoF != 41 || r.Rings[0].NominalMM != 32 {
		t.Errorf("rings %+v", r.Rings)
	}
	if !r.Positions[1].FloorApplied || p.FloorApplied || !strings.Contains(r.Caution, "not a calibration certificate") {
		t.Errorf("floor or caution: %+v", r)
	}
}

// view is a view of what was measured, and what a person sees in it.
type view struct {
	name, hash string
	sees       map[string]string
	then       func(t *testing.T, b *bench, p *tab)
}

func views() []view {
	return []view{
		{
			name: "result", hash: "#/results/set-1",
			sees: map[string]string{
				".view h2": "Result: W-32-118", ".view .verdict": "✓ Accepted: closing minus opening is +0.08 µm, the limit is 0.20 µm.",
				".view .diameters tbody": "32.00117", ".view .diameters thead": "k", ".view .decision": "? non-conformity not proven: above the upper limit by 0.17 µm",
				".view .whole": "Out-of-roundness over the directions", ".view .budget summary": "most of it master diameter, certificate",
				".view .bars": "80.0 %", ".view .budget tfoot": "U 0.21 µm with k 2.02", ".view .caution": "no accredited certificate",
				".bar-top .step": "Now: ",
			},
			then: func(t *testing.T, _ *bench, p *tab) {
				order := eval[[]string](p, "[...document.querySelectorAll('.view .budget[open] tbody th')].map((e) => e.innerText)")
				if len(order) != 5 || !strings.HasPrefix(order[0], "master diameter") || !strings.HasPrefix(order[2], "coefficients of expansion") || !strings.HasPrefix(order[4], "form") {
					t.Errorf("the terms are not in the order of their shares: %q", order)
				}
				bars := eval[[]float64](p, "[...document.querySelectorAll('.view .budget[open] .fill')].map((e) => e.getBoundingClientRect().width / e.parentElement.clientWidth)")
				if len(bars) != 3 || bars[0] < 0.79 || bars[0] > 0.81 || bars[2] < 0.06 || bars[2] > 0.08 {
					t.Errorf("the bars are not as long as their shares: %v", bars)
				}
				described := eval[string](p, "document.getElementById(document.querySelector('.view .bars').getAttribute('aria-describedby')).tagName + document.querySelector('.view .bars').getAttribute('aria-label').replaceAll('\u00a0', ' ')")
				if described != "TABLEShares of the variance, W-32-118, 5 mm, 0°: master diameter, certificate 80.0 %, difference of readings (detector) 12.8 %, coefficients of expansion 7.2 %" {
					t.Errorf("the chart is described by %q", described)
				}
				if rows := eval[string](p, "document.querySelectorAll('.view .diameters tbody')[1].innerText"); !strings.Contains(rows, "laboratory floor") || !strings.Contains(rows, "41") {
					t.Errorf("row of the second position: %q", rows)
				}
			},
		},
		{
			name: "trace", hash: "#/captures/cap-3",
			sees: map[string]string{
				".view h2": "Trace of Work W-32-118, 5 mm, 0°", ".view .verdict": "Diameter found; it counts. Reading at the saddle 2.00125 mm ± 0.032 µm",
				"#turning-points": "2.00137", ".view .figures": "30.0 s, from", "#trace-scale": "from 0.00 s to 30.00 s", ".traced": "Readings are missing at 1 place",
				".view .links": "Raw trace (CSV)",
			},
			then: func(t *testing.T, _ *bench, p *tab) {
				inInches(t, p)
				p.wait("document.querySelectorAll('.traced svg .point').length === 2 && document.querySelectorAll('.traced svg .turn').length === 2")
				p.waitText(".view .figures", "2 times (hollow diamonds)")
				p.click("Show the tilt minimum")
				p.wait("document.querySelector('#trace-scale').innerText.startsWith('Height 4.0 µm, from 7.00 s to 13.00 s')")
				// The last micrometres fill the height: in the middle of the window the line
				// is low, and both flanks leave the picture at the top.
				p.wait("document.querySelector('.traced svg').textContent.includes('tilt minimum 1.99894 ± 0.030')")
				p.wait("(() => { const e = document.querySelector('.traced .line'), b = e.getBBox(); return b.y < 0 && b.y + b.height > document.querySelector('.traced svg').height.baseVal.value * 0.6; })()")
			},
		},
		{
			name: "trace-fine", hash: "#/captures/cap-3?from=9&to=11&low=1.9985&high=1.9995",
			sees: map[string]string{"#trace-scale": "Height 1.0 µm, from 9.00 s to 11.00 s"},
			then: func(t *testing.T, _ *bench, p *tab) {
				eval[bool](p, "(document.querySelector('.traced .plot').focus(), true)")
				p.do(chromedp.KeyEvent(kb.ArrowUp), chromedp.KeyEvent("+"), chromedp.KeyEvent(kb.ArrowRight))
				p.waitText("#trace-scale", "Height 0.50 µm, from 9.80 s to 10.80 s")
				p.wait("location.hash.includes('from=9.800&to=10.800')")
				p.do(chromedp.KeyEvent(kb.Home))
				p.waitText("#trace-scale", "from 0.00 s to 30.00 s")
				p.click("Cross maximum")
				p.waitText("#trace-scale", "Height 4.0 µm, from 21.00 s to 27.00 s")
				p.wait("document.querySelectorAll('.traced svg .point').length === 1")
				if n := eval[float64](p, "document.querySelector('.traced .line').getAttribute('d').split('L').length"); n > 3*2000+1 {
					t.Errorf("%v pieces of line", n)
				}
			},
		},
		{
			name: "ring", hash: "#/rings/w32",
			sees: map[string]string{
				".view h2": "Earlier calibrations of W-32-118", ".view .said": "10 mm, 90°: 32.00091 mm, +0.38 µm since Nov 25, 2025; ✗ more than the uncertainties of both explain, 0.32 µm.",
				"#calibrations tbody": "✓ within 0.32 µm", "#calibrations tbody tr:last-child": "32.00055", ".view .legend": "10 mm, 90°", ".view .caution": "rather too large",
			},
			then: func(t *testing.T, _ *bench, p *tab) {
				p.wait("document.querySelectorAll('.charted svg .ubar').length === 5")
				// The newest of the first position stands right of and above the oldest.
				got := eval[[]float64](p, `(() => { const d = [...document.querySelectorAll('.charted .plot .dot')].map((e) => e.getBoundingClientRect());
					return [d[0].x - d[4].x, d[4].y - d[0].y, document.querySelectorAll('.charted .plot circle.dot').length, document.querySelectorAll('.charted .plot rect.dot').length]; })()`)
				if got[0] < 100 || got[1] < 5 || got[2] != 3 || got[3] != 2 {
					t.Errorf("the points of the chart: %v", got)
				}
			},
		},
		{name: "ring-new", hash: "#/rings/w33", sees: map[string]string{".view .note": "No result of this ring is stored yet."}},
		{
			name: "closings", hash: "#/closing/bench-1/m30",
			sees: map[string]string{
				".view h2": "Closing differences on M-30-07", ".view .signals": "! The newest closing difference, +0.31 µm, lies above the upper control limit of +0.20 µm.",
				"#closings tbody tr:first-child": "✗ beyond", "#closings tbody": "! beyond the control limits", ".view .caution": "a reason to look",
			},
			then: func(t *testing.T, _ *bench, p *tab) {
				p.wait("document.querySelectorAll('.charted .dot').length === 13 && document.querySelectorAll('.charted .plot path.beyond').length === 1")
				p.wait("document.querySelectorAll('.charted svg').length === 2")
			},
		},
		{
			name: "closings-few", hash: "#/closing/bench-1/m30?since=2026-11-20",
			sees: map[string]string{".view .note": "6 of at least 10 closing differences: too few for control limits.", "#closings thead": "Attempts", ".charted": "limit of the set"},
			then: func(t *testing.T, _ *bench, p *tab) {
				if eval[bool](p, "document.querySelector('.charted').textContent.includes('control limit')") {
					t.Error("limits are drawn from too few")
				}
				p.fill("Only sets since", "2026-11-01")
				p.click("Show")
				p.waitText(".view .signals", "above the upper control limit")
			},
		},
		{
			name: "records", hash: "#/records",
			sees: map[string]string{".view h2": "Records", "#sets tbody": "W-32-118", ".view": "Masters: closing differences"},
			then: func(t *testing.T, _ *bench, p *tab) {
				links := eval[[]string](p, "[...document.querySelectorAll('.view a')].map((a) => a.getAttribute('href'))")
				for _, want := range []string{"#/results/set-1", "#/rings/w32", "#/closing/bench-1/m30"} {
					if !slices.Contains(links, want) {
						t.Errorf("no link to %s in %q", want, links)
					}
				}
			},
		},
	}
}

// inInches looks at the trace of cap-3 in the other unit, chosen beside it.
func inInches(t *testing.T, p *tab) {
	t.Helper()
	choose := func(unit string) {
		p.click("Settings")
		p.fill("Unit of the reading, the trace and the results", unit)
		p.click("Keep")
		p.wait("!document.querySelector('dialog').open")
	}
	choose("Inches")
	p.waitText(".view .verdict", "Reading at the saddle 0.0787894 in ± 1.3 µin") // 2.00125 mm, 0.032 µm
	p.waitText("#turning-points", "Value / in")
	p.waitText("#turning-points", "0.0787941") // 2.00137 mm
	choose("Millimetres")
	p.waitText(".view .verdict", "2.00125 mm ± 0.032 µm")
}

// TestAfterwards looks at every view in a real browser.
func TestAfterwards(t *testing.T) {
	browser := newBrowser(t)
	type screen struct {
		name          string
		width, height int64
		dim           bool
	}
	screens := []screen{{"1280x800", 1280, 800, false}, {"390x844", 390, 844, true}}
	if *shots != "" {
		screens = append(screens, screen{"1280x800-dim", 1280, 800, true}, screen{"820x1180", 820, 1180, false}, screen{"820x1180-dim", 820, 1180, true}, screen{"390x844-bright", 390, 844, false}, screen{"360x740", 360, 740, false})
	}
	b := newBench(t)
	closedSet(t, b)
	b.inventHistory(append(slices.Clone(usual), 0.31)...)
	base, _ := serveOn(t, b, "127.0.0.1:0")
	for _, sc := range screens {
		t.Run(sc.name, func(t *testing.T) {
			p := newTab(t, browser, sc.width, sc.height)
			p.dim(sc.dim)
			for _, v := range views() {
				p.do(chromedp.Navigate(base + "/" + v.hash))
				p.waitState(v.sees, []string{"main"})
				if v.then != nil {
					v.then(t, b, p)
				}
				p.shoot("after-" + sc.name + "-" + v.name)
				p.shootWhole("after-" + sc.name + "-" + v.name + "-whole")
				p.sound()
			}
		})
	}
	t.Run("beside the bench", func(t *testing.T) { viewsLeaveTheBenchAlone(t, browser) })
}

// A view is opened and left by keys while a set runs; the bench goes on behind it.
func viewsLeaveTheBenchAlone(t *testing.T, browser context.Context) {
	b := newBench(t)
	closedSet(t, b)
	base, _ := serveOn(t, b, "127.0.0.1:0")
	running := want[wireSet](b, 201, "POST", "/api/v1/sets", order(nil))
	p := newTab(t, browser, 820, 1180)
	p.do(chromedp.Navigate(base))
	p.waitText("#now-title", "Read the ident: is this master ring M-30-07?")
	eval[bool](p, "(location.hash = '#/results/set-1', true)")
	p.waitState(map[string]string{".view h2": "Result: W-32-118", ".bar-top .step": "Now: Read the ident: is this master ring M-30-07?"}, []string{"main"})
	if got := eval[string](p, "document.activeElement.innerText"); got != "Result: W-32-118" {
		t.Errorf("the focus is on %q", got)
	}
	want[wireSet](b, 200, "POST", "/api/v1/sets/"+running.ID+"/confirm-ring", map[string]any{"by": "A", "ring_id": "m30"})
	p.waitText(".bar-top .step", "Now: Bring master ring M-30-07")
	p.do(chromedp.KeyEvent("\t", chromedp.KeyModifiers(chromedp.ModifierShift)), chromedp.KeyEvent("\r")) // Shift+Tab: the step in hand
	p.waitState(map[string]string{"#now-title": "Bring master ring M-30-07", "#ladder": "Closing M-30-07"}, []string{"#after"})
	p.do(chromedp.NavigateBack())
	p.waitText(".view h2", "Result: W-32-118")
	eval[bool](p, "(location.hash = '#/results/set-9', true)")
	p.waitText(".view .fault", `set "set-9" does not exist`)
}
