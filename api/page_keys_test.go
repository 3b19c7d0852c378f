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
	p.waitText("#now-title", "Read the ident: is this work ring W-32-118?")
	p.press("PageDown")
	p.waitText("#now-title", "Bring work ring W-32-118")
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

// holdScript lets a test hold back what the page asks of a set: the panel stays
// behind the sentence, which comes by the event stream.
const holdScript = `(() => {
	const real = window.fetch, held = [];
	let holding = false;
	window.fetch = async (url, options) => {
		if (holding && options.method === 'GET' && url.includes('/sets/')) await new Promise((go) => held.push(go));
		return real(url, options);
	};
	window.holdSets = () => holding = true;
	window.releaseSets = () => { holding = false; held.splice(0).forEach((go) => go()); return true; };
	return true;
})()`

// A press is decided on the sentence, which the panel follows after a moment. Within
// that moment a key, or a code reader, does what the sentence asks for, once; and
// nothing if the set has gone on meanwhile.
func pageKeysFollowTheSentence(t *testing.T, browser context.Context) {
	b := newBench(t)
	base, _ := serveOn(t, b, "127.0.0.1:0")
	p := newTab(t, browser, 1280, 800)
	p.do(chromedp.Navigate(base))
	eval[bool](p, `(localStorage.clear(), localStorage['ringsaddle.keys.bench-1'] = '{"next":"PageDown","again":"F8","reject":"F9"}', true)`)
	p.do(chromedp.Reload())
	p.waitText("#now-title", "No set is running.")
	eval[bool](p, holdScript)
	eval[bool](p, "(() => { const tell = ringsaddle.cues.tell; window.told = []; ringsaddle.cues.tell = function (name, text) { told.push(text); return tell.call(this, name, text); }; return true; })()")
	// behind checks that the panel is a sentence behind.
	behind := func(waits string) {
		t.Helper()
		if got := eval[string](p, "ringsaddle.set?.waits ?? 'no set'"); got != waits {
			t.Fatalf("the panel is at %q; held back it should be at %q", got, waits)
		}
	}
	unwanted := func() (list []string) {
		b.mu.Lock()
		defer b.mu.Unlock()
		for _, e := range b.journal {
			if e.Kind == string(calibrate.MovedTo) || e.Kind == string(calibrate.SameAgain) || e.Kind == string(calibrate.Rejected) {
				list = append(list, e.Kind)
			}
		}
		return list
	}

	// The reader reads the ident that the sentence asks for.
	eval[bool](p, "holdSets()")
	positions := []any{}
	for h := 1; h <= 7; h++ {
		positions = append(positions, map[string]any{"height_mm": h, "direction_deg": 0})
	}
	want[wireSet](b, 201, "POST", "/api/v1/sets", order(func(o map[string]any) {
		o["works"] = []any{map[string]any{"ring_id": "w32", "positions": positions}}
	}))
	p.waitText("#now-title", "Read the ident: is this master ring M-30-07?")
	behind("no set")
	p.scan("M-30-07")
	eval[bool](p, "releaseSets()")
	p.waitText("#now-title", "Bring master ring M-30-07")
	p.wait("ringsaddle.set?.waits === 'capture' && !ringsaddle.pressed")

	// Pressed twice at a new sentence, the ring is confirmed, once.
	eval[bool](p, "holdSets()")
	b.capture(t, 0.5, nil)
	p.waitText("#now-title", "Read the ident: is this work ring W-32-118?")
	behind("capture")
	p.press("PageDown")
	p.press("PageDown")
	eval[bool](p, "releaseSets()")
	p.waitText("#now-title", "Bring work ring W-32-118")
	p.wait("ringsaddle.set.waits === 'capture' && !ringsaddle.pressed")
	if set := b.newest(); set.Step != 1 || set.ConfirmRing != "" || len(unwanted()) != 0 {
		t.Errorf("the set is at step %d, asks for ring %q, %q; the ring should be confirmed and nothing else", set.Step, set.ConfirmRing, unwanted())
	}

	// The set goes on between the press and its effect: the person looks again.
	for i, key := range []string{"PageDown", "F8"} {
		eval[bool](p, "holdSets()")
		b.capture(t, 2001.7, nil)
		p.waitText("#now-detail", fmt.Sprintf("height %d mm, direction 0°", 2*i+2))
		behind("capture")
		p.press(key)
		b.capture(t, 2001.7, nil)
		eval[bool](p, "releaseSets()")
		p.wait(fmt.Sprintf("told.filter((text) => text === 'It has just changed: look, then press again').length === %d", i+1))
		p.wait(fmt.Sprintf("!ringsaddle.pressed && ringsaddle.set.step === %d", 2*i+3))
	}
	if len(unwanted()) != 0 || b.newest().Step != 5 {
		t.Errorf("%q, step %d; a press that came too late should do nothing", unwanted(), b.newest().Step)
	}
	p.waitText("#cue", "It has just changed: look, then press again")

	// "Reject last" opens the list on the newest capture, and names it.
	eval[bool](p, "holdSets()")
	b.capture(t, 2001.9, nil)
	p.waitText("#now-detail", "height 6 mm, direction 0°")
	p.press("F9")
	eval[bool](p, "releaseSets()")
	p.waitText("dialog", "height 5 mm, direction 0°, 2.00190 mm")
	p.sound()
}
