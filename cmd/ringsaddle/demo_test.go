package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os/exec"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ringsaddle/acquire"
	"ringsaddle/calibrate"
	"ringsaddle/detect"
	"ringsaddle/storage"
)

// The real binary measures a set on the simulated bench through a real serial
// device, as the README's first command does. The scenario is cut short: one
// position, single entries.
func TestDemoBinary(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithTimeout(t.Context(), 3*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, realBinary(t), "demo", "--exit", "--seed", "3", "--scenario", "testdata/short.toml", "--folder", t.TempDir())
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		t.Fatalf("demo: %v\n%s\n%s", err, out.String(), errs.String())
	}
	for _, want := range []string{"diameter 20 °C", "Closing difference", "accepted", "no certificate"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("the demo does not say %q:\n%s", want, out.String())
		}
	}
}

// The verdict must be able to fail.
func TestDemoVerdict(t *testing.T) {
	good := func() *demoReport {
		p := demoPosition{errUM: 0.1, uUM: 0.1}
		return &demoReport{planned: 1, positions: []demoPosition{p}}
	}
	if err := good().verdict(); err != nil {
		t.Errorf("a good demo is refused: %v", err)
	}
	for name, spoil := range map[string]func(*demoReport){
		"a position is missing":  func(r *demoReport) { r.planned = 2 },
		"no position":            func(r *demoReport) { r.planned, r.positions = 0, nil },
		"error beyond the limit": func(r *demoReport) { r.positions[0].errUM = -0.31; r.positions[0].uUM = 0.15 },
		"error beyond 3u":        func(r *demoReport) { r.positions[0].errUM = 0.2; r.positions[0].uUM = 0.05 },
		"u too large":            func(r *demoReport) { r.positions[0].uUM = 0.16 },
		"not a number":           func(r *demoReport) { r.positions[0].errUM = math.NaN() },
	} {
		r := good()
		spoil(r)
		if r.verdict() == nil {
			t.Errorf("%s: the demo would end with status 0", name)
		}
	}
}

// A set is measured hands-free; then the stored span of every capture, fed to a
// fresh detector, gives that capture again, bit for bit, and the journal and the
// traces are what was recorded.
func TestSetIsCapturedAndCanBeReproduced(t *testing.T) {
	t.Parallel()
	rig := newRig(t, shortScenario(t, 1, 1), 5)
	_, address, stop := rig.inProcess()
	rig.begin(address)
	report := rig.finish(2 * time.Minute)
	if err := report.verdict(); err != nil {
		t.Errorf("%v\n%s", err, rig.told.String())
	}
	if report.result.Status != "accepted" || !report.set.Closed {
		t.Errorf("the set is %q, closed %v", report.result.Status, report.set.Closed)
	}
	stop()

	// "evaluate SET" is the same engine on the same set.
	set, err := readSet(t.Context(), rig.cfg.Storage.Path, rig.tech.setID)
	if err != nil {
		t.Fatal(err)
	}
	out, err := calibrate.Evaluate(set, calibrate.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if got, want := out.Rings[0].Positions[0].ValueMM, report.result.Positions[0].DiameterMM; got != want {
		t.Errorf("evaluated again the diameter is %v mm, the daemon found %v mm", got, want)
	}

	store := openStore(t, rig.cfg.Storage.Path)
	if err := store.VerifyJournal(t.Context()); err != nil {
		t.Error(err)
	}
	captures, err := store.Captures(t.Context(), storage.CaptureFilter{})
	if err != nil {
		t.Fatal(err)
	}
	diameters := 0
	for _, c := range captures {
		if err := store.VerifyTrace(t.Context(), c.ID); err != nil {
			t.Errorf("capture %s: %v", c.ID, err)
		}
		if c.Capture.Outcome == detect.OutcomeDiameter {
			diameters++
		}
	}
	reproduces(t, store, captures)
	turns := 0
	for _, c := range captures {
		list, err := turnBacks(t.Context(), store, c.ID)
		if err != nil {
			t.Error(err)
		}
		turns += len(list)
		for _, b := range list {
			if b.At < c.Capture.StartAt || b.At > c.Capture.EndAt {
				t.Errorf("capture %s: a turn of the hand at %d, outside the contact", c.ID, b.At)
			}
		}
	}
	if turns == 0 {
		t.Error("the hand of the demo turns back now and then, and no capture shows it")
	}
	if diameters < 3 {
		t.Errorf("%d captures with a diameter; an opening, a work and a closing one are needed", diameters)
	}
}

// reproduces feeds the stored span of every capture to a fresh detector.
func reproduces(t *testing.T, store *storage.Store, captures []storage.CaptureRecord) {
	t.Helper()
	for _, c := range captures {
		if _, err := turnBacks(t.Context(), store, c.ID); err != nil {
			t.Errorf("the turn-backs of capture %s: %v", c.ID, err)
		}
		again := replay(t, store, c)
		if !reflect.DeepEqual(again, c.Capture) {
			t.Errorf("capture %s: a fresh detector makes this of the stored span (- recorded, + again):\n%s", c.ID, cmp.Diff(c.Capture, again))
		}
	}
}

func openStore(t *testing.T, path string) *storage.Store {
	t.Helper()
	store, err := storage.Open(t.Context(), storage.Config{Path: path, ReadOnly: true}, time.Now, newID)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = store.Close(context.Background()) })
	return store
}

// replay feeds the stored span of a capture to a fresh detector.
func replay(t *testing.T, store *storage.Store, c storage.CaptureRecord) detect.Capture {
	t.Helper()
	stored, err := store.Stream(t.Context(), c.StreamID)
	if err != nil {
		t.Fatal(err)
	}
	var p detect.Params
	text, err := store.Params(t.Context(), c.Capture.ParamsDigest)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &p); err != nil {
		t.Fatal(err)
	}
	if want := detect.DefaultParams(stored.Step, stored.ResolutionPM); !reflect.DeepEqual(p, want) {
		t.Errorf("stored parameters %+v, want %+v", p, want)
	}
	d, err := detect.New(p)
	if err != nil {
		t.Fatal(err)
	}
	var found []detect.Capture
	take := func(events []detect.Event) {
		for _, e := range events {
			if e.Kind == detect.EventCaptured {
				found = append(found, *e.Capture)
			}
		}
	}
	var last acquire.Reading
	for r, err := range store.Trace(t.Context(), c.StreamID, c.Capture.FirstSeq, c.Capture.LastSeq) {
		if err != nil {
			t.Fatal(err)
		}
		take(d.Push(r))
		last = r
	}
	if last.Seq != c.Capture.LastSeq {
		t.Errorf("capture %s: the stored span ends at %d, recorded was %d", c.ID, last.Seq, c.Capture.LastSeq)
	}
	if c.Capture.Ending == detect.EndReadingsLost { // what ended it lies behind the span
		take(d.Lost(last.Seq+1, last.Seq+1))
	} else {
		take(d.Flush())
	}
	if len(found) != 1 {
		t.Fatalf("capture %s: a fresh detector makes %d captures of its span", c.ID, len(found))
	}
	return found[0]
}
