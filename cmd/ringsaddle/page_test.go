package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

var shotsFlag = flag.String("shots", "", "folder into which TestPageOnTheRealDaemon puts pictures of the page")

// A person watches the bench page of a real daemon in a real browser while the set
// is measured, and touches nothing.
func TestPageOnTheRealDaemon(t *testing.T) {
	t.Parallel()
	path := need(t, "chromium", "chromium")
	rig := newRig(t, shortScenario(t, 1, 1), 41)
	_, address, _ := rig.inProcess()

	alloc, cancel := chromedp.NewExecAllocator(context.Background(), append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path))...)
	t.Cleanup(cancel)
	ctx, cancel := chromedp.NewContext(alloc)
	t.Cleanup(cancel)
	page := &watcher{t: t, ctx: ctx}
	page.open("http://"+address+"/", 1280, 800)
	page.see("no set", `document.querySelector('#now-title').innerText.includes('No set is running')`)
	page.picture("1-no-set")
	rig.begin(address)
	page.see("the ring in hand", `document.querySelector('#now-ident').innerText.includes('M-40')`)
	page.see("contact", `document.querySelector('#contact').dataset.contact === 'settled'`)
	page.see("a reading with the readout's four decimals", `/^-?\d+\.\d{4}$/.test(document.querySelector('#reading').innerText)`)
	page.see("a turning point", `document.querySelector('#points').children.length > 0`)
	page.picture("2-sweep")
	page.see("the work ring", `document.querySelector('#now-ident').innerText.includes('W-4017')`)
	page.see("the tilt of the work ring", `document.querySelector('#contact').dataset.contact === 'settled'`)
	page.picture("3-work")
	report := rig.finish(2 * time.Minute)
	if err := report.verdict(); err != nil {
		t.Error(err)
	}
	found := fmt.Sprintf("%.5f", report.result.Positions[0].DiameterMM)
	page.see("the diameter found", fmt.Sprintf(`document.querySelector('#result').checkVisibility() && document.querySelector('#result').innerText.includes(%q)`, found))
	page.see("the caution", `document.querySelector('#result').innerText.includes('not a calibration certificate')`)
	page.picture("4-result")
	page.open("http://"+address+"/", 820, 1180)
	page.see("the result after a reload", fmt.Sprintf(`document.body.innerText.includes(%q)`, found))
	page.picture("5-result-tablet")
}

// watcher is a browser page that a test looks at.
type watcher struct {
	t   *testing.T
	ctx context.Context
}

func (w *watcher) open(url string, width, height int64) {
	w.t.Helper()
	ctx, cancel := context.WithTimeout(w.ctx, 90*time.Second)
	defer cancel()
	if err := chromedp.Do(w.ctx); err != nil { // the browser lives as long as its context
		w.t.Fatalf("start the browser: %v", err)
	}
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, height), chromedp.Navigate(url)); err != nil {
		w.t.Fatal(err)
	}
}

// see waits until the page shows something.
func (w *watcher) see(what, expression string) {
	w.t.Helper()
	ctx, cancel := context.WithTimeout(w.ctx, 90*time.Second)
	defer cancel()
	_, err := chromedp.Run(ctx, chromedp.Poll[bool]("Boolean("+expression+")", chromedp.WithPollingInterval(25*time.Millisecond), chromedp.WithPollingTimeout(0)))
	if err != nil {
		shown, _ := chromedp.Run(w.ctx, chromedp.Evaluate[string]("document.body.innerText"))
		w.t.Fatalf("the page does not show %s: %v\n%s", what, err, shown)
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
	if err := os.WriteFile(filepath.Join(*shotsFlag, name+".png"), png, 0o600); err != nil {
		w.t.Fatal(err)
	}
}
