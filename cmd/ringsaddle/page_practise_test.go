package main

import (
	"context"
	"strings"
	"testing"
	"time"

	"ringsaddle/acquire/bench"
)

// A person who practises does at the page what is done there, from an empty register
// on: the simulated hand serves the set, says on the page what its bench cannot do,
// and the terminal has the truth beside what was found.
func TestPractise(t *testing.T) {
	t.Parallel()
	page := newWatcher(t)
	folder := t.TempDir() // outlives the demo
	ctx, cancel := context.WithCancel(context.Background())
	var told lines
	ended := make(chan error, 1)
	go func() {
		ended <- runDemo(ctx, &told, demoOptions{
			seed: 4, speed: maxDemoSpeed, practise: true, scenario: "testdata/short.toml", folder: folder, listen: "127.0.0.1:0", logLevel: "error",
		})
	}()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("the demo: %v", err)
		}
		if t.Failed() {
			t.Logf("the terminal:\n%s", told.String())
		}
	})
	says := func(what string) {
		t.Helper()
		for until := time.Now().Add(pagePatience); !strings.Contains(told.String(), what); time.Sleep(50 * time.Millisecond) {
			if time.Now().After(until) {
				t.Fatalf("the terminal does not say %q", what)
			}
		}
	}
	says("Ctrl-C ends.")
	says("M-40  master ring of 40 mm, steel; its certificate DEMO-1: 40.00070 mm at 20 °C, U = 0.1 µm (k = 2), at height 10 mm")
	_, rest, _ := strings.Cut(told.String(), "Bench page: ")
	address, _, _ := strings.Cut(rest, "\n")

	page.open(address, 1280, 800)
	page.seeText("#setup", "The register is empty.")
	page.see("nothing but the button that is wanted", `[...document.querySelectorAll('#order button')].filter((b) => b.checkVisibility()).map((b) => b.innerText).join() === 'Register a ring'`)
	registerOnPage(page, nil)
	// What was registered is chosen, and who registered it measures.
	page.see("the choices", `[...document.querySelectorAll('#order select')].filter((s) => s.checkVisibility()).map((s) => s.selectedOptions[0].text.split(' ')[0]).join() === 'M-40,W-4017,Heights' && document.querySelector('#order input').value === 'A. Example'`)
	page.fill("Heights / mm", "30")
	page.press("Start the set")
	page.seeText("#now-title", "Paused.")
	page.seeText("#now-detail", "Ring W-4017 is 24 mm long: the height of 30 mm lies outside it. Abort this set and choose another height.")
	page.press("More")
	page.press("Abort")
	page.fill("Reason", "Wrong height")
	page.press("Abort for good")
	page.press("Start another set")

	page.fill("Heights / mm", "4")
	page.fill("Entries at each position", "1")
	page.press("Start the set")
	page.press("Yes, it says M-40")
	page.press("Yes, it says W-4017")
	page.seeText("#now-title", "Every step is done.")
	page.seeText("#result", "Accepted")
	page.seeText("#temperatures", "W-4017 20.")
	page.press("Close the set")
	page.seeText("#now-title", "The set is closed.")
	says("accepted")
	says("truth")
}

// After its own set the demo's hand serves one that a person starts, and leaves the
// confirmations to that person.
func TestHandServesAfterItsOwnSet(t *testing.T) {
	t.Parallel()
	rig := newRig(t, shortScenario(t, 1, 1), 6)
	rig.tech.stays = true
	_, address, _ := rig.inProcess()
	rig.begin(address)
	rig.finish(2 * time.Minute)

	person := &technician{scenario: rig.tech.scenario, api: &client{base: "http://" + address}, ids: rig.tech.ids}
	if err := person.start(t.Context()); err != nil {
		t.Fatal(err)
	}
	confirmed := 0
	for until := time.Now().Add(2 * time.Minute); ; time.Sleep(100 * time.Millisecond) {
		set, err := person.api.set(t.Context(), person.setID)
		if err != nil {
			t.Fatal(err)
		}
		if set.Waits == "close" {
			break
		}
		if time.Now().After(until) {
			t.Fatalf("the set still waits for %s at step %d", set.Waits, set.Step)
		}
		if set.Waits != "confirm_ring" {
			continue
		}
		confirmed++
		if err := person.api.act(t.Context(), person.setID, "confirm-ring", map[string]any{"by": "A. Example", "ring_id": set.ConfirmRing}); err != nil {
			t.Fatal(err)
		}
	}
	if confirmed < 2 {
		t.Errorf("%d rings were left to the person to confirm", confirmed)
	}
	if err := person.api.act(t.Context(), person.setID, "close", map[string]any{"by": "A. Example"}); err != nil {
		t.Fatal(err)
	}
	for until := time.Now().Add(time.Minute); !strings.Contains(rig.told.String(), "a simulation and no certificate"); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(until) {
			t.Fatal("the truth is not told beside what was found")
		}
	}
}

func TestRingOfThePractice(t *testing.T) {
	sc, err := bench.OpenScenario("demo")
	if err != nil {
		t.Fatal(err)
	}
	tech := &technician{scenario: sc}
	for _, c := range []struct {
		step remoteStep
		ring string
		why  string
	}{
		{remoteStep{Ident: "w-4017", HeightMM: 24}, "W-4017", ""},
		{remoteStep{Ident: "M-40", HeightMM: 0}, "M-40", ""},
		{remoteStep{Ident: "W-4017", HeightMM: 24.1}, "W-4017", "is 24 mm long: the height of 24.1 mm lies outside it"},
		{remoteStep{Ident: "W-1"}, "", "The simulated bench has no ring W-1; it has M-40 (master, 40 mm) and W-4017 (work, 40 mm)."},
	} {
		ring, why := tech.ringOf(c.step)
		if ring.Ident != c.ring || !strings.Contains(why, c.why) || (why == "") != (c.why == "") {
			t.Errorf("%+v: ring %q, %q", c.step, ring.Ident, why)
		}
	}
}
