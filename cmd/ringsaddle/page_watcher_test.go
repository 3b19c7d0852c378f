package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

var shotsFlag = flag.String("shots", "", "folder into which the page tests put pictures of the page")

// pagePatience is how long a test waits for something to be seen; only a broken
// page takes that.
const pagePatience = 3 * time.Minute

// watcher is a browser page that a test looks at and, where it says so, presses.
type watcher struct {
	t   testing.TB
	ctx context.Context
}

// newWatcher starts a browser with an empty page. What a person sees and presses
// from the first page on is noted in it (see moments and presses).
func newWatcher(t testing.TB) *watcher {
	t.Helper()
	w := newPage(t)
	w.before(notesScript)
	return w
}

// newPage starts a browser with an empty page in which nothing is noted.
func newPage(t testing.TB) *watcher {
	t.Helper()
	path := need(t, "chromium", "chromium")
	alloc, cancel := chromedp.NewExecAllocator(context.Background(), append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path))...)
	t.Cleanup(cancel)
	ctx, cancel := chromedp.NewContext(alloc)
	t.Cleanup(cancel)
	if err := chromedp.Do(ctx); err != nil { // the browser lives as long as its context
		t.Fatalf("start the browser: %v", err)
	}
	return &watcher{t: t, ctx: ctx}
}

// another opens one more page in the same browser.
func (w *watcher) another() *watcher {
	w.t.Helper()
	ctx, cancel := chromedp.NewContext(w.ctx)
	w.t.Cleanup(cancel)
	if err := chromedp.Do(ctx); err != nil {
		w.t.Fatalf("open one more page: %v", err)
	}
	return &watcher{t: w.t, ctx: ctx}
}

// before lets a script run in every page before the page's own.
func (w *watcher) before(script string) {
	w.t.Helper()
	err := chromedp.Do(w.ctx, chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
		_, err := chromedp.Call(w.ctx, cdppage.AddScriptToEvaluateOnNewDocument, cdppage.AddScriptToEvaluateOnNewDocumentParams{Source: script})
		return err
	}))
	if err != nil {
		w.t.Fatal(err)
	}
}

func (w *watcher) open(url string, width, height int64) {
	w.t.Helper()
	ctx, cancel := context.WithTimeout(w.ctx, pagePatience)
	defer cancel()
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, height), chromedp.Navigate(url)); err != nil {
		w.t.Fatal(err)
	}
}

// see waits until the page shows something.
func (w *watcher) see(what, expression string) {
	w.t.Helper()
	ctx, cancel := context.WithTimeout(w.ctx, pagePatience)
	defer cancel()
	_, err := chromedp.Run(ctx, chromedp.Poll[bool]("Boolean("+expression+")", chromedp.WithPollingInterval(25*time.Millisecond), chromedp.WithPollingTimeout(0)))
	if err != nil {
		w.picture("not-seen")
		w.t.Fatalf("the page does not show %s: %v\n%s", what, err, w.text("body"))
	}
}

// seeText waits until an element of the selector can be seen and has the text.
func (w *watcher) seeText(selector, text string) {
	w.t.Helper()
	w.see(fmt.Sprintf("%q in %s", text, selector), fmt.Sprintf("[...document.querySelectorAll(%q)].some((e) => e.checkVisibility() && e.innerText.replaceAll('\u00a0', ' ').includes(%q))", selector, text))
}

// text is what a person reads in an element now; empty if there is none.
func (w *watcher) text(selector string) string {
	text, err := evalPage[string](w, fmt.Sprintf("(() => { const e = document.querySelector(%q); return e?.checkVisibility() ? e.innerText.replaceAll('\u00a0', ' ').trim() : ''; })()", selector))
	if err != nil {
		return ""
	}
	return text
}

func evalPage[T any](w *watcher, expression string) (T, error) {
	ctx, cancel := context.WithTimeout(w.ctx, pagePatience)
	defer cancel()
	return chromedp.Run(ctx, chromedp.Evaluate[T](expression))
}

// drawn waits until the page has been drawn once more; a page that cannot be drawn
// (it is being loaded, or hidden) is not waited for long.
func (w *watcher) drawn() {
	ctx, cancel := context.WithTimeout(w.ctx, 2*time.Second)
	defer cancel()
	_, _ = chromedp.Run(ctx, chromedp.Evaluate[bool]("new Promise((done) => requestAnimationFrame(() => setTimeout(() => done(true))))", chromedp.EvalAwaitPromise))
}

// press presses the button with the text, as a person does: where it stands still.
func (w *watcher) press(text string) {
	w.t.Helper()
	find := fmt.Sprintf("[...document.querySelectorAll('button, summary')].find((b) => b.checkVisibility() && b.innerText.trim() === %q)", text)
	w.see("the button "+text, find)
	middle := "(() => { const b = " + find + "; if (!b) return [0, 0]; b.scrollIntoView({block: 'nearest'}); const r = b.getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; })()"
	var at []float64
	for range 100 {
		next, err := evalPage[[]float64](w, middle)
		if err != nil {
			w.t.Fatal(err)
		}
		if len(at) == 2 && next[0] > 0 && next[0] == at[0] && next[1] == at[1] {
			break
		}
		at = next
		time.Sleep(50 * time.Millisecond)
	}
	if err := chromedp.Do(w.ctx, chromedp.MouseClickXY(at[0], at[1])); err != nil {
		w.t.Fatal(err)
	}
}

// fill types into the field with the label, or chooses the option that has the text.
func (w *watcher) fill(label, text string) {
	w.t.Helper()
	find := fmt.Sprintf("[...document.querySelectorAll('label')].find((l) => l.checkVisibility() && l.innerText.trim() === %q)?.control", label)
	w.see("the field "+label, find)
	quoted, _ := json.Marshal(text)
	_, err := evalPage[bool](w, fmt.Sprintf(`(() => { const c = %s;
		if (c.tagName === 'SELECT') c.value = [...c.options].find((o) => o.text.includes(%s)).value; else c.value = %s;
		c.dispatchEvent(new Event('input', {bubbles: true})); c.dispatchEvent(new Event('change', {bubbles: true})); return true; })()`, find, quoted, quoted))
	if err != nil {
		w.t.Fatalf("field %s: %v", label, err)
	}
}

func (w *watcher) picture(name string) {
	w.t.Helper()
	if *shotsFlag == "" {
		return
	}
	png, err := chromedp.Run(w.ctx, chromedp.CaptureScreenshot())
	if err != nil {
		w.t.Fatal(err)
	}
	if err := os.MkdirAll(*shotsFlag, 0o755); err != nil {
		w.t.Fatal(err)
	}
	name = strings.ReplaceAll(w.t.Name(), "/", "-") + "-" + name
	if err := os.WriteFile(filepath.Join(*shotsFlag, name+".png"), png, 0o600); err != nil {
		w.t.Fatal(err)
	}
}

// moment is what a person reads on the page between two changes.
type moment struct {
	Title   string `json:"title"`
	Detail  string `json:"detail"`
	Tone    string `json:"tone"`
	Ident   string `json:"ident"`
	Contact string `json:"contact"`
	Missing string `json:"missing"`
	Points  string `json:"points"`
	Asks    string `json:"asks"`
	Link    string `json:"link"`
	Ladder  string `json:"ladder"`
	Result  string `json:"result"`
}

// moments are what was to be read on the page, in order of time, since it was
// opened.
func (w *watcher) moments() []moment {
	w.t.Helper()
	list, err := evalPage[[]moment](w, "window.notes.moments")
	if err != nil {
		w.t.Fatal(err)
	}
	return list
}

// presses are the buttons and keys that a person pressed since the page was opened.
func (w *watcher) presses() []string {
	w.t.Helper()
	list, err := evalPage[[]string](w, "window.notes.presses")
	if err != nil {
		w.t.Fatal(err)
	}
	return list
}

// notesScript notes what is to be read on the page whenever it changes, so that a
// test misses nothing between two looks, and every press of a person.
const notesScript = `(() => {
	const notes = window.notes = { moments: [], presses: [] };
	for (const kind of ['pointerdown', 'keydown', 'wheel', 'touchstart']) {
		addEventListener(kind, (e) => {
			if (e.isTrusted) notes.presses.push(kind === 'keydown' ? 'key ' + e.key : e.target.closest?.('button, summary, a, label')?.innerText.trim() ?? e.target.tagName);
		}, { capture: true, passive: true });
	}
	const text = (selector) => {
		const e = document.querySelector(selector);
		return e?.checkVisibility() ? e.innerText.replaceAll('\u00a0', ' ').replace(/\s+/g, ' ').trim() : '';
	};
	let last = '';
	const look = () => {
		if (!document.body) return;
		const m = {
			title: text('#now-title'), detail: text('#now-detail'), tone: document.querySelector('#now')?.dataset.tone ?? '', ident: text('#now-ident strong'),
			contact: text('#contact-word'), missing: text('#missing'), points: text('#points'), asks: text('#asks'), link: text('#link'),
			ladder: text('#ladder'), result: text('#result'),
		};
		const key = JSON.stringify(m);
		if (key === last || notes.moments.length >= 20000) return;
		last = key;
		notes.moments.push(m);
	};
	new MutationObserver(look).observe(document, { subtree: true, childList: true, characterData: true, attributes: true });
})()`
