package api

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

var shots = flag.String("shots", "", "folder into which TestPage puts a picture of every state of the page")

// newBrowser starts a headless Chromium. Without one a developer's test is skipped;
// where CI=true it fails.
func newBrowser(t *testing.T) context.Context {
	t.Helper()
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		if os.Getenv("CI") == "true" {
			t.Fatal("no Chromium found; the page tests must run in CI (Debian: apt-get install chromium)")
		}
		t.Skip("no Chromium found; install one to test the page (Debian: apt-get install chromium)")
	}
	alloc, cancel := chromedp.NewExecAllocator(context.Background(), append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path))...)
	t.Cleanup(cancel)
	ctx, cancel := chromedp.NewContext(alloc)
	t.Cleanup(cancel)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("start %s: %v", path, err)
	}
	return ctx
}

// patience is how long a test waits for the page; only a broken page takes that.
const patience = 40 * time.Second

// tab is a page in the browser.
type tab struct {
	t      *testing.T
	ctx    context.Context
	mu     sync.Mutex
	faults []string // of the console
}

func newTab(t *testing.T, browser context.Context, width, height int64) *tab {
	t.Helper()
	ctx, cancel := chromedp.NewContext(browser)
	t.Cleanup(cancel)
	p := &tab{t: t, ctx: ctx}
	messages := chromedp.Console(ctx)
	go func() {
		for m, err := range messages {
			if err != nil {
				return
			}
			if text := fmt.Sprint(m); strings.Contains(strings.ToLower(text), "error") {
				p.mu.Lock()
				p.faults = append(p.faults, text)
				p.mu.Unlock()
			}
		}
	}()
	p.do(chromedp.EmulateViewport(width, height))
	return p
}

func (p *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		p.t.Fatalf("%v\npage: %s", err, p.seen())
	}
}

// wait waits until the expression is true.
func (p *tab) wait(expression string) {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	if _, err := chromedp.Run(ctx, chromedp.Poll[bool]("Boolean("+expression+")", chromedp.WithPollingInterval(25*time.Millisecond), chromedp.WithPollingTimeout(0))); err != nil {
		p.t.Fatalf("%s never came true: %v\npage: %s", expression, err, p.seen())
	}
}

// waitText waits until a person can see the text in the element.
func (p *tab) waitText(selector, text string) {
	p.t.Helper()
	p.wait(sees(selector, text))
}

// sees is an expression: an element of the selector can be seen and has the text.
func sees(selector, text string) string {
	return fmt.Sprintf("[...document.querySelectorAll(%q)].some((e) => e.checkVisibility() && e.innerText.replaceAll('\u00a0', ' ').includes(%q))", selector, text)
}

// waitState waits until a person sees all of the texts and none of the elements.
func (p *tab) waitState(shown map[string]string, not []string) {
	p.t.Helper()
	var wanted []string
	for selector, text := range shown {
		wanted = append(wanted, sees(selector, text))
	}
	for _, selector := range not {
		wanted = append(wanted, "!"+sees(selector, ""))
	}
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	if _, err := chromedp.Run(ctx, chromedp.Poll[bool]("("+strings.Join(wanted, " && ")+")", chromedp.WithPollingInterval(25*time.Millisecond), chromedp.WithPollingTimeout(0))); err != nil {
		for _, w := range wanted {
			if !eval[bool](p, w) {
				p.t.Errorf("never came true: %s", w)
			}
		}
		p.t.Fatalf("%v\npage: %s", err, p.seen())
	}
}

func eval[T any](p *tab, expression string) T {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		p.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

func (p *tab) seen() string {
	ctx, cancel := context.WithTimeout(p.ctx, 5*time.Second)
	defer cancel()
	text, err := chromedp.Run(ctx, chromedp.Evaluate[string]("document.body.innerText"))
	if err != nil {
		return err.Error()
	}
	return text
}

// click presses the visible button with the text, as a person does.
func (p *tab) click(text string) {
	p.t.Helper()
	find := fmt.Sprintf("[...document.querySelectorAll('button, summary')].find((b) => b.checkVisibility() && b.innerText.trim() === %q)", text)
	p.wait(find)
	// Like a person, it aims at what stands still.
	middle := "(() => { const b = " + find + "; if (!b) return [0, 0]; b.scrollIntoView({block: 'nearest'}); const r = b.getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; })()"
	at := eval[[]float64](p, middle)
	for range 100 {
		time.Sleep(60 * time.Millisecond)
		next := eval[[]float64](p, middle)
		if next[0] > 0 && next[0] == at[0] && next[1] == at[1] {
			break
		}
		at = next
	}
	p.do(chromedp.MouseClickXY(at[0], at[1]))
}

// fill types into the field with the label.
func (p *tab) fill(label, text string) {
	p.t.Helper()
	find := fmt.Sprintf("[...document.querySelectorAll('label')].find((l) => l.checkVisibility() && l.innerText.trim() === %q)?.control", label)
	p.wait(find)
	quoted, _ := json.Marshal(text)
	eval[bool](p, fmt.Sprintf(`(() => { const c = %s;
		if (c.tagName === 'SELECT') c.value = [...c.options].find((o) => o.text.includes(%s)).value; else c.value = %s;
		c.dispatchEvent(new Event('input', {bubbles: true})); c.dispatchEvent(new Event('change', {bubbles: true})); return true; })()`, find, quoted, quoted))
}

// sound checks what holds in every state: nothing on the console, nothing wider
// than the screen, every control named and large enough, no two equal ids, and no
// serious finding of the accessibility checker.
func (p *tab) sound() {
	p.t.Helper()
	p.mu.Lock()
	faults := p.faults
	p.faults = nil
	p.mu.Unlock()
	for _, f := range faults {
		p.t.Errorf("console: %s", f)
	}
	for _, fault := range eval[[]string](p, soundScript+".concat("+contrastScript+")") {
		p.t.Error(fault)
	}
	p.accessible()
}

const soundScript = `(() => {
	const out = [], seen = (e) => e.checkVisibility();
	const over = document.documentElement.scrollWidth - innerWidth;
	if (over > 0) out.push('the page is ' + over + ' px wider than the screen');
	for (const e of document.querySelectorAll('button, input, select, a')) {
		if (seen(e) && !(e.getAttribute('aria-label') || e.innerText?.trim() || e.labels?.length)) out.push('a control without a name: ' + e.outerHTML);
	}
	for (const e of document.querySelectorAll('button')) {
		if (seen(e) && e.getBoundingClientRect().height < 32) out.push('a button too small for a glove: ' + e.innerText);
	}
	const ids = [...document.querySelectorAll('[id]')].map((e) => e.id);
	for (const id of ids) if (ids.indexOf(id) !== ids.lastIndexOf(id)) out.push('an id used twice: ' + id);
	return out;
})()`

// contrastScript lists visible texts whose contrast to the nearest opaque ground
// lies under 4.5 (3 for large text): WCAG 2.2, success criterion 1.4.3, formula of
// relative luminance from the same document (both from memory).
const contrastScript = `(() => {
	const parse = (c) => { const m = c.match(/[\d.]+/g).map(Number); return { rgb: m.slice(0, 3), a: m[3] ?? 1 }; };
	const lum = (rgb) => { const [r, g, b] = rgb.map((v) => { v /= 255; return v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; }); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
	const out = [];
	for (const e of document.querySelectorAll('body *')) {
		if (!e.checkVisibility() || e.closest('.sr, .skip, dialog:not([open])') || e.disabled || e.tagName === 'OPTION' || e.getAnimations().length || e.closest('.now, .cue')?.getAnimations().length) continue;
		if (![...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim())) continue;
		const style = getComputedStyle(e);
		let g = e, ground = null;
		while (g && !ground) { const b = parse(getComputedStyle(g).backgroundColor); if (b.a === 1) ground = b.rgb; g = g.parentElement; }
		const [x, y] = [lum(parse(style.color).rgb), lum(ground ?? [255, 255, 255])].sort((a, b) => b - a);
		const ratio = (x + 0.05) / (y + 0.05), size = parseFloat(style.fontSize);
		if (ratio < (size >= 24 || (size >= 18.66 && style.fontWeight >= 700) ? 3 : 4.5)) out.push('contrast below AA: ' + ratio.toFixed(2) + ' ' + e.innerText.slice(0, 40));
	}
	return out;
})()`

func (p *tab) dim(on bool) {
	value := "light"
	if on {
		value = "dark"
	}
	p.do(chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
		_, err := chromedp.Call(p.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: value}},
		})
		return err
	}))
}

func (p *tab) shoot(name string) {
	p.t.Helper()
	if *shots == "" {
		return
	}
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	png, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
	if err != nil {
		p.t.Fatal(err)
	}
	if err := os.MkdirAll(*shots, 0o755); err != nil {
		p.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(*shots, name+".png"), png, 0o644); err != nil {
		p.t.Fatal(err)
	}
}

// shootWhole is shoot for all of the page, however long.
func (p *tab) shootWhole(name string) {
	p.t.Helper()
	if *shots == "" {
		return
	}
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	eval[bool](p, "(document.body.style.height = 'auto', document.querySelector('#after').style.overflow = 'visible', true)")
	png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err != nil {
		p.t.Fatal(err)
	}
	eval[bool](p, "(document.body.style.height = '', document.querySelector('#after').style.overflow = '', true)")
	if err := os.WriteFile(filepath.Join(*shots, name+".png"), png, 0o644); err != nil {
		p.t.Fatal(err)
	}
}
