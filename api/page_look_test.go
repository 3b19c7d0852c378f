package api

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"ringsaddle/detect"
)

// heightScript measures what is drawn: the height of a digit, or of a capital
// letter, of the element as the browser lays it out, in pixels of the page.
const heightScript = `((id, letter) => {
	const e = document.getElementById(id), s = getComputedStyle(e), c = document.createElement('canvas').getContext('2d');
	c.font = s.fontWeight + ' ' + s.fontSize + ' ' + s.fontFamily;
	const m = c.measureText(letter);
	return m.actualBoundingBoxAscent + m.actualBoundingBoxDescent;
})`

// From two metres: on a tablet of 10 inches across (254 mm) with 820 × 1180 pixels
// of the page, upright or lying, the digits of the reading are at least 20 mm high
// and the capitals of the step's sentence 8 mm; nothing is cut off.
func pageReadsFromAfar(t *testing.T, browser context.Context) {
	b := newBench(t)
	base, _ := serveOn(t, b, "127.0.0.1:0")
	startSet(b)
	p := newTab(t, browser, 820, 1180)
	p.do(chromedp.Navigate(base))
	p.waitText("#asks button", "Yes, it says M-30-07")
	pixels := math.Hypot(820, 1180) / 254 // per millimetre
	for _, size := range [][2]int64{{820, 1180}, {1180, 820}} {
		p.do(chromedp.EmulateViewport(size[0], size[1]))
		for _, counts := range []int64{12, -14_999_999} { // 0.00012 and −149.99999 mm
			b.read(counts)
			text := map[int64]string{12: "0.00012", -14_999_999: "\u2212149.99999"}[counts]
			p.waitText("#reading", text)
			reading := eval[float64](p, heightScript+"('reading', '0')") / pixels
			sentence := eval[float64](p, heightScript+"('now-title', 'H')") / pixels
			t.Logf("%d×%d: digits %.1f mm, capitals of the sentence %.1f mm", size[0], size[1], reading, sentence)
			if reading < 20 || sentence < 8 {
				t.Errorf("%d×%d: digits %.1f mm, want 20; sentence %.1f mm, want 8", size[0], size[1], reading, sentence)
			}
			if cut := eval[float64](p, "document.getElementById('unit').getBoundingClientRect().right - document.querySelector('.bench').getBoundingClientRect().right"); cut > 0 {
				t.Errorf("%d×%d: %s is cut off by %.0f pixels", size[0], size[1], text, cut)
			}
			p.wait("document.getElementById('now-title').getBoundingClientRect().bottom < innerHeight && document.getElementById('reading').getBoundingClientRect().bottom < innerHeight")
		}
	}
}

// The sweep: how near, on which side, what turned and what was only turned back,
// and the last micrometres as high as the trace.
func pageShowsTheSweep(t *testing.T, browser context.Context) {
	b := newBench(t)
	base, _ := serveOn(t, b, "127.0.0.1:0")
	startSet(b)
	p := newTab(t, browser, 1280, 800)
	p.beforeScripts(liveScript)
	p.do(chromedp.Navigate(base))
	p.waitText("#near-words", "Nothing is sought now.")
	if eval[bool](p, "[...document.querySelectorAll('#near .ball')].some((b) => b.style.display !== 'none')") {
		t.Error("a ball is drawn though nothing is sought")
	}
	b.read(12)
	p.waitText("#reading", "0.00012")
	start, tilt, _ := b.play(false)
	b.detector(func(d *detect.State) {
		d.Stage, d.StartSeq, d.Origin, d.Sought = detect.StageContact, start, 200_000, 0
		d.Points = []detect.TurningPoint{{Adjustment: detect.Tilt, Sense: detect.Minimum, At: tilt, Value: 125.2, U: 3.1, Crossings: 2}}
	})
	b.read(200_160)
	p.do(chromedp.Reload())
	p.waitText("#points", "tilt minimum 2.00125 mm")

	type ball struct {
		X, Y  float64
		Shown bool
	}
	near := func(extra string) []ball {
		t.Helper()
		b.read(200_160)
		eval[bool](p, "(window.liveExtra = { residual_text: '', turn_backs: [], nearness: "+extra+" }, true)")
		before := eval[int](p, "ringsaddle.trace.draws")
		p.wait(fmt.Sprintf("ringsaddle.trace.draws > %d + 1", before))
		return eval[[]ball](p, "[...document.querySelectorAll('#near .ball')].map((b) => ({ X: +b.getAttribute('cx'), Y: +b.getAttribute('cy'), Shown: b.style.display !== 'none' }))")
	}
	const middle = 100.0
	// On which side is not known: both flanks of the hollow, above its floor.
	far := near(`{ adjustment: 'tilt', sense: 'min', best_mm: 2.00125, away_mm: 0.01042, closeness: 0.2, passed: true, side: '', side_text: '' }`)
	p.waitText("#near-distance", "10.42 µm")
	p.waitText("#near-words", "above the smallest so far")
	if !far[0].Shown || !far[1].Shown || math.Abs(far[0].X-middle-(middle-far[1].X)) > 0.01 {
		t.Errorf("side not known: %+v", far)
	}
	closer := near(`{ adjustment: 'tilt', sense: 'min', best_mm: 2.00125, away_mm: 0.00035, closeness: 0.8, passed: true, side: 'past', side_text: 'Tilt past the smallest reading' }`)
	p.waitText("#near-distance", "0.35 µm")
	p.waitText("#near-words", "above the smallest so far")
	p.waitText("#near-side", "Tilt past the smallest reading")
	if closer[1].Shown || closer[0].X <= middle || closer[0].X-middle >= middle-far[0].X || closer[0].Y <= far[0].Y {
		t.Errorf("nearer, past it: %+v, before %+v: the ball should lie to the right, nearer and lower", closer, far)
	}
	// On the way there the best reading so far is nothing to stop at.
	near(`{ adjustment: 'cross', sense: 'max', best_mm: 2.00125, away_mm: 0, closeness: 1, passed: false, side: '', side_text: '' }`)
	p.waitText("#near-distance", "Largest yet")
	p.waitText("#near-words", "not passed for certain: move on over it")
	p.wait("!document.querySelector('#near').classList.contains('at') && document.querySelector('#near .ball').classList.contains('maybe')")
	at := near(`{ adjustment: 'cross', sense: 'max', best_mm: 2.00125, away_mm: 0, closeness: 1, passed: true, side: '', side_text: '' }`)
	p.waitText("#near-distance", "At the largest")
	if wide := eval[float64](p, "document.querySelector('#near-distance').scrollWidth - document.querySelector('#near').clientWidth"); wide > 0 {
		t.Errorf("\"At the largest\" is %v px wider than its box", wide)
	}
	if at[0].X != middle || at[1].Shown || at[0].Y >= closer[0].Y {
		t.Errorf("on the hump: %+v", at)
	}
	eval[bool](p, "(window.liveExtra = { residual_text: 'Tilt left 0.12 µm from its turning point; this is taken out', nearness: null }, true)")
	p.waitText("#residual", "Tilt left 0.12 µm")
	p.waitText("#near-words", "Nothing is sought now.")

	// A turn-back is drawn, elsewhere and otherwise than a turning point.
	eval[bool](p, "(window.liveExtra = { turn_backs: [{ t_s: 7.3, value_mm: 2.00135, sense: 'min' }] }, true)")
	p.waitText("#legend", "turned back by the hand")
	p.wait("ringsaddle.trace.marks.map((m) => m.kind).join() === 'turning point,turn-back'")
	shape := func(i int) string { // the dark pixels around a mark
		return eval[string](p, fmt.Sprintf(`(() => {
			const t = ringsaddle.trace, m = t.marks[%d], r = t.canvas.width / t.canvas.clientWidth;
			const d = t.ctx.getImageData((m.x - 12) * r, (m.y - 22) * r, 24 * r, 44 * r).data;
			let s = '';
			for (let i = 0; i < d.length; i += 16) s += d[i] < 90 ? '#' : '.';
			return s;
		})()`, i))
	}
	if a, c := shape(0), shape(1); a == c || !strings.Contains(a, "#") || !strings.Contains(c, "#") {
		t.Errorf("a turn-back should not look like a turning point:\n%s\n%s", a, c)
	}

	// The last micrometres fill the height: between 45 and 90 %, at every size of
	// sweep.
	for _, um := range []float64{0.8, 1.3, 2.2, 5, 17, 140} {
		fill := eval[float64](p, fmt.Sprintf(`(() => {
			const t = ringsaddle.trace, h = %g / 2000;
			t.points = []; t.backs = [];
			t.columns = Array.from({ length: 300 }, (_, i) => { const v = 2 + h * Math.sin(i / 20); return { t_s: i / 30, seq: 1e6 + i, min_mm: v, max_mm: v, last_mm: v, broken: false }; });
			t.frame = { contact_seq: 0 };
			t.draw();
			return 2 * h / (t.view.high - t.view.low);
		})()`, um))
		if fill < 0.45 || fill > 0.9 {
			t.Errorf("a sweep of %g µm fills %.0f %% of the height", um, 100*fill)
		}
	}
}
