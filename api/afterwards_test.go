package api

import (
	"context"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"ringsaddle/calibrate"
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
	r.Positions[1].FloorApplied = true
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
	b.results["set-1"] = budgetResult("set-1")
	b.mu.Unlock()
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
	}
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
