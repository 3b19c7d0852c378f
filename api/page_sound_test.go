package api

import (
	"context"
	"fmt"
	"slices"
	"testing"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"ringsaddle/calibrate"
	"ringsaddle/detect"
)

// beforeScripts runs a script in every document of the tab before its own.
func (p *tab) beforeScripts(source string) {
	p.t.Helper()
	p.do(chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
		_, err := chromedp.Call(p.ctx, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: source})
		return err
	}))
}

// liveScript lets a test add to the live frames what the invented detector does
// not say: whatever stands in window.liveExtra.
const liveScript = `(() => {
	const add = EventSource.prototype.addEventListener;
	EventSource.prototype.addEventListener = function (name, f) {
		return add.call(this, name, name !== 'live' ? f : (e) => f(window.liveExtra ? { data: JSON.stringify({ ...JSON.parse(e.data), ...window.liveExtra }) } : e));
	};
})()`

// earScript listens to the audio graph: contexts made, notes started with their
// pitch, oscillators not yet ended, connections not yet undone, and the level that
// reaches the loudspeaker.
const earScript = `(() => {
	const ear = window.ear = { contexts: 0, notes: [], live: 0, edges: 0, pitch: 0, pulses: 0 };
	const Real = window.AudioContext, out = new WeakMap();
	window.AudioContext = class extends Real {
		constructor() {
			super();
			ear.contexts++;
			ear.context = this;
			ear.probe = super.createAnalyser();
			ear.probe.fftSize = 8192;
		}
	};
	const start = OscillatorNode.prototype.start;
	OscillatorNode.prototype.start = function (when) {
		if (when) ear.notes.push(this.frequency.value); else if (this.type === 'sine') ear.pulse = this; else ear.tone = this;
		ear.live++;
		this.addEventListener('ended', () => ear.live--);
		return start.call(this, when ?? 0);
	};
	const connect = AudioNode.prototype.connect, disconnect = AudioNode.prototype.disconnect;
	AudioNode.prototype.connect = function (to, ...more) {
		out.set(this, (out.get(this) ?? 0) + 1);
		ear.edges++;
		if (to === this.context.destination) connect.call(this, ear.probe);
		return connect.call(this, to, ...more);
	};
	AudioNode.prototype.disconnect = function () {
		ear.edges -= out.get(this) ?? 0;
		out.delete(this);
		return disconnect.call(this);
	};
	ear.level = () => { // root mean square of the last 0.2 s
		const wave = new Float32Array(ear.probe.fftSize);
		ear.probe.getFloatTimeDomainData(wave);
		return Math.sqrt(wave.reduce((sum, v) => sum + v * v, 0) / wave.length);
	};
	ear.quiet = () => ear.level() < 1e-4;
})()`

// What is heard and when: nothing before a person asks for it, a figure of its own
// for each piece of news, a tone that rises towards the turning point, silence when
// muted, and no node left behind.
func pageSounds(t *testing.T, browser context.Context) {
	b := newBench(t)
	base, stop := serveOn(t, b, "127.0.0.1:0")
	startSet(b)
	p := newTab(t, browser, 1280, 800)
	p.beforeScripts(liveScript + ";" + earScript)
	p.do(chromedp.Navigate(base))
	eval[bool](p, "localStorage.clear() ?? true")
	p.do(chromedp.Reload())

	// News comes, is seen, and makes no context: the button was not pressed.
	p.waitText("#link", "Connected")
	p.waitText("#now-title", "Read the ident")
	b.server.Announce(Cue{Station: "bench-1", Kind: detect.EventCaught, Adjustment: detect.Tilt})
	p.waitText("#cue", "Tilt caught")
	if n := eval[int](p, "ear.contexts"); n != 0 {
		t.Fatalf("%d audio contexts before anybody asked for sound", n)
	}
	p.click("Sound on")
	p.wait("ear.contexts === 1 && ear.context.state === 'running' && ear.notes.length >= 2")
	p.wait("ear.live === 0 && ear.level() < 0.01")
	base0 := eval[int](p, "ear.edges")

	// Each piece of news has its own figure and its own words. Two that come at once
	// may be heard in either order; split is where the second begins.
	split := 0
	hears := func(words string, want []float64, make func()) {
		t.Helper()
		eval[bool](p, "(ear.notes = [], ringsaddle.cues.last.name = '', ringsaddle.sound.busyUntil = 0, true)")
		make()
		p.wait(sees("#cue", words) + " || " + sees("#now-title", words))
		p.wait(fmt.Sprintf("ear.notes.length >= %d", len(want)))
		got := eval[[]float64](p, "ear.notes.map((n) => Math.round(n))")
		if !slices.Equal(got, want) && !(split > 0 && slices.Equal(got, slices.Concat(want[split:], want[:split]))) {
			t.Errorf("%s: heard %v, want %v", words, got, want)
		}
	}
	cue := func(kind detect.EventKind, a detect.Adjustment) func() {
		return func() { b.server.Announce(Cue{Station: "bench-1", Kind: kind, Adjustment: a}) }
	}
	hears("Tilt caught", []float64{523, 784}, cue(detect.EventCaught, detect.Tilt))
	hears("Cross slide caught", []float64{523, 784, 1047}, cue(detect.EventCaught, detect.Cross))
	hears("All caught", []float64{784, 784}, cue(detect.EventComplete, ""))
	hears("that was no turning point", []float64{494, 330}, cue(detect.EventRevoked, detect.Tilt))
	p.click("Yes, it says M-30-07")
	p.waitText("#now-title", "Bring master ring")
	// The next ring's question is heard beside the capture; the band asks it.
	split = 4
	hears("Captured 0.00050", []float64{523, 659, 784, 1047, 880, 698, 880}, func() { b.capture(t, 0.5, nil) })
	split = 0
	p.click("Yes, it says W-32-118")
	p.waitText("#now-title", "Bring work ring")
	hears("Captured 2.00125", []float64{523, 659, 784, 1047}, func() { b.capture(t, 2001.25, nil) })
	hears("Again, please", []float64{494, 330}, func() {
		b.capture(t, 0.5, func(c *calibrate.CaptureFact) {
			c.Outcome, c.Reading, c.U = "ambiguous", 0, 0
			c.Reasons, c.ReasonCodes = []string{"The cross maximum was passed once only."}, []string{"seen_once"}
		})
	})
	hears("No connection to the readout", []float64{196, 196, 196, 196, 196}, func() {
		b.mu.Lock()
		b.stations[0].Connected = false
		b.mu.Unlock()
	})
	b.mu.Lock()
	b.stations[0].Connected = true
	b.mu.Unlock()
	p.wait("!document.getElementById('now-title').textContent.includes('No connection')")
	p.wait("ear.live === 0 && ear.quiet()")

	// The tone: none while nothing is sought, rising in pitch and in pulses with the
	// closeness, and gone when there is nothing to seek.
	near := func(closeness float64) (pitch, pulses float64) {
		t.Helper()
		b.read(200_125)
		eval[bool](p, fmt.Sprintf("(window.liveExtra = { nearness: { adjustment: 'tilt', sense: 'min', best_mm: 2.00125, away_mm: 0.0001, closeness: %g, side: '' } }, true)", closeness))
		// 260 Hz and 1.6 pulses a second far away, 1.6 octaves and 7.4 pulses more
		// at the turning point.
		p.wait(fmt.Sprintf("(ear.tone && Math.abs(ear.tone.frequency.value - 260 * 2 ** (1.6 * %g)) < 2 && ear.level() > 0.01)", closeness))
		return eval[float64](p, "ear.tone.frequency.value"), eval[float64](p, "ear.pulse.frequency.value")
	}
	farPitch, farPulses := near(0.1)
	midPitch, midPulses := near(0.6)
	atPitch, atPulses := near(1)
	if !(farPitch < midPitch && midPitch < atPitch && farPulses < midPulses && midPulses < atPulses) {
		t.Errorf("pitch %.0f %.0f %.0f Hz, pulses %.1f %.1f %.1f a second: both must rise", farPitch, midPitch, atPitch, farPulses, midPulses, atPulses)
	}
	if n := eval[int](p, "ear.live"); n != 2 {
		t.Errorf("the tone uses %d oscillators, want 2 (pitch and pulses)", n)
	}

	// Muted is silent, and remembered; the volume is heard.
	loud := eval[float64](p, "ear.level()")
	p.click("Mute")
	p.wait("ear.quiet()")
	p.waitText("#mute", "Muted")
	p.click("Muted")
	p.wait("ear.level() > 0.01")
	p.fill("Volume", "20")
	p.wait(fmt.Sprintf("ear.level() < %g && ear.level() > 1e-3", loud/3))
	if got := eval[string](p, "localStorage['ringsaddle.volume'] + localStorage['ringsaddle.muted']"); got != "0.2false" {
		t.Errorf("remembered %q", got)
	}
	eval[bool](p, "(window.liveExtra = { nearness: null }, true)")
	p.wait("ear.live === 0 && ear.quiet()")

	// A shift's worth of news and tones leaves nothing connected.
	eval[bool](p, `(() => { for (let i = 0; i < 500; i++) { ringsaddle.sound.busyUntil = 0; ringsaddle.sound.play('cross'); } return true; })()`)
	for range 20 {
		eval[bool](p, "(ringsaddle.sound.follow(Math.random()), ringsaddle.sound.end(), true)")
	}
	p.wait("ear.live === 0")
	if n := eval[int](p, "ear.edges"); n != base0 {
		t.Errorf("%d connections left, %d before", n, base0)
	}

	// A lost connection is heard and seen too.
	eval[bool](p, "(ear.notes = [], true)")
	stop()
	p.waitText("#cue", "Connection lost")
	p.wait("ear.notes.length >= 5 && ear.notes.every((n) => Math.round(n) === 196)")
}
