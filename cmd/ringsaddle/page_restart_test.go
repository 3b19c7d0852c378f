package main

import (
	"slices"
	"strings"
	"testing"
)

// The daemon goes away under an open page, in mid-set and in mid-sweep, and comes
// back. The page says so, keeps what it showed, comes back by itself at the same
// step, and the set goes on to its end; nobody touches the page.
func TestPageOutlivesTheDaemon(t *testing.T) {
	t.Parallel()
	page := newWatcher(t)
	hand := newOperator(flowSpeed)
	simulated := startBench(t, briskScenario(t), 3, hand)
	address, stop := simulated.startDaemon()
	page.open("http://"+address+"/", 820, 1180)
	registerOnPage(page, simulated)
	startOnPage(page, simulated)
	hand.watch(address, page)
	page.press("Yes, it says M-40")
	page.press("Yes, it says W-4017")
	pressed := len(page.presses())
	// In mid-sweep: the tilt of the work ring is caught, the cross is not.
	page.see("the tilt minimum of the work ring", `document.querySelector('#now-ident strong').innerText === 'W-4017' && document.querySelector('#points').innerText.includes('tilt minimum')`)
	before, open, err := hand.openSet(t.Context())
	if err != nil || !open {
		t.Fatal(err)
	}
	shown := page.moment()

	stop()
	page.seeText("#link", "Connection lost")
	page.picture("1-lost")
	lost := page.moment()
	if lost.Ladder != shown.Ladder || lost.Ident != "W-4017" || lost.Title == "" || !strings.Contains(page.text("#set-title"), "W-4017 against M-40") {
		t.Errorf("when the connection was lost the page showed\n%+v\nbefore\n%+v", lost, shown)
	}
	if reading := page.text("#reading"); !strings.ContainsAny(reading, "0123456789") {
		t.Errorf("the last reading is gone from view: %q", reading)
	}

	simulated.startDaemon()
	page.seeText("#link", "Connected")
	page.seeText("#now-ident strong", "W-4017")
	back := page.moment()
	page.picture("2-back")
	after, open, err := hand.openSet(t.Context())
	if err != nil || !open || after.ID != before.ID || after.Step != before.Step {
		t.Fatalf("after the restart the set is %s at step %d (%v); it was %s at step %d", after.ID, after.Step, err, before.ID, before.Step)
	}
	if !strings.Contains(back.Detail, "Work position, height 4 mm, direction 0°, entry 1 of 1") || !strings.Contains(back.Ladder, "Opening M-40 40.00070") {
		t.Errorf("after the restart the page shows\n%+v", back)
	}
	page.seeText("#now-title", "Every step is done.")
	page.seeText("#result", "Accepted")
	page.picture("3-result")
	if got := page.presses()[pressed:]; len(got) > 0 {
		t.Errorf("after the rings' confirmation was pressed %q", got)
	}
	// Said while it was so, and not once more in between.
	links := []string{}
	for _, m := range page.moments() {
		if n := len(links); n == 0 || links[n-1] != m.Link {
			links = append(links, m.Link)
		}
	}
	if i := slices.IndexFunc(links, func(l string) bool { return strings.Contains(l, "Connection lost") }); i < 1 || !strings.Contains(links[len(links)-1], "Connected") {
		t.Errorf("the connection was said to be %q", links)
	}
}

// moment is what is to be read on the page now.
func (w *watcher) moment() moment {
	w.t.Helper()
	list := w.moments()
	if len(list) == 0 {
		w.t.Fatal("nothing was ever to be read on the page")
	}
	return list[len(list)-1]
}
