package main

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"ringsaddle/acquire/bench"
)

// flowSpeed is how much faster than life the hands-free set runs. Half of what the
// other tests use: a browser draws the page beside it, and a stall of the machine
// shall stay short on the station's clock.
const flowSpeed = 10

// From an empty database to a finished set. A person turns the sound on, registers
// two rings, starts the set, confirms the ident of each ring, and from then on has both hands on the
// knobs. On the way one sweep passes the cross maximum only once, and is asked for
// again; and once a ring of another nominal size is brought, which stops the flow
// until the person has answered. Nothing else is pressed, and nothing is looked at
// but the page.
func TestHandsFreeSet(t *testing.T) {
	t.Parallel()
	page := newWatcher(t)
	page.before(earScript)
	sc := briskScenario(t)
	hand := newOperator(flowSpeed)
	// The slips are made until they have had their effect: on a busy machine the
	// readings of a slip may be spoilt in another way.
	hand.slip = func(set remoteSet, task *bench.Task) {
		switch {
		case set.Step == 0 && !slices.ContainsFunc(set.Captures, func(c remoteCapture) bool { return c.Outcome == "ambiguous" }):
			task.SecondMode = "once"
		case set.Step == 1 && !slices.ContainsFunc(set.Captures, func(c remoteCapture) bool { return c.Standing == "rejected" }):
			task.Ring = "W-4218"
		}
	}
	simulated := startBench(t, sc, 2, hand)
	address, _ := simulated.startDaemon()
	page.open("http://"+address+"/", 1280, 800)
	page.seeText("#setup", "The register is empty.")
	page.seeText("#now-title", "No set is running.")
	page.picture("01-empty")
	if h := page.heard(); h.Contexts != 0 {
		t.Error("there is sound before a person asked for it")
	}
	page.press("Sound on")

	registerOnPage(page, simulated)
	startOnPage(page, simulated)
	hand.watch(address, page)
	atStart := len(page.presses())

	page.seeText("#now-title", "Read the ident: is this master ring M-40?")
	page.seeText("#now-ident strong", "M-40")
	page.picture("02-confirm-master")
	page.press("Yes, it says M-40")

	page.seeText("#contact-word", "In contact")
	page.picture("03-opening")
	page.seeText("#now-title", "Read the ident: is this work ring W-4017?")
	page.seeText("#ladder [data-step='0'] .under", "1 of 1")
	page.picture("04-confirm-work")
	page.press("Yes, it says W-4017")

	// The wrong ring: the flow stops, says why, and nothing is stored as a result.
	page.seeText("#now-title", "Stopped: please answer.")
	page.seeText("#now-detail", "+2.00")
	page.seeText("#now-detail", "mm from what ring W-4017 of 40 mm lets expect: look for another ring on the table")
	page.seeText("#now-detail", "Does this capture belong to ring W-4017 all the same?")
	page.seeText("#ladder [data-step='1'] .under", "0 of 1")
	page.seeText("#asks", "Yes, keep the capture")
	page.seeText("#asks", "No, reject the capture")
	page.picture("05-question")
	if result := page.text("#result"); result != "" {
		t.Errorf("while the flow is stopped the page shows a result:\n%s", result)
	}
	stopped, open, err := hand.openSet(t.Context())
	if err != nil || !open || stopped.Step != 1 || stopped.Steps[1].Got != 0 {
		t.Fatalf("while the flow is stopped the set is at step %d with %+v (%v)", stopped.Step, stopped.Steps, err)
	}
	page.press("No, reject the capture")

	page.seeText("#now-title", "Every step is done.")
	page.seeText("#figures", "✓ within")
	page.seeText("#result", "Accepted")
	page.seeText("#result .caution", "not a calibration certificate")
	page.picture("06-result")

	// Pressed: the two rings' confirmations and the answer, and nothing else.
	want := []string{"Yes, it says M-40", "Yes, it says W-4017", "No, reject the capture"}
	if got := page.presses()[atStart:]; !slices.Equal(got, want) {
		t.Errorf("after the start was pressed %q, want %q", got, want)
	}
	set, open, err := hand.openSet(t.Context())
	if err != nil || !open || set.Waits != "close" {
		t.Fatalf("the set waits for %q, open %v (%v); it should wait for nothing but its closing", set.Waits, open, err)
	}
	checkMoments(t, page.moments())
	checkHeard(t, page.heard())
	checkFlowResult(t, hand, sc, set, page)
}

// registerOnPage enters the rings of the brisk scenario through the page's forms.
func registerOnPage(page *watcher, simulated *pacedBench) {
	page.t.Helper()
	day := func(years int) string { return time.Now().AddDate(years, 0, 0).Format(time.DateOnly) }
	page.press("Register a ring")
	for _, f := range [][2]string{
		{"Kind", "Master ring"},
		{"Ident, as engraved", "M-40"},
		{"Nominal diameter / mm", "40"},
		{"Material", "steel"},
		{"Your name", "A. Example"},
		{"Number", "INVENTED-1"},
		{"Diameter at 20 °C / mm", "40.00070"},
		{"Expanded uncertainty / µm", "0.1"},
		{"Calibrated on", day(-1)},
		{"Due on", day(1)},
	} {
		page.fill(f[0], f[1])
	}
	page.press("Register")
	page.see("the master in the list", `!document.querySelector('dialog').open && [...document.querySelectorAll('option')].some((o) => o.text.includes('M-40'))`)
	page.press("Register a ring")
	for _, f := range [][2]string{
		{"Kind", "Work ring"}, {"Ident, as engraved", "W-4017"}, {"Nominal diameter / mm", "40"}, {"Material", "steel"}, {"Your name", "A. Example"},
	} {
		page.fill(f[0], f[1])
	}
	page.press("Register")
	page.see("the work ring in the list", `!document.querySelector('dialog').open && [...document.querySelectorAll('option')].some((o) => o.text.includes('W-4017'))`)
}

// startOnPage fills the form of a set with one position, with the thermometers'
// readings, and starts it.
func startOnPage(page *watcher, simulated *pacedBench) {
	page.t.Helper()
	celsius := func(ident string) string { return formatCelsius(simulated.Thermometer(ident)) }
	for _, f := range [][2]string{
		{"Technician", "A. Example"},
		{"Master ring", "M-40"},
		{"Ring", "W-4017"},
		{"Heights / mm", "4"},
		{"Directions / °", "0"},
		{"Entries at each position", "1"},
		{"Master", celsius("M-40")},
		{"Work rings", celsius("W-4017")},
		{"Scale", celsius("")},
	} {
		page.fill(f[0], f[1])
	}
	page.press("Start the set")
}

// checkMoments looks at what a person could read from the start to the result.
func checkMoments(t *testing.T, seen []moment) {
	t.Helper()
	at := 0
	// next finds what comes at or after the last find, in this order.
	next := func(what string, is func(m moment) bool) {
		t.Helper()
		i := slices.IndexFunc(seen[at:], is)
		if i < 0 {
			t.Errorf("not seen in its turn: %s", what)
			return
		}
		at += i
	}
	title := func(text string) func(moment) bool {
		return func(m moment) bool { return strings.Contains(m.Title, text) }
	}
	next("bring the master", func(m moment) bool { return title("Bring master ring M-40")(m) && m.Ident == "M-40" && m.Tone == "act" })
	next("where: opening, height, direction, entry", func(m moment) bool {
		return strings.Contains(m.Detail, "Opening reference, height 10 mm, direction 0°, entry 1 of 1")
	})
	next("contact", func(m moment) bool { return m.Contact == "In contact" })
	next("the tilt", func(m moment) bool { return strings.Contains(m.Title, "tilt") && m.Tone == "act" })
	next("the tilt minimum", func(m moment) bool { return strings.Contains(m.Points, "tilt minimum") })
	next("the cross slide", title("cross slide"))
	next("the master again, nothing counted", func(m moment) bool {
		return m.Ident == "M-40" && m.Points == "" && strings.Contains(m.Ladder, "Opening M-40 10 mm, 0° 0 of 1")
	})
	next("the cross maximum", func(m moment) bool { return strings.Contains(m.Points, "cross maximum") })
	next("captured", func(m moment) bool { return title("Captured.")(m) && m.Tone == "good" })
	next("the work ring's confirmation", func(m moment) bool { return title("is this work ring W-4017?")(m) && m.Tone == "ask" })
	next("the work ring in hand", func(m moment) bool {
		return title("Bring work ring W-4017")(m) && m.Ident == "W-4017" && m.Tone == "act" && strings.Contains(m.Detail, "Work position, height 4 mm, direction 0°, entry 1 of 1")
	})
	next("that it is not this ring", func(m moment) bool {
		return strings.Contains(m.Contact, "Not on ring W-4017: the reading lies +2.00") && title("Bring work ring W-4017")(m)
	})
	next("the question", func(m moment) bool { return title("Stopped: please answer.")(m) && m.Tone == "ask" })
	next("the work ring in hand again", func(m moment) bool { return m.Ident == "W-4017" && m.Tone == "act" })
	next("captured", func(m moment) bool { return title("Captured.")(m) && m.Tone == "good" })
	next("the closing reference", func(m moment) bool {
		return title("Bring master ring M-40")(m) && m.Ident == "M-40" && m.Tone == "act" && strings.Contains(m.Detail, "Closing reference, height 10 mm, direction 0°")
	})
	next("every step done, with the result", func(m moment) bool {
		return title("Every step is done.")(m) && strings.Contains(m.Result, "Accepted")
	})
	if t.Failed() {
		for i, m := range seen {
			if i == 0 || m.Title != seen[i-1].Title || m.Contact != seen[i-1].Contact || m.Asks != seen[i-1].Asks {
				t.Logf("%4d %s | %s | %s | %s | %s", i, m.Title, m.Ident, m.Contact, m.Missing, m.Detail)
			}
		}
	}
	for _, m := range seen[:at] {
		// The ladder may be a moment ahead of the sentence.
		if m.Result != "" && strings.Count(m.Ladder, "1 of 1") < 3 {
			t.Errorf("a result is shown before the set was finished:\n%s\n%s", m.Ladder, m.Result)
			break
		}
	}
	for _, m := range seen {
		if strings.Contains(m.Ladder, "42.0") {
			t.Errorf("the wrong ring got into the ladder:\n%s", m.Ladder)
			break
		}
	}
}

// checkFlowResult compares what is stored and shown with the truth.
func checkFlowResult(t *testing.T, hand *operator, sc bench.Scenario, set remoteSet, page *watcher) {
	t.Helper()
	var result remoteResult
	if err := hand.api.call(t.Context(), "GET", "/sets/"+set.ID+"/result", nil, &result); err != nil {
		t.Fatal(err)
	}
	ambiguous, rejected := 0, []string{}
	for _, c := range set.Captures {
		if c.Outcome == "ambiguous" {
			ambiguous++
			if c.Standing == "used" {
				t.Errorf("ambiguous capture %s is used", c.ID)
			}
		}
		if c.Standing == "rejected" {
			rejected = append(rejected, c.ID)
		}
	}
	if ambiguous == 0 || len(rejected) != 1 {
		t.Errorf("%d ambiguous captures and %d rejected ones; at least one and exactly one were made", ambiguous, len(rejected))
	}
	if len(result.Positions) != 1 {
		t.Fatalf("%d positions in the result, want 1", len(result.Positions))
	}
	p := result.Positions[0]
	for _, id := range p.Captures {
		if slices.Contains(rejected, id) {
			t.Errorf("the capture of the wrong ring is in the result")
		}
	}
	work := sc.Rings[1]
	if e := (p.DiameterMM - work.Diameter20(p.HeightMM, p.DirectionDeg)) * 1e3; !(math.Abs(e) <= demoMaxErrorUM && math.Abs(e) <= 3*p.UMM*1e3) {
		t.Errorf("the diameter is off by %+.3f µm with u = %.3f µm", e, p.UMM*1e3)
	}
	if shown := page.text("#result"); !strings.Contains(shown, formatMM(p.DiameterMM)) {
		t.Errorf("the page does not show the diameter %s:\n%s", formatMM(p.DiameterMM), shown)
	}
	t.Logf("%d captures, of these %d ambiguous", len(set.Captures), ambiguous)
}
