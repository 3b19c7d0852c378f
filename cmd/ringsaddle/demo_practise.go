package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"ringsaddle/acquire/bench"
)

// serve is the hand in sets that a person starts at the page: it brings the ring of
// the step in hand and plays it, and leaves everything that is done at the page to
// the person, except that it types what the thermometers show. It comes back with
// an entry to make, or when ctx ends.
func (t *technician) serve(ctx context.Context, done *bench.Entry) (bench.Task, error) {
	ended := time.Now()
	for {
		task, ready, err := t.look(ctx, done, time.Since(ended) > t.real(30*time.Second)+t.patience)
		switch {
		case ready:
			return task, nil
		case err != nil && !unreachable(err): // the page says why, to the person
			fmt.Fprintf(t.out, "%s  %v\n", t.stamp(), err)
			fallthrough
		case err != nil:
			err = t.rest(ctx, 2*time.Second)
		default:
			err = t.rest(ctx, 100*time.Millisecond)
		}
		if err != nil {
			return bench.Task{}, err
		}
	}
}

// look reads what the open set waits for; ready is false while that is not the
// hand. late: the last entry ended long ago.
func (t *technician) look(ctx context.Context, done *bench.Entry, late bool) (task bench.Task, ready bool, err error) {
	var station struct {
		SetID string `json:"set_id"`
	}
	if err := t.api.call(ctx, http.MethodGet, "/stations/bench-1", nil, &station); err != nil {
		return task, false, err
	}
	if t.served != "" && station.SetID != t.served {
		id := t.served
		t.served = ""
		return task, false, t.concluded(ctx, id)
	}
	if station.SetID == "" {
		return task, false, nil
	}
	if station.SetID != t.setID {
		t.setID, t.told, t.known = station.SetID, 0, -1
		fmt.Fprintf(t.out, "\n%s  a set was started at the page\n", t.stamp())
	}
	t.served = station.SetID
	set, err := t.api.set(ctx, t.setID)
	if err != nil {
		return task, false, err
	}
	t.tell(set)
	if set.Waits == "confirm_ring" || set.Waits == "capture" {
		// What this bench cannot do is said on the page, before anything is measured.
		for _, step := range set.Steps {
			if _, why := t.ringOf(step); why != "" {
				return task, false, t.api.act(ctx, t.setID, "pause", map[string]any{"by": technicianName, "reason": why})
			}
		}
	}
	switch {
	case set.Waits == "withdrawal" && late: // it was not seen to withdraw: once more
	case set.Waits != "capture":
		return task, false, nil
	case done != nil && len(set.Captures) <= t.known && !late:
		return task, false, nil // the page still works on the last entry
	}
	step := set.Steps[set.Step]
	ring, why := t.ringOf(step)
	if why != "" {
		return task, false, errors.New(why)
	}
	t.known = len(set.Captures)
	if err := t.readThermometers(ctx, remoteStep{RingID: step.RingID, Ident: ring.Ident}); err != nil {
		return task, false, err
	}
	return bench.Task{Ring: ring.Ident, HeightMM: step.HeightMM, DirectionDeg: step.DirectionDeg, Label: fmt.Sprint(set.Step)}, true, nil
}

// ringOf is the ring of the simulated bench that a step asks for, or why there is none.
func (t *technician) ringOf(step remoteStep) (ring bench.Ring, why string) {
	i := slices.IndexFunc(t.scenario.Rings, func(r bench.Ring) bool { return strings.EqualFold(r.Ident, step.Ident) })
	if i < 0 {
		var have []string
		for _, r := range t.scenario.Rings {
			have = append(have, fmt.Sprintf("%s (%s, %g mm)", r.Ident, r.Role, r.NominalMM))
		}
		return ring, fmt.Sprintf("The simulated bench has no ring %s; it has %s. Abort this set and take those.", step.Ident, strings.Join(have, " and "))
	}
	ring = t.scenario.Rings[i]
	if step.HeightMM > ring.LengthMM {
		return ring, fmt.Sprintf("Ring %s is %g mm long: the height of %g mm lies outside it. Abort this set and choose another height.", ring.Ident, ring.LengthMM, step.HeightMM)
	}
	return ring, ""
}

// concluded tells what came of a set of a person's, with the simulated truth beside it.
func (t *technician) concluded(ctx context.Context, id string) error {
	set, err := t.api.set(ctx, id)
	if err != nil {
		return err
	}
	t.tell(set)
	fmt.Fprintf(t.out, "%s  %s\n", t.stamp(), set.Sentence)
	if !set.Closed {
		return nil
	}
	report, err := t.report(ctx)
	if err != nil {
		return err
	}
	report.print(t.out)
	return nil
}

// rest waits on the clock of the person at the page, which no speed changes.
func (t *technician) rest(ctx context.Context, d time.Duration) error {
	select {
	case <-time.After(d):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// invite tells a person who wants to practise what lies on the simulated bench.
func (t *technician) invite() {
	fmt.Fprintln(t.out, "The register is empty, and no set is running: that is for you to do at the page. On the simulated bench lie")
	for _, r := range t.scenario.Rings {
		if r.Role != "master" {
			fmt.Fprintf(t.out, "  %s  work ring of %g mm, %g mm long, steel\n", r.Ident, r.NominalMM, r.LengthMM)
			continue
		}
		c := t.certificateOf(r)
		fmt.Fprintf(t.out, "  %s  master ring of %g mm, steel; its certificate %s: %.5f mm at 20 °C, U = %g µm (k = %g), at height %g mm\n     in direction %g°, calibrated on %s, due on %s\n",
			r.Ident, r.NominalMM, c.Number, c.DiameterMM, c.ExpandedMM*1e3, c.K, c.HeightMM, c.DirectionDeg, c.CalibratedOn, c.DueOn)
	}
	fmt.Fprintln(t.out, "Register both, start a set, confirm each ident when the page asks. The simulated hand does the rest: it turns the")
	fmt.Fprintln(t.out, "knobs, and types what the thermometers show. Ctrl-C ends.")
}
