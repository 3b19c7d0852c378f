package main

import (
	"slices"
	"testing"
)

// earScript listens to the audio graph of the page: contexts made, the pitch of each
// note that is started at a time of its own, and the pitches to which the lasting
// tone is led.
const earScript = `(() => {
	const ear = window.ear = { contexts: 0, notes: [], pitches: [] };
	const Real = window.AudioContext;
	window.AudioContext = class extends Real {
		constructor(...options) {
			super(...options);
			ear.contexts++;
			ear.context = this;
		}
	};
	const start = OscillatorNode.prototype.start;
	OscillatorNode.prototype.start = function (when) {
		if (when) ear.notes.push(Math.round(this.frequency.value)); else if (this.type !== 'sine') ear.tone = this.frequency;
		return start.call(this, when ?? 0);
	};
	const lead = AudioParam.prototype.setTargetAtTime;
	AudioParam.prototype.setTargetAtTime = function (value, ...more) {
		if (this === ear.tone && ear.pitches.length < 20000) ear.pitches.push(value);
		return lead.call(this, value, ...more);
	};
})()`

// heard is what the ear script has heard so far.
type heard struct {
	Contexts int       `json:"contexts"`
	State    string    `json:"state"`
	Notes    []int     `json:"notes"`
	Pitches  []float64 `json:"pitches"`
}

func (w *watcher) heard() heard {
	w.t.Helper()
	h, err := evalPage[heard](w, "({ contexts: ear.contexts, state: ear.context?.state ?? '', notes: ear.notes, pitches: ear.pitches })")
	if err != nil {
		w.t.Fatal(err)
	}
	return h
}

// count is how often a figure of notes was begun and played to its end.
func (h heard) count(figure ...int) (n int) {
	for i := range h.Notes {
		if i+len(figure) <= len(h.Notes) && slices.Equal(h.Notes[i:i+len(figure)], figure) {
			n++
		}
	}
	return n
}

// checkHeard compares what was to be heard with what happened: each kind of news has
// a figure of its own, and the tone follows the nearness of the turning point.
func checkHeard(t *testing.T, h heard) {
	t.Helper()
	if h.Contexts != 1 || h.State != "running" {
		t.Errorf("%d audio contexts, the last %q", h.Contexts, h.State)
	}
	// A figure that would come too late behind others is left out, so that more news
	// than figures is right and none of a kind is not.
	for _, f := range []struct {
		what  string
		notes []int
	}{
		{"tilt caught", []int{523, 784}},
		{"cross caught", []int{523, 784, 1047}},
		{"all caught", []int{784, 784}},
		{"capture done", []int{523, 659, 784, 1047}},
		{"again, please", []int{494, 330}},
		{"question", []int{880, 698, 880}},
	} {
		n := h.count(f.notes...)
		t.Logf("heard %d times: %s", n, f.what)
		if n == 0 {
			t.Errorf("never heard: %s", f.what)
		}
	}
	if len(h.Pitches) < 20 || slices.Max(h.Pitches) < 1.5*slices.Min(h.Pitches) {
		t.Errorf("the tone was led to %d pitches; it should rise and fall with the nearness", len(h.Pitches))
	}
}
