package main

import (
	"slices"
	"testing"
	"time"

	"ringsaddle/acquire/bench"
	"ringsaddle/storage"
)

// The cable is pulled in mid-sweep and comes back under another device number
// behind its stable link: the daemon recovers by itself, the capture in progress is
// given up with its reason, and the set goes on to its end.
func TestUnplugInMidSweep(t *testing.T) {
	t.Parallel()
	rig := newRig(t, shortScenario(t, 1, 1), 7)
	_, address, stop := rig.inProcess()
	rig.begin(address)
	waitFor(t, time.Minute, "the first entry is in contact", func() bool { return rig.bench.Stats().InContact })
	time.Sleep(500 * time.Millisecond) // ten seconds of the bench: in the sweeps
	before := rig.bench.Device()
	if err := rig.bench.Inject(rig.ctx, bench.Fault{Kind: bench.FaultUnplug, Seconds: 5}); err != nil {
		t.Fatal(err)
	}
	report := rig.finish(2 * time.Minute)
	if err := report.verdict(); err != nil {
		t.Error(err)
	}
	if after := rig.bench.Device(); after == before {
		t.Errorf("the device came back under the same number, %s", after)
	}
	var givenUp []string
	for _, c := range report.set.Captures {
		for _, reason := range c.Reasons {
			if reason.Code == "readings_lost" {
				givenUp = append(givenUp, c.Outcome)
			}
		}
	}
	if len(givenUp) == 0 || slices.Contains(givenUp, "diameter") {
		t.Errorf("captures given up for lost readings: %q; one without a diameter is wanted", givenUp)
	}
	var st struct {
		Reconnects uint64 `json:"reconnects"`
	}
	if err := rig.tech.api.call(t.Context(), "GET", "/stations/bench-1", nil, &st); err != nil {
		t.Fatal(err)
	}
	if st.Reconnects == 0 {
		t.Error("the station counts no reconnect")
	}
	stop()
	store := openStore(t, rig.cfg.Storage.Path)
	captures, err := store.Captures(t.Context(), storage.CaptureFilter{})
	if err != nil {
		t.Fatal(err)
	}
	reproduces(t, store, captures)
}

// Garbage and half frames on the line cost a frame each and nothing else.
func TestGarbageOnTheLine(t *testing.T) {
	t.Parallel()
	rig := newRig(t, shortScenario(t, 1, 1), 8)
	d, address, _ := rig.inProcess()
	rig.begin(address)
	for range 20 {
		for _, f := range []bench.Fault{{Kind: bench.FaultGarbage, Bytes: 7}, {Kind: bench.FaultHalfFrame}} {
			if err := rig.bench.Inject(rig.ctx, f); err != nil {
				t.Fatal(err)
			}
		}
		time.Sleep(100 * time.Millisecond)
	}
	report := rig.finish(2 * time.Minute)
	if err := report.verdict(); err != nil {
		t.Error(err)
	}
	stats := d.stations[0].source.Stats()
	if stats.RejectedFrames() == 0 {
		t.Error("no frame was rejected; the faults did not reach the line")
	}
	if got := stats.BytesAccepted + stats.RejectedBytes() + stats.BytesHeld + stats.BytesPending; got != stats.BytesRead {
		t.Errorf("%d bytes read, %d accounted for", stats.BytesRead, got)
	}
}

func waitFor(t *testing.T, limit time.Duration, what string, ready func() bool) {
	t.Helper()
	for deadline := time.Now().Add(limit); time.Now().Before(deadline); time.Sleep(10 * time.Millisecond) {
		if ready() {
			return
		}
	}
	t.Fatalf("after %v still waiting until %s", limit, what)
}
