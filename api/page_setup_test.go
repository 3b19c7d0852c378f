package api

import (
	"context"
	"fmt"
	"slices"
	"testing"

	"github.com/chromedp/chromedp"

	"ringsaddle/calibrate"
)

// Setting up: a master past its due date needs a reason, the plan has three forms,
// the last choices are there again, and the soak is judged by its stated rule.
func pageSetsUp(t *testing.T, browser context.Context) {
	b := newBench(t)
	base, _ := serveOn(t, b, "127.0.0.1:0")
	p := newTab(t, browser, 1280, 800)
	p.do(chromedp.Navigate(base))
	eval[bool](p, "localStorage.clear() ?? true")
	p.do(chromedp.Reload())

	p.fill("Technician", "A. Example")
	p.fill("Master ring", "M-50-02")
	p.waitText("#order .hint", "due 2026-02-28, past")
	p.fill("Ring", "W-32-118")
	p.fill("Plan", "Own list of positions")
	p.fill("Positions: height / mm and direction / °", "5 0\n10.5 90\n15")
	p.click("Start the set")
	p.waitText("#order .fault", "This master is past its due date: give the reason")
	p.waitText("#order .fault", "line 3 of the list must be a height and a direction, not “15”")
	if n := len(b.order); n != 0 {
		t.Fatalf("%d sets were started", n)
	}
	p.fill("Positions: height / mm and direction / °", "5 0\n10.5 90\n5 180")
	p.fill("Reason for using a master past its due date", "Certificate is on its way")
	p.click("Laid on now")
	p.waitText(".soak", "0 of 60 min")
	p.click("Start the set")
	p.waitText("#set-title", "W-32-118 against M-50-02")
	positions := func() (out []string) {
		plan := b.newest().Plan
		for _, s := range plan.Steps {
			if s.Role == calibrate.Working {
				out = append(out, fmt.Sprintf("%g/%g", s.Height.MM(), float64(s.Direction)/1000))
			}
		}
		return out
	}
	if got, want := positions(), []string{"5/0", "10.5/90", "5/180"}; !slices.Equal(got, want) {
		t.Errorf("own list: %v, want %v", got, want)
	}

	// The next set of this bench begins with the choices of the last.
	abort := func() {
		t.Helper()
		eval[bool](p, "document.querySelector('#actions .more').open = true")
		p.click("Abort")
		p.wait("document.querySelector('dialog').open")
		p.do(chromedp.KeyEvent("Wrong ring\r"))
		p.waitText("#now-title", "The set was aborted.")
		p.click("Start another set")
		p.wait("document.querySelector('#setup').checkVisibility() && document.querySelector('#order select.work')")
	}
	abort()
	got := eval[[]string](p, "['[autocomplete=name]', 'select.plan', 'textarea.list', 'select.work'].map((s) => document.querySelector('#order ' + s).value)")
	if want := []string{"A. Example", "list", "5 0\n10.5 90\n5 180", "w32"}; !slices.Equal(got, want) {
		t.Errorf("remembered %q, want %q", got, want)
	}
	p.fill("Master ring", "M-30-07")
	p.fill("Plan", "One middle diameter, marked direction")
	p.fill("Height of the middle / mm", "8")
	p.click("Start the set")
	p.waitText("#set-title", "W-32-118 against M-30-07")
	if got := positions(); !slices.Equal(got, []string{"8/0"}) {
		t.Errorf("middle: %v", got)
	}
	abort()

	// The rule of the soak: minutes over, and no more than 0.1 K between notes that
	// are 10 minutes apart or more.
	eval[bool](p, "(import('/web/preflight.js').then((m) => { window.soakOf = m.soakOf; }), true)")
	p.wait("window.soakOf")
	for _, c := range []struct {
		soak, says string
		over       bool
	}{
		{`{ wanted: 60, since: 0 }`, "Not started", false},
		{`{ wanted: 60, since: 1 }`, "59 of 60 min; no two temperatures 10 min apart", false},
		{`{ wanted: 59, since: 1 }`, "59 of 59 min; no two temperatures 10 min apart", true},
		{`{ wanted: 5, since: 1, notes: [{ at: 30 * 6e4, master: '20.31', work: '', scale: '20' }, { at: 41 * 6e4, master: '20.21', work: '', scale: '20' }] }`, "✓ 59 of 5 min; steady: 0.10 K in 11 min", true},
		{`{ wanted: 5, since: 1, notes: [{ at: 30 * 6e4, master: '20.32', work: '', scale: '20' }, { at: 41 * 6e4, master: '20.21', work: '', scale: '20' }] }`, "○ 59 of 5 min; not steady: 0.11 K in 11 min", false},
		{`{ wanted: 5, since: 1, notes: [{ at: 35 * 6e4, master: '22', work: '', scale: '' }, { at: 41 * 6e4, master: '20.21', work: '', scale: '' }] }`, "no two temperatures 10 min apart", true},
	} {
		if !eval[bool](p, fmt.Sprintf("soakOf(%s, 59.5 * 6e4 + 1).text.includes(%q)", c.soak, c.says)) || eval[bool](p, fmt.Sprintf("soakOf(%s, 59.5 * 6e4 + 1).over", c.soak)) != c.over {
			t.Errorf("%s: %v, want %q, over %v", c.soak, eval[any](p, fmt.Sprintf("soakOf(%s, 59.5 * 6e4 + 1)", c.soak)), c.says, c.over)
		}
	}
	p.waitText("#setup", "Support heavy rings with both hands")
	p.waitText("#setup", "procedure goes before this rule")
	p.sound()
}
