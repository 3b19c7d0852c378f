package main

import (
	"fmt"
	"testing"
	"time"
)

// A person watches the bench page of a real daemon in a real browser while the set
// is measured, and touches nothing.
func TestPageOnTheRealDaemon(t *testing.T) {
	t.Parallel()
	page := newWatcher(t)
	rig := newRig(t, shortScenario(t, 1, 1), 41)
	_, address, _ := rig.inProcess()
	page.open("http://"+address+"/", 1280, 800)
	page.see("no set", `document.querySelector('#now-title').innerText.includes('No set is running')`)
	page.picture("1-no-set")
	rig.begin(address)
	page.see("the ring in hand", `document.querySelector('#now-ident').innerText.includes('M-40')`)
	page.see("contact", `document.querySelector('#contact').dataset.contact === 'settled'`)
	page.see("a reading with the readout's four decimals", `/^[-\u2212]?\d+\.\d{4}$/.test(document.querySelector('#reading').innerText)`)
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
