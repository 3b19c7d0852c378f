package api

import (
	"math"
	"strings"
	"testing"

	"ringsaddle/acquire"
	"ringsaddle/calibrate"
	"ringsaddle/detect"
)

// play is a sweep in contact; 0.01 µm a count, 0.1 µm can be seen.
func sweepOf(change func(*detect.State)) Sweep {
	s := detect.State{Stage: detect.StageContact, StartSeq: 7, Sought: 0, Visible: 10, Origin: 100}
	if change != nil {
		change(&s)
	}
	return Sweep{State: s, Seeks: detect.BoreSeeks(), CountMM: 1e-5}
}

func TestAdvice(t *testing.T) {
	seen := func(k, passes int, away, deepest float64) func(*detect.State) {
		return func(s *detect.State) {
			s.Sought = k
			s.Seek[k] = detect.SeekState{Seen: true, Played: true, Passes: passes, Away: away, Deepest: deepest}
		}
	}
	tiltDone := func(residual float64, more func(*detect.State)) func(*detect.State) {
		return func(s *detect.State) {
			s.Sought = 1
			s.Seek[0] = detect.SeekState{Seen: true, Played: true, Caught: true, Passes: 3}
			s.Parked[0], s.Residual[0] = true, residual
			if more != nil {
				more(s)
			}
		}
	}
	for _, c := range []struct {
		name  string
		sweep Sweep
		move  string
		about detect.Adjustment
		title string
		tone  string
	}{
		{"nothing there", sweepOf(func(s *detect.State) { s.Stage = detect.StageIdle }), "", "", "", ""},
		{"touching", sweepOf(func(s *detect.State) { s.Stage = detect.StageApproach }), "settle", "", "Let the carriage come to rest.", "act"},
		{"just settled", sweepOf(nil), "go_past", "tilt", "Turn the tilt past the smallest reading.", "act"},
		{"nothing known of the order", sweepOf(func(s *detect.State) { s.Sought = -1 }), "go_past", "tilt", "Turn the tilt past the smallest reading.", "act"},
		{"on the way", sweepOf(seen(0, 0, 0, 5)), "go_past", "tilt", "Turn the tilt past the smallest reading.", "act"},
		{"the reading came back a little", sweepOf(seen(0, 0, 50, 50)), "go_past", "tilt", "A little further with the tilt.", "act"},
		{"past, far enough", sweepOf(seen(0, 0, 250, 250)), "come_back", "tilt", "Back over the smallest reading with the tilt, steadily.", "act"},
		{"on the way back", sweepOf(seen(0, 0, 30, 250)), "come_back", "tilt", "Back over the smallest reading with the tilt, steadily.", "act"},
		{"one pass, not yet far", sweepOf(seen(1, 1, 50, 50)), "go_past", "cross", "A little further with the cross slide.", "act"},
		{"one pass, far", sweepOf(seen(1, 1, 300, 300)), "come_back", "cross", "Back over the largest reading with the cross slide, steadily.", "act"},
		{"two passes are not enough", sweepOf(seen(1, 2, 300, 300)), "once_more", "cross", "Once more over it with the cross slide, in one steady sweep.", "act"},
		{
			"the passes differ", sweepOf(func(s *detect.State) {
				seen(0, 3, 300, 300)(s)
				s.Seek[0].Lacks = detect.ReasonPassesDisagree
			}), "once_more", "tilt", "The passes differ: once more over it with the tilt, steadily.", "act",
		},
		{
			"resting on it, and not sure", sweepOf(func(s *detect.State) {
				seen(0, 3, 10, 300)(s)
				s.Resting = true
			}), "once_more", "tilt", "Once more with the tilt: well away, then over it in one steady sweep.", "act",
		},
		{"tilt caught, left far off", sweepOf(tiltDone(150, nil)), "rest", "tilt", "Tilt caught. Back to the smallest reading, then take the hand off.", "good"},
		{"tilt caught, never at rest", sweepOf(tiltDone(0, func(s *detect.State) { s.Parked[0] = false })), "rest", "tilt", "Tilt caught. Back to the smallest reading, then take the hand off.", "good"},
		{"tilt caught and left near", sweepOf(tiltDone(12, nil)), "next", "cross", "Good. Now the cross slide: past the largest reading.", "good"},
		{"cross in play", sweepOf(tiltDone(12, seen(1, 1, 300, 300))), "come_back", "cross", "Back over the largest reading with the cross slide, steadily.", "act"},
		{"all caught, the hand moves", sweepOf(tiltDone(12, func(s *detect.State) { s.Complete = true })), "rest", "", "All caught. Take the hand off.", "good"},
		{"all caught, at rest, not from all readings", sweepOf(tiltDone(12, func(s *detect.State) { s.Complete, s.Resting = true, true })), "rest", "", "All caught. Take the hand off.", "good"},
		{"all caught", sweepOf(tiltDone(12, func(s *detect.State) { s.Complete, s.Resting, s.Confirmed = true, true, true })), "withdraw", "cross", "All caught. Withdraw the ring.", "good"},
		{
			"the cross was not seen to be played", sweepOf(tiltDone(12, func(s *detect.State) { s.Complete, s.Flat, s.Resting, s.Confirmed = true, true, true, true })),
			"next", "cross", "Now the cross slide. If that does not move the reading, withdraw the ring.", "act",
		},
	} {
		a := adviceFor(c.sweep)
		if a.Move != c.move || a.Adjustment != c.about || a.Title != c.title || a.Tone != c.tone {
			t.Errorf("%s: %+v", c.name, a)
		}
	}
}

// A new sentence stands for 0.7 s, unless it tells that something is caught.
func TestGuideHolds(t *testing.T) {
	further := sweepOf(func(s *detect.State) { s.Seek[0] = detect.SeekState{Seen: true, Away: 50, Deepest: 50} })
	back := sweepOf(func(s *detect.State) { s.Seek[0] = detect.SeekState{Seen: true, Away: 250, Deepest: 250} })
	done := sweepOf(func(s *detect.State) { s.Complete = true })
	idle := sweepOf(func(s *detect.State) { s.Stage, s.StartSeq = detect.StageIdle, 0 })
	other := sweepOf(func(s *detect.State) { s.StartSeq = 8 })
	var g Guide
	for _, c := range []struct {
		ms    int64
		sweep Sweep
		move  string
	}{
		{0, idle, ""},
		{1000, further, "go_past"},
		{1100, back, "go_past"},    // held
		{1200, further, "go_past"}, // nothing flickers
		{1690, back, "go_past"},
		{1700, back, "come_back"},
		{1800, done, "rest"}, // caught: at once
		{1900, back, "rest"},
		{2500, back, "come_back"},
		{2600, other, "go_past"}, // another contact
		{2700, idle, ""},
		{2000, back, "come_back"}, // a clock that ran backwards holds nothing up
	} {
		if a := g.Advise(c.ms*1_000_000, c.sweep); a.Move != c.move {
			t.Errorf("at %d ms: %q, want %q", c.ms, a.Move, c.move)
		}
	}
}

func TestCloseness(t *testing.T) {
	if c := closeness(0, 0.1); c != 1 {
		t.Errorf("on it: %v", c)
	}
	if c := closeness(0.3, 0.1); c != 1 {
		t.Errorf("within three times what can be seen: %v", c)
	}
	if c := closeness(50, 0.1); c != 0 {
		t.Errorf("50 µm away: %v", c)
	}
	if c := closeness(1e6, 100); c != 0 {
		t.Errorf("far beyond, coarse: %v", c)
	}
	// Halfway by the logarithm: sqrt(0.3·50) µm.
	if c := closeness(math.Sqrt(15), 0.1); math.Abs(c-0.5) > 1e-12 {
		t.Errorf("halfway: %v", c)
	}
	last := 2.0
	for d := 0.01; d < 100; d *= 1.1 {
		c := closeness(d, 0.1)
		if c > last || !finite(c) {
			t.Fatalf("at %g µm closeness rises to %g", d, c)
		}
		last = c
	}
}

func TestNearnessAndResidual(t *testing.T) {
	step := acquire.Step{Num: 10_000, Den: 1} // 0.01 µm
	if n := nearnessOf(step, sweepOf(nil)); n != nil {
		t.Errorf("nothing seen: %+v", n)
	}
	s := sweepOf(func(s *detect.State) {
		s.Sought = 1
		s.Seek[1] = detect.SeekState{Seen: true, Extreme: 400, Away: 150, Side: detect.SidePast}
		s.Seek[0].Caught = true
		s.Parked[0], s.Residual[0] = true, 12.3
	})
	n := nearnessOf(step, s)
	if n == nil || n.Adjustment != "cross" || n.Sense != "max" || n.Best != 0.005 || n.Away != 0.0015 || n.Side != "past" || n.SideText != "Cross slide past the largest reading" {
		t.Errorf("%+v", n)
	}
	if n.Passed {
		t.Error("passed, though no pass was seen")
	}
	s.State.Seek[1].Passes = 1
	if !nearnessOf(step, s).Passed {
		t.Error("not passed after a pass")
	}
	mm, text := residualOf(step, s)
	if mm == nil || *mm != 0.000123 || text != "Tilt left 0.12 µm from its turning point; this is taken out" {
		t.Errorf("residual %v %q", mm, text)
	}
	s.State.Parked[0] = false
	if mm, text := residualOf(step, s); mm != nil || text != "" {
		t.Errorf("never at rest: residual %v %q", *mm, text)
	}
	s.State.Stage = detect.StageIdle
	if nearnessOf(step, s) != nil {
		t.Error("nearness without contact")
	}
}

// An entry without diameter is asked for again, with the movement that was missing.
func TestAgain(t *testing.T) {
	state := calibrate.State{
		Rings: fakeRings(), Step: 1,
		Plan: calibrate.Plan{Steps: []calibrate.PlanStep{
			{Role: calibrate.Opening, RingID: "m30"}, {Role: calibrate.Working, RingID: "w32"}, {Role: calibrate.Closing, RingID: "m30"},
		}},
		Steps: []calibrate.StepState{{Got: 1, Needed: 1}, {Needed: 1}, {Needed: 1}},
	}
	record := func(step int, outcome detect.Outcome, codes ...detect.ReasonCode) calibrate.CaptureRecord {
		f := calibrate.CaptureFact{ID: "c1", Outcome: string(outcome)}
		for _, c := range codes {
			f.ReasonCodes = append(f.ReasonCodes, string(c))
		}
		return calibrate.CaptureRecord{Fact: f, Step: step}
	}
	tilt := []CapturePoint{{Adjustment: detect.Tilt}}
	for _, c := range []struct {
		name   string
		rec    calibrate.CaptureRecord
		points []CapturePoint
		want   string
	}{
		{"a diameter", record(1, detect.OutcomeDiameter, detect.ReasonDrift), nil, ""},
		{"of another step", record(0, detect.OutcomeAmbiguous, detect.ReasonSeenOnce), nil, ""},
		{"cross once", record(1, detect.OutcomeAmbiguous, detect.ReasonSeenOnce), tilt, "the cross slide passed its largest reading once only"},
		{"tilt once, cross not played", record(1, detect.OutcomeIncomplete, detect.ReasonSeenOnce, detect.ReasonNotPlayed), nil, "the tilt passed its smallest reading once only"},
		{"cross not played", record(1, detect.OutcomeTiltOnly, detect.ReasonNotPlayed), tilt, "the cross slide was not played"},
		{"too narrow", record(1, detect.OutcomeAmbiguous, detect.ReasonFewPasses), tilt, "the cross slide moved too little"},
		{"run together", record(1, detect.OutcomeAmbiguous, detect.ReasonPhasesUnclear), []CapturePoint{{Adjustment: detect.Tilt}, {Adjustment: detect.Cross}}, "the two adjustments ran together"},
		{"readings lost", record(1, detect.OutcomeIncomplete, detect.ReasonReadingsLost, detect.ReasonSeenOnce), nil, "readings were missing"},
	} {
		st := state
		st.Captures = []calibrate.CaptureRecord{c.rec}
		set := &Set{State: st, Captures: []Capture{{CaptureRecord: c.rec, Points: c.points}}}
		idle := Sweep{State: detect.State{Stage: detect.StageIdle, Sought: -1}, Seeks: detect.BoreSeeks()}
		p := promptFor(&benchState{station: &Station{Connected: true}, set: set}, idle, adviceFor(idle))
		if c.want == "" {
			if p.move != MoveNone || strings.Contains(p.Detail, "Last time") || !strings.HasPrefix(p.Title, "Bring work ring") {
				t.Errorf("%s: %+v", c.name, p)
			}
			continue
		}
		if p.move != MoveAgain || p.Title != "Again, please: bring work ring W-32-118 against the contacts." || !strings.Contains(p.Detail, "Last time "+c.want) {
			t.Errorf("%s: %+v", c.name, p)
		}
	}
	capt := &detect.Capture{
		Outcome: detect.OutcomeAmbiguous, Points: []detect.TurningPoint{{Adjustment: detect.Tilt}},
		Reasons: []detect.Reason{{Code: detect.ReasonSeenOnce}},
	}
	w := wireCueOf(AgainCue("bench-1", capt, detect.BoreSeeks()))
	if w.Kind != "again" || w.Adjustment != "cross" || w.Text != "Again, please: the cross slide passed its largest reading once only: come back over it" {
		t.Errorf("%+v", w)
	}
}
