package api

import (
	"context"
	"math"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"ringsaddle/acquire"
	"ringsaddle/calibrate"
	"ringsaddle/detect"
)

// play puts the trace of an entry into the hub of bench-1, as if it had just been
// read: settling, a tilt sweep to and fro, and half of a cross sweep if cross.
// It returns where the contact began and the clock of the tilt minimum and of the
// newest reading.
func (b *bench) play(cross bool) (start uint64, tiltAt, now int64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	h := b.server.hubs.get("bench-1")
	h.mu.Lock()
	defer h.mu.Unlock()
	h.trace.cols = nil
	start = b.tape.Mark(acquire.Reading{At: b.at, Flags: acquire.Silence})
	const base = 200_125.0 // counts: 2.00125 mm
	wobble := func(i int) float64 { return 3*math.Sin(float64(i)*1.7) + 2*math.Sin(float64(i)*0.37) }
	n := 330
	if cross {
		n = 640
	}
	for i := range n {
		t := float64(i) / 30
		v := base
		switch {
		case t < 1:
			v += 250 * math.Exp(-4*t)
		case t < 11:
			theta := 9 * math.Cos((t-1)*0.75) * math.Exp(-(t-1)/9) // mrad, to and fro
			v += 1.6 * theta * theta
		default:
			y := 0.16*math.Cos((t-11)*0.6) - 0.01 // mm
			v += 160 - 5400*y*y
		}
		at := 5_000_000_000 + int64(t*1e9)
		seq := b.tape.Mark(acquire.Reading{At: at, Flags: acquire.Silence})
		c := int64(v + wobble(i))
		h.trace.add(&column{from: at, at: at, seq: seq, min: c - 3, max: c + 3, last: c}, start)
		now = at
	}
	b.at = now
	return start, 5_000_000_000 + 3_094_400_000, now // 1 s + π/2 of 0.75 rad/s
}

// serveOn is serve on a given address, with a way to stop.
func serveOn(t *testing.T, b *bench, address string) (base string, stop func()) {
	t.Helper()
	var l net.Listener
	var err error
	for range 100 {
		if l, err = net.Listen("tcp", address); err == nil {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	if err != nil {
		t.Fatal(err)
	}
	b.tellCommits(b.server)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		if err := b.server.Run(ctx, l); err != nil {
			t.Errorf("Run: %v", err)
		}
	}()
	stop = sync.OnceFunc(func() { cancel(); <-done })
	t.Cleanup(stop)
	return "http://" + l.Addr().String(), stop
}

// state is one state of the page: how to come to it, and what a person sees.
type state struct {
	name    string
	prepare func(b *bench, p *tab)
	sees    map[string]string // selector: text
	not     []string          // selectors of what must not be seen
}

// states follow one set from the form to the result.
func states(t *testing.T) []state {
	confirm := func(ring string) func(*bench, *tab) {
		return func(b *bench, p *tab) { p.click("Yes, it says " + ring) }
	}
	return []state{
		{
			name: "01-start",
			prepare: func(b *bench, p *tab) {
				p.waitText("#setup", "Before you start")
				b.read(12)
			},
			sees: map[string]string{
				"#now-title": "No set is running.", "#link": "Connected", "#demo": "Simulated, clock × 4", "#reading": "0.00012", "#unit": "mm",
				"#setup": "keep fingers out", "#contact-word": "No ring against the contacts", "footer": "not a certificate",
			},
			not: []string{"#set", "#result", "#fault"},
		},
		{
			name: "02-start-refused",
			prepare: func(b *bench, p *tab) {
				p.fill("Master ring", "M-50-02")
				p.fill("Heights / mm", "5,10")
				p.click("Start the set")
			},
			sees: map[string]string{
				"#order .fault":               "heights must be numbers with spaces between",
				"#order .stack":               "due 2026-02-28, past",
				"#order .field:not([hidden])": "Reason for using a master past its due date",
			},
		},
		{
			name: "03-confirm-master",
			prepare: func(b *bench, p *tab) {
				p.fill("Technician", "A. Example")
				p.fill("Master ring", "M-30-07")
				p.fill("Ring", "W-32-118")
				p.fill("Heights / mm", "5 10.5")
				p.fill("Directions / °", "0 90")
				p.fill("Entries at each position", "2")
				p.fill("Scale", "20.04")
				p.click("Start the set")
				p.waitText("#now-title", "Read the ident: is this master ring M-30-07?")
			},
			sees: map[string]string{
				"#now-ident": "M-30-07", "#asks button": "Yes, it says M-30-07", "#set-title": "W-32-118 against M-30-07",
				"#ladder": "Closing M-30-07", "#temperatures": "Scale 20.04 °C", "#figures": "0.20 µm",
			},
			not: []string{"#setup"},
		},
		{name: "04-bring", prepare: confirm("M-30-07"), sees: map[string]string{"#now-title": "Bring master ring M-30-07 against the contacts.", "#now-detail": "entry 1 of 2"}, not: []string{"#asks button"}},
		{
			name: "05-tilt",
			prepare: func(b *bench, p *tab) {
				b.capture(t, 0.5, nil)
				b.capture(t, 0.54, nil)
				p.click("Yes, it says W-32-118")
				start, _, _ := b.play(false)
				b.detector(func(d *detect.State) {
					d.Stage, d.StartSeq, d.Origin, d.Sought = detect.StageContact, start, 200_000, 0
					d.Missing = detect.Reason{Code: detect.ReasonSeenOnce, Text: "Go over the smallest reading once more."}
					d.Visible = 3
					d.Seek[0] = detect.SeekState{Played: true, Passes: 1, Lacks: detect.ReasonSeenOnce, Seen: true, Extreme: 125.2, Away: 38, Deepest: 140}
					d.TurnBacks = []detect.TurnBack{{Adjustment: detect.Tilt, Sense: detect.Minimum, At: 5_000_000_000 + 3_600_000_000, Value: 128.2}}
				})
				b.read(200_131)
				p.do(chromedp.Reload())
			},
			sees: map[string]string{
				"#now-title": "Back over the smallest reading with the tilt, steadily.", "#near-distance": "0.38 µm", "#legend": "turned back by the hand", "#contact-word": "In contact", "#missing": "Go over the smallest reading once more.",
				"#reading": "2.00131", "#diameter": "32.00121 mm", "#now-detail": "Work position, height 5 mm, direction 0°, entry 1 of 2", "#scale": "Height",
			},
		},
		{
			name: "06-cross",
			prepare: func(b *bench, p *tab) {
				start, tilt, _ := b.play(true)
				b.detector(func(d *detect.State) {
					d.StartSeq, d.Sought = start, 1
					d.Points = []detect.TurningPoint{{Adjustment: detect.Tilt, Sense: detect.Minimum, At: tilt + 9_000_000_000, Value: 125.2, U: 3.1, Crossings: 3}}
					d.Missing = detect.Reason{Code: detect.ReasonNotPlayed, Text: "Now the cross slide, over its largest reading."}
					d.TurnBacks = nil
					d.Seek[0] = detect.SeekState{Played: true, Caught: true, Passes: 3, Seen: true, Extreme: 125.2, Away: 115}
					d.Seek[1] = detect.SeekState{Played: true, Passes: 1, Lacks: detect.ReasonSeenOnce, Seen: true, Extreme: 285, Away: 45, Deepest: 60, Side: detect.SidePast}
					d.Parked[0], d.Residual[0] = true, 14
				})
				b.read(200_240)
				p.do(chromedp.Reload())
			},
			sees: map[string]string{
				"#now-title": "Back over the largest reading with the cross slide, steadily.", "#near-words": "below the largest so far", "#near-side": "Cross slide past", "#residual": "Tilt left 0.14 µm", "#points": "tilt minimum 2.00125 mm ± 0.031 µm, 3 passes",
			},
		},
		{
			name: "07-caught",
			prepare: func(b *bench, p *tab) {
				start, _, now := b.play(true)
				b.detector(func(d *detect.State) {
					d.StartSeq = start
					d.Complete, d.Confirmed, d.Missing = true, true, detect.Reason{}
					d.Points = append(d.Points, detect.TurningPoint{Adjustment: detect.Cross, Sense: detect.Maximum, At: now - 4_000_000_000, Value: 287.1, U: 2.8, Crossings: 2})
				})
				b.read(200_271)
				p.do(chromedp.Reload())
			},
			sees: map[string]string{"#now-title": "All caught. Withdraw the ring.", "#points": "cross maximum 2.00287 mm ± 0.028 µm, 2 passes", "#missing": "Nothing is missing."},
		},
		{
			name: "08-question",
			prepare: func(b *bench, p *tab) {
				b.detector(func(d *detect.State) { *d = detect.State{Stage: detect.StageIdle, Sought: -1} })
				b.capture(t, 2001.25, nil)
				b.capture(t, 3004.11, func(c *calibrate.CaptureFact) {
					c.Question = "The reading is 1.003 mm above what ring W-32-118 should give. Is this the right ring?"
				})
			},
			sees: map[string]string{"#now-title": "Stopped: please answer.", "#now-detail": "1.003 mm above", "#asks": "No, reject the capture", "#set-status": "waits for an answer"},
		},
		{
			name: "09-paused",
			prepare: func(b *bench, p *tab) {
				p.click("No, reject the capture")
				p.waitText("#now-title", "Bring work ring")
				p.click("Pause")
				p.fill("Reason", "Waiting for temperature")
				p.shoot("dialog-" + t.Name()[len("TestPage/states/"):])
				p.do(chromedp.KeyEvent("\r"))
			},
			sees: map[string]string{"#now-title": "Paused.", "#now-detail": "Waiting for temperature", "#asks": "Go on", "#set-status": "paused"},
		},
		{
			name: "10-ladder",
			prepare: func(b *bench, p *tab) {
				p.click("Go on")
				p.waitText("#now-title", "Bring work ring")
				b.capture(t, 2001.31, nil)
				b.capture(t, 2001.02, func(c *calibrate.CaptureFact) {
					c.Outcome, c.Reading, c.U = "ambiguous", 0, 0
					c.Reasons, c.ReasonCodes = []string{"The cross maximum was passed once only."}, []string{"seen_once"}
				})
				p.wait("document.querySelectorAll('#ladder li[data-state=done]').length === 2")
				eval[bool](p, "document.querySelectorAll('#ladder details')[1].open = true")
			},
			sees: map[string]string{
				"#ladder [data-step='1'] .under": "2 of 2, spread 0.06 µm", "#ladder [data-step='1'] .captures": "Raw trace (CSV)",
				"#ladder [aria-current=step]": "5 mm, 90°", "#figures": "degrees of freedom", "#reservations": "No temperature of the ring W-32-118",
			},
		},
		{
			name: "11-close",
			prepare: func(b *bench, p *tab) {
				for _, um := range []float64{2001.70, 2001.73, 2001.28, 2001.24, 2001.66, 2001.61, 0.58, 0.6} {
					b.capture(t, um, nil)
				}
				b.mu.Lock()
				b.results["set-1"] = fakeResult("set-1")
				b.mu.Unlock()
			},
			sees: map[string]string{"#now-title": "Every step is done.", "#asks": "Close the set", "#figures": "✓ within"},
		},
		{
			name:    "12-result",
			prepare: func(b *bench, p *tab) { p.click("Close the set") },
			sees: map[string]string{
				"#now-title": "The set is closed.", "#result .verdict": "✓ Accepted: closing minus opening is +0.08 µm, the limit is 0.20 µm.",
				"#result table": "32.00117", "#result tbody": "0.21 µm", "#result .caution": "not a calibration certificate", "#result tbody a": "CSV 1",
				"#asks": "Start another set",
			},
		},
		{
			name:    "13-another",
			prepare: func(b *bench, p *tab) { p.click("Start another set") },
			sees:    map[string]string{"#now-title": "No set is running.", "#setup": "Technician"},
			not:     []string{"#result", "#set"},
		},
		{
			name:    "14-no-readout",
			prepare: func(b *bench, p *tab) { p.fill("Bench", "bench-2") },
			sees:    map[string]string{"#now-title": "No connection to the readout.", "#now-detail": "plug in the adapter", "#contact-word": "Readout not connected", "#link": "Connected"},
			not:     []string{"#demo"},
		},
	}
}

// TestPage shares one browser: starting it takes longer than most of the tests.
func TestPage(t *testing.T) {
	browser := newBrowser(t)
	t.Run("checker", func(t *testing.T) { pageCheckerFinds(t, browser) })
	t.Run("dialogs", func(t *testing.T) { pageDialogsAccessible(t, browser) })
	t.Run("states", func(t *testing.T) { pageStates(t, browser) })
	t.Run("keyboard", func(t *testing.T) { pageByKeyboard(t, browser) })
	t.Run("refusals", func(t *testing.T) { pageShowsRefusals(t, browser) })
	t.Run("sounds", func(t *testing.T) { pageSounds(t, browser) })
	t.Run("afar", func(t *testing.T) { pageReadsFromAfar(t, browser) })
	t.Run("sweep", func(t *testing.T) { pageShowsTheSweep(t, browser) })
	t.Run("pedal", func(t *testing.T) { pageByPedal(t, browser) })
	t.Run("pressed", func(t *testing.T) { pageKeysFollowTheSentence(t, browser) })
	t.Run("setup", func(t *testing.T) { pageSetsUp(t, browser) })
	t.Run("fits", func(t *testing.T) { pageFits(t, browser) })
	t.Run("bounds", func(t *testing.T) { pageDrawsWithinBounds(t, browser) })
}

func pageStates(t *testing.T, browser context.Context) {
	type screen struct {
		name          string
		width, height int64
		dim           bool
	}
	screens := []screen{{"1280x800", 1280, 800, false}, {"820x1180", 820, 1180, true}}
	if *shots != "" {
		screens = append(screens, screen{"1280x800-dim", 1280, 800, true}, screen{"820x1180-bright", 820, 1180, false}, screen{"390x844", 390, 844, false}, screen{"360x740", 360, 740, true})
	}
	for _, sc := range screens {
		t.Run(sc.name, func(t *testing.T) {
			b := newBench(t)
			base, stop := serveOn(t, b, "127.0.0.1:0")
			p := newTab(t, browser, sc.width, sc.height)
			p.dim(sc.dim)
			p.do(chromedp.Navigate(base))
			eval[bool](p, "localStorage.clear() ?? true")
			p.do(chromedp.Reload())
			p.waitText("#link", "Connected")
			for _, st := range states(t) {
				st.prepare(b, p)
				p.waitState(st.sees, st.not)
				if *shots != "" {
					time.Sleep(1700 * time.Millisecond) // the mark of a changed step fades
				}
				p.shoot(sc.name + "-" + st.name)
				if sc.height > sc.width && *shots != "" {
					eval[bool](p, "(scrollTo(0, innerHeight * 0.8), true)")
					p.shoot(sc.name + "-" + st.name + "-below")
					eval[bool](p, "(scrollTo(0, 0), true)")
				}
				p.sound()
			}
			p.fill("Bench", "Bench 1")
			p.waitText("#now-title", "No set is running.")

			// The daemon goes away: said within two seconds. It comes back: so does the
			// page, by itself, at the same place.
			lost := time.Now()
			stop()
			p.waitText("#link", "Connection lost")
			if d := time.Since(lost); d > 3*time.Second { // Run itself may take a moment to end
				t.Errorf("said after %v", d)
			}
			p.shoot(sc.name + "-15-lost")
			p.mu.Lock()
			p.faults = nil // the browser reports the refused connections
			p.mu.Unlock()
			again := &bench{fake: b.fake, t: t, server: New(b.deps()), log: b.log}
			serveOn(t, again, strings.TrimPrefix(base, "http://"))
			p.waitText("#link", "Connected")
			want[wireSet](again, 201, "POST", "/api/v1/sets", order(nil))
			p.waitText("#now-title", "Read the ident: is this master ring M-30-07?")
			p.waitText("#set-title", "W-32-118 against M-30-07")
		})
	}
}

// The whole page can be reached and worked by keys alone.
func pageByKeyboard(t *testing.T, browser context.Context) {
	b := newBench(t)
	base, _ := serveOn(t, b, "127.0.0.1:0")
	startSet(b)
	p := newTab(t, browser, 1280, 800)
	p.do(chromedp.Navigate(base))
	p.waitText("#asks button", "Yes, it says M-30-07")
	for i := 0; ; i++ {
		if i > 20 {
			t.Fatal("Tab never reaches the button that confirms the ring")
		}
		p.do(chromedp.KeyEvent("\t"))
		if eval[string](p, "document.activeElement.innerText ?? ''") == "Yes, it says M-30-07" {
			break
		}
	}
	if eval[string](p, "getComputedStyle(document.activeElement).outlineStyle") == "none" {
		t.Error("the focus is not shown")
	}
	p.do(chromedp.KeyEvent("\r"))
	p.waitText("#now-title", "Bring master ring M-30-07")
	p.click("More")
	p.click("Abort")
	p.wait("document.querySelector('dialog').open && document.activeElement.closest('dialog')")
	p.do(chromedp.KeyEvent("\r")) // without a reason nothing happens
	p.wait("document.querySelector('dialog').open")
	p.do(chromedp.KeyEvent("Wrong ring\r"))
	p.waitText("#now-title", "The set was aborted.")
	p.waitText("#result", "There is no result: the set was aborted (Wrong ring).")
	p.sound()
}

// An error of the daemon is shown in its words, and everything stays usable.
func pageShowsRefusals(t *testing.T, browser context.Context) {
	b := newBench(t)
	base, _ := serveOn(t, b, "127.0.0.1:0")
	p := newTab(t, browser, 1280, 800)
	p.do(chromedp.Navigate(base))
	p.fill("Technician", "A. Example")
	p.fill("Master ring", "M-30-07")
	p.fill("Ring", "W-400-1")
	p.click("Start the set")
	p.waitText("#order .fault", "outside the instrument's stated range")
	p.click("Register a ring")
	p.fill("Ident, as engraved", "W-33-5")
	p.fill("Nominal diameter / mm", "33")
	p.fill("Your name", "A. Example")
	p.click("Register")
	p.waitText("dialog .fault", "the ident W-33-5 is taken")
	p.fill("Ident, as engraved", "W-33-6")
	p.fill("Lower limit / µm from nominal", "-1.5")
	p.fill("Upper limit / µm", "1.5")
	p.click("Register")
	p.wait("!document.querySelector('dialog').open && [...document.querySelectorAll('select.work option')].some((o) => o.text.includes('W-33-6'))")
	if r, err := b.Ring(context.Background(), "ring-1"); err != nil || r.LowerLimit != -1_500_000 || r.Nominal != 33*calibrate.Millimetre {
		t.Errorf("registered %+v, %v", r, err)
	}
}

// The page draws at most once per frame of the screen and keeps a bounded number
// of points, however fast the readings come.
func pageDrawsWithinBounds(t *testing.T, browser context.Context) {
	b := newBench(t)
	base, _ := serveOn(t, b, "127.0.0.1:0")
	p := newTab(t, browser, 1280, 800)
	p.do(chromedp.Navigate(base))
	p.waitText("#link", "Connected")
	got := eval[map[string]float64](p, `(() => {
		const t = ringsaddle.trace, before = t.draws, draws = [];
		t.stream = 's';
		for (let i = 1; i <= 20000; i++) t.live({ stream: 's', contact_seq: 1, points: [], columns: [{ t_s: i / 30, seq: i, min_mm: 1, max_mm: 1.001, last_mm: 1, broken: false }] });
		return { sync: t.draws - before, columns: t.columns.length, newest: t.columns.at(-1).seq };
	})()`)
	if got["sync"] != 0 || got["columns"] != 4096 || got["newest"] != 20000 {
		t.Errorf("%v", got)
	}
}
