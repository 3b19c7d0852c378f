package api

import (
	"context"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"ringsaddle/detect"
)

// The page fits who looks at it: the bench's time, the place's decimal sign, inches,
// screen readers, no motion, a narrow screen.
func pageFits(t *testing.T, browser context.Context) {
	b := newBench(t)
	base, _ := serveOn(t, b, "127.0.0.1:0")
	startSet(b)
	p := newTab(t, browser, 1280, 800)
	p.do(chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
		if _, err := chromedp.Call(p.ctx, emulation.SetTimezoneOverride, emulation.SetTimezoneOverrideParams{TimezoneID: "Asia/Tokyo"}); err != nil {
			return err
		}
		if _, err := chromedp.Call(p.ctx, emulation.SetLocaleOverride, emulation.SetLocaleOverrideParams{Locale: "de-DE"}); err != nil {
			return err
		}
		_, err := chromedp.Call(p.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-reduced-motion", Value: "reduce"}},
		})
		return err
	}))
	p.do(chromedp.Navigate(base))
	eval[bool](p, "localStorage.clear() ?? true")
	p.do(chromedp.Reload())
	b.read(12)

	// The bench's clock says 09:30 (UTC) where the browser's says 18:30.
	p.waitText("#set-status", "since 09:30")
	p.waitText("#reading", "0,00012")
	p.waitText("#figures", "0,20 µm")
	p.click("Settings")
	p.fill("Unit of the reading, the trace and the results", "Inches")
	p.click("Keep")
	p.waitText("#reading", "0,0000047") // 0.00012 mm / 25.4
	p.waitText("#unit", "in")
	p.waitText("#figures", "7,9 µin")  // 0.20 µm: the closing limit
	p.waitText("#ladder", "10 mm, 0°") // declared
	p.do(chromedp.Reload())
	p.waitText("#unit", "in") // remembered

	// Screen readers: the sentence politely, a stop at once.
	p.wait("document.querySelector('#say[aria-live=polite]').textContent.startsWith('Read the ident: is this master ring M-30-07?')")
	b.mu.Lock()
	b.stations[0].Connected = false
	b.mu.Unlock()
	p.wait("document.querySelector('#alarm[role=alert]').textContent.startsWith('No connection to the readout.') && document.getElementById('say').textContent === ''")

	// Nothing moves for whoever asked for that; the mark stays a mark.
	b.server.Announce(Cue{Station: "bench-1", Kind: detect.EventCaught, Adjustment: detect.Tilt})
	p.waitText("#cue", "Tilt caught")
	moving := eval[[]string](p, "[...document.querySelectorAll('#now, #now *, #cue, #cue *')].map((e) => getComputedStyle(e).animationName).filter((n) => n !== 'none')")
	if len(moving) != 0 {
		t.Errorf("moves though no motion is wanted: %v", moving)
	}
	if eval[string](p, "getComputedStyle(document.querySelector('.now.changed')).outlineStyle") != "solid" {
		t.Error("a changed step is not marked")
	}

	for _, width := range []int64{360, 390} {
		p.do(chromedp.EmulateViewport(width, 740))
		p.sound()
	}
}
