package api

import (
	"context"
	"fmt"
	"testing"

	"github.com/chromedp/chromedp"

	"ringsaddle/calibrate"
)

// press sends a key as a pedal does.
func (p *tab) press(key string) {
	p.t.Helper()
	eval[bool](p, fmt.Sprintf("(document.activeElement ?? document.body).dispatchEvent(new KeyboardEvent('keydown', { key: %q, bubbles: true, cancelable: true })) || true", key))
}

// scan types as a code reader does: everything at once, with Enter behind.
func (p *tab) scan(code string) {
	p.t.Helper()
	eval[bool](p, fmt.Sprintf("[...%q, 'Enter'].forEach((key) => (document.activeElement ?? document.body).dispatchEvent(new KeyboardEvent('keydown', { key, bubbles: true, cancelable: true }))) ?? true", code))
}

// newest is the state of the newest set.
func (b *bench) newest() calibrate.State {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.sets[b.order[len(b.order)-1]].state
}

// A set is worked with a reader and a pedal alone; keys pressed in a field mean
// what they mean there.
func pageByPedal(t *testing.T, browser context.Context) {
	b := newBench(t)
	base, _ := serveOn(t, b, "127.0.0.1:0")
	startSet(b)
	p := newTab(t, browser, 1280, 800)
	p.do(chromedp.Navigate(base))
	eval[bool](p, "localStorage.clear() ?? true")
	p.do(chromedp.Reload())
	p.waitText("#asks button", "Yes, it says M-30-07")

	// The person picks the keys. One that works the page, or is taken, is refused.
	p.click("Settings")
	pick := func(label, key, says string) {
		t.Helper()
		p.wait("document.querySelector('dialog').open")
		eval[bool](p, fmt.Sprintf("(() => { const b = document.querySelector('[aria-label=\"Pick the key for %s\"]'); b.focus(); b.click(); return true; })()", label))
		p.press(key)
		p.waitText(".keyrow", says)
	}
	pick("Next", "Tab", "Tab works the page")
	pick("Next", "PageDown", "PageDown")
	pick("Same again", "PageDown", "PageDown is taken by Next")
	pick("Same again", "b", "B")
	pick("Reject last", "F9", "F9")
	pick("Relabel last", "F10", "F10")
	p.shoot("settings")
	p.sound()
	p.click("Keep")
	p.wait("!document.querySelector('dialog').open")
	if got := eval[string](p, "localStorage['ringsaddle.keys.bench-1']"); got != `{"next":"PageDown","again":"b","reject":"F9","relabel":"F10"}` {
		t.Errorf("remembered %s", got)
	}

	// The reader: the wrong ring is refused, the right one is the confirmation, and
	// its Enter presses no button. A hand that types is no reader.
	p.scan("W-32-118")
	p.waitText("#cue", "The code says W-32-118, wanted is M-30-07")
	eval[bool](p, "document.querySelector('#asks button').focus() ?? true")
	for _, key := range []string{"M", "-", "3", "0"} {
		p.press(key)
		p.do(chromedp.Evaluate[chromedp.Void]("0"))
		eval[float64](p, "(() => { const t = performance.now(); while (performance.now() - t < 70); return t; })()")
	}
	set := b.newest()
	if w := waitsFor(&set); w != waitConfirm {
		t.Fatalf("typed by hand, the set waits for %s", w)
	}
	p.scan("m-30-07")
	p.waitText("#now-title", "Bring master ring M-30-07")

	// Keys in a field are text.
	p.click("Pause")
	p.wait("document.activeElement.tagName === 'INPUT'")
	p.press("PageDown")
	p.do(chromedp.KeyEvent("b"))
	p.wait("document.activeElement.value === 'b'")
	p.click("Leave it")
	if n := len(b.newest().Extra); n != 0 {
		t.Fatalf("a key in a field asked for %d entries", n)
	}

	// Same again, next; then the last capture is relabelled and rejected.
	p.press("b")
	p.waitText("#cue", "One more entry here")
	b.capture(t, 0.5, nil)
	b.capture(t, 0.52, nil)
	// Keys act on the set as the panel shows it, a moment after the sentence.
	p.waitText("#now-title", "Read the ident: is this work ring W-32-118?")
	p.waitText("#set-status", "waits for a ring to be confirmed")
	p.press("PageDown")
	p.waitText("#now-title", "Bring work ring W-32-118")
	p.waitText("#set-status", "running")
	p.press("PageDown")
	p.waitText("#cue", "Next: ")
	p.waitText("#now-detail", "height 10.5 mm, direction 90°")
	b.capture(t, 2001.25, nil)
	p.waitText("#ladder", "1 of 1")
	p.press("F10")
	p.waitText("dialog", "This capture belongs elsewhere")
	eval[bool](p, "(() => { const s = document.querySelector('dialog select'); for (let i = 0; i < 9 && !s.selectedOptions[0].text.includes('5 mm'); i++) document.activeElement.dispatchEvent(new KeyboardEvent('keydown', { key: 'F10', bubbles: true })); return true; })()")
	p.press("PageDown")
	p.wait("!document.querySelector('dialog').open")
	p.press("F9")
	p.waitText("dialog", "Reject this capture")
	p.press("F9")
	p.wait("document.querySelector('dialog input').value === 'Ring moved'")
	p.press("PageDown")
	p.wait("!document.querySelector('dialog').open")
	set = b.newest()
	last := set.Captures[len(set.Captures)-1]
	if len(last.Relabels) != 1 || set.Plan.Steps[last.Relabels[0].To].Direction != 0 {
		t.Errorf("relabels %+v", last.Relabels)
	}
	if !last.Rejected || last.RejectReason != "Ring moved" || last.RejectedBy != "A. Example" {
		t.Errorf("rejected %v by %q: %q", last.Rejected, last.RejectedBy, last.RejectReason)
	}

	// In the ladder: go to any step, one more at any.
	p.wait("(document.querySelectorAll('#ladder details').forEach((d) => { d.open = true; }), true)")
	p.click("Go here next")
	p.waitText("dialog", "Go to this step next")
	p.do(chromedp.KeyEvent("Order changed\r"))
	p.wait("!document.querySelector('dialog').open")
	if to := b.newest().MovedTo; to != 0 {
		t.Errorf("moved to %d, want the opening reference", to)
	}
	p.sound()
}
