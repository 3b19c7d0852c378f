package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/chromedp/chromedp"
)

// checkerSum is the digest of the accessibility checker that testdata states.
const checkerSum = "29348999450cdf2849a8e70b7912fc2da85a849da39c0d0d5394f51d4a9ed95c"

// checker is the accessibility checker's script.
var checker = sync.OnceValues(func() (string, error) {
	text, err := os.ReadFile(filepath.Join("..", "testdata", "accessibility", "axe.min.js"))
	if err != nil {
		return "", err
	}
	if sum := sha256.Sum256(text); hex.EncodeToString(sum[:]) != checkerSum {
		return "", fmt.Errorf("testdata/accessibility/axe.min.js is not the file that its README names: sha256 %x", sum)
	}
	return string(text), nil
})

// finding is what the checker has against the page.
type finding struct {
	Rule   string   `json:"rule"`
	Impact string   `json:"impact"`
	Help   string   `json:"help"`
	Nodes  []string `json:"nodes"`
}

// accessible lets the checker look at the page as it is now. Serious and critical
// findings are faults; lesser ones are told.
func (p *tab) accessible() {
	p.t.Helper()
	for _, f := range p.findings() {
		say := p.t.Logf
		if f.Impact == "serious" || f.Impact == "critical" {
			say = p.t.Errorf
		}
		say("accessibility, %s: %s (%s)\n\t%s", f.Impact, f.Help, f.Rule, strings.Join(f.Nodes, "\n\t"))
	}
}

func (p *tab) findings() []finding {
	p.t.Helper()
	script, err := checker()
	if err != nil {
		p.t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	if !eval[bool](p, "Boolean(window.axe)") {
		eval[bool](p, script+"\n;true")
	}
	found, err := chromedp.Run(ctx, chromedp.Evaluate[[]finding](findingsScript, chromedp.EvalAwaitPromise))
	if err != nil {
		p.t.Fatalf("the accessibility checker: %v", err)
	}
	return found
}

// findingsScript looks at the page as it is, and at its colours in the other light.
// Colours are judged when they have come to rest, not in the flash of a new step.
const findingsScript = `(async () => {
	const look = async (rules) => {
		for (const a of document.getAnimations()) try { a.finish(); } catch { a.cancel(); }
		const r = await axe.run(document, { resultTypes: ['violations'], runOnly: rules });
		return r.violations.map((v) => ({ rule: v.id, impact: v.impact, help: v.help,
			nodes: v.nodes.slice(0, 5).map((n) => n.target.join(' ') + ': ' + n.failureSummary.replace(/\s+/g, ' ')) }));
	};
	const found = await look(['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']);
	const root = document.documentElement, light = root.dataset.light;
	if (!light) return found;
	root.dataset.light = light === 'dim' ? 'bright' : 'dim';
	const other = await look({ type: 'rule', values: ['color-contrast'] });
	root.dataset.light = light;
	return found.concat(other.map((f) => ({ ...f, help: f.help + ' (in the other light)' })));
})()`

// The checker must be able to find something: a page with an unnamed button, a
// picture without words and grey letters on grey has three serious faults.
func pageCheckerFinds(t *testing.T, browser context.Context) {
	p := newTab(t, browser, 400, 300)
	p.do(chromedp.Navigate("data:text/html,<html lang=en><title>x</title><main><h1>x</h1><button></button><img src=x><p style='color:%23999;background:%23aaa'>grey</p></main>"))
	var rules []string
	for _, f := range p.findings() {
		if f.Impact == "serious" || f.Impact == "critical" {
			rules = append(rules, f.Rule)
		}
	}
	if got := strings.Join(rules, " "); got != "button-name color-contrast image-alt" {
		t.Errorf("the checker finds %q", got)
	}
}

// Dialogs are looked at too: each is opened, judged and left.
func pageDialogsAccessible(t *testing.T, browser context.Context) {
	b := newBench(t)
	base, _ := serveOn(t, b, "127.0.0.1:0")
	p := newTab(t, browser, 1280, 800)
	p.do(chromedp.Navigate(base))
	look := func(path ...string) {
		t.Helper()
		for _, press := range path {
			p.click(press)
		}
		p.wait("document.querySelector('dialog').open")
		p.shoot("dialog-" + path[len(path)-1])
		p.sound()
		p.click("Leave it")
		p.wait("!document.querySelector('dialog').open")
	}
	look("Register a ring")
	startSet(b)
	p.waitText("#asks button", "Yes, it says M-30-07")
	p.click("Yes, it says M-30-07")
	p.waitText("#now-title", "Bring master ring M-30-07")
	b.capture(t, 0.5, nil)
	p.waitText("#actions", "Reject last")
	look("Pause")
	look("Same again")
	look("Reject last")
	p.click("More")
	look("Temperatures")
	look("Take by hand")
	look("Abort")
}
