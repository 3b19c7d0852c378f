package main

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"ringsaddle/acquire"
	"ringsaddle/acquire/bench"
	"ringsaddle/calibrate"
	"ringsaddle/detect"
)

var (
	positionsFlag     = flag.Int("positions", 31, "how many positions TestRepeatsGuardPositions measures")
	positionsSeedFlag = flag.Uint64("positions-seed", 1, "seed of the first of them")
)

// positionClasses are the benches on which positions are measured. Left out are
// those whose every entry turns back at one place off the extremum, so that no
// repeat can help (end_stop, remembered_digits: counted by themselves when
// -positions is 1000 or more), and preset_pressed, which voids the reference.
func positionClasses() (decidable, undecidable []bench.Class) {
	for _, c := range bench.Classes() {
		switch c {
		case bench.ClassPreset:
		case bench.ClassEndStop, bench.ClassRememberedDigits:
			undecidable = append(undecidable, c)
		default:
			decidable = append(decidable, c)
		}
	}
	return decidable, undecidable
}

// positionTries is how many entries a position is given.
const positionTries = 6

// repeatsTally counts how positions ended.
type repeatsTally struct {
	n, entries, diameters   int
	grossEntries            int // diameters of one entry that are gross
	done, thirds            int
	gross, grossUnannounced int // of those done; without a reservation or a capture set aside
	worst                   float64
	seeds                   []string
}

func (s *repeatsTally) String() string {
	share := func(name string, k, n int) string {
		return fmt.Sprintf("%-52s %6d of %6d = %8.4f %%, 95 %% upper bound %8.4f %%\n", name, k, n, 100*float64(k)/float64(max(n, 1)), 100*upper95(k, n))
	}
	return share("positions that end with a value", s.done, s.n) +
		fmt.Sprintf("%-52s %.2f\n", "entries a position", float64(s.entries)/float64(max(1, s.n))) +
		share("single diameters that are gross", s.grossEntries, s.diameters) +
		share("positions where two disagreed and a third was asked", s.thirds, s.done) +
		share("positions that end gross", s.gross, s.done) +
		share("  of these without a reservation", s.grossUnannounced, s.done) +
		fmt.Sprintf("largest error of a position %.3f µm; gross: %v\n", s.worst, s.seeds)
}

// Positions are measured by two entries each, with a third where the two disagree
// by more than their u allow: bench → detector → plan walker, without port and
// database. A position ends gross if the mean of what the walker uses is off by
// more than max(6σ, 3q), or if no used entry supports a diameter; σ is what
// knowing the phases attains against the wander of the trace (a lower bound, so
// that more counts as gross), q the resolution.
//
//	go test ./cmd/ringsaddle -run TestRepeatsGuardPositions -positions 30000 -v -timeout 3h
//
// measures thirty thousand positions, the classes of the bench in turn.
func TestRepeatsGuardPositions(t *testing.T) {
	t.Parallel()
	decidable, undecidable := positionClasses()
	var sum repeatsTally
	for i := range *positionsFlag {
		measurePosition(t, decidable[i%len(decidable)], *positionsSeedFlag+uint64(i), &sum)
	}
	t.Logf("classes %v in turn, seeds %d to %d\n%s", decidable, *positionsSeedFlag, *positionsSeedFlag+uint64(*positionsFlag)-1, &sum)
	if *positionsFlag >= 1000 {
		var stuck repeatsTally
		for i := range *positionsFlag / 30 {
			measurePosition(t, undecidable[i%len(undecidable)], *positionsSeedFlag+uint64(i), &stuck)
		}
		t.Logf("every entry of the position the same: %v\n%s", undecidable, &stuck)
	}
	if sum.thirds == 0 || sum.done < sum.n/2 {
		t.Errorf("%d of %d positions ended, %d asked for a third entry: the study shows nothing", sum.done, sum.n, sum.thirds)
	}
	if sum.gross > 1+sum.n/1000 {
		t.Errorf("%d of %d positions end gross: %v", sum.gross, sum.n, sum.seeds)
	}
}

// judgedEntry is the error of one diameter.
type judgedEntry struct {
	um, limit float64
	supported bool
}

// measurePosition measures one position of a bench of the class.
func measurePosition(t *testing.T, class bench.Class, seed uint64, sum *repeatsTally) {
	t.Helper()
	sc, err := bench.ClassScenario(class, rand.New(rand.NewPCG(seed, 78)))
	if err != nil {
		t.Fatal(err)
	}
	session, err := bench.NewSession(sc, seed)
	if err != nil {
		t.Fatal(err)
	}
	trace := session.Trace(nil)
	detector, err := detect.New(detect.DefaultParams(trace.Step, trace.ResolutionPM))
	if err != nil {
		t.Fatal(err)
	}
	s := &seededSet{t: t, seed: seed, session: session, state: calibrate.NewState("set")}
	s.beginPosition(sc)
	sum.n++
	judged := map[string]judgedEntry{}
	third := false
	var buf []acquire.Reading
	for try := 0; s.state.Step == 1 && try < positionTries; try++ {
		var entry bench.Entry
		if buf, entry, err = session.Run(sc.Tasks[0], buf[:0]); err != nil {
			t.Fatal(err)
		}
		buf = session.Idle(2, buf)
		sum.entries++
		for _, r := range buf {
			for _, e := range detector.Push(r) {
				switch e.Kind {
				case detect.EventCaptured:
					s.n++
					fact := captureFact(fmt.Sprintf("c%d", s.n), e.Capture.At, "stream", trace.Step, *e.Capture)
					if e.Capture.Outcome == detect.OutcomeDiameter {
						j := judgeEntry(&trace, &entry, e.Capture)
						judged[fact.ID] = j
						sum.diameters++
						if !j.supported || math.Abs(j.um) > j.limit {
							sum.grossEntries++
						}
					}
					s.apply(calibrate.Event{Kind: calibrate.CaptureStored, Capture: &fact})
				case detect.EventWithdrawn:
					if _, err := calibrate.Apply(s.state, calibrate.Event{Kind: calibrate.WithdrawnAfter, Seq: s.seq + 1}); err == nil {
						s.apply(calibrate.Event{Kind: calibrate.WithdrawnAfter})
					}
				}
			}
		}
		third = third || s.state.Steps[1].Needed > 2
	}
	step := s.state.Steps[1]
	if step.Disagreement > 0 && len(step.Used) == 2 && s.state.Step > 1 {
		t.Errorf("%s seed %d: two entries disagree by %v and no third was asked", class, seed, step.Disagreement)
	}
	if s.state.Step == 1 {
		return
	}
	sum.done++
	if third {
		sum.thirds++
	}
	var err1, limit float64
	supported, n := false, 0.0
	for _, id := range step.Used {
		j, ok := judged[id]
		if !ok {
			t.Fatalf("%s seed %d: %s is used and was never judged", class, seed, id)
		}
		err1 += j.um
		limit += j.limit
		supported = supported || j.supported
		n++
	}
	err1, limit = err1/n, limit/n
	sum.worst = math.Max(sum.worst, math.Abs(err1))
	if supported && math.Abs(err1) <= limit {
		return
	}
	sum.gross++
	announced := slices.ContainsFunc(s.state.Captures, func(c calibrate.CaptureRecord) bool { return c.Standing == calibrate.StandingSetAside }) ||
		slices.ContainsFunc(s.state.Reservations, func(r calibrate.Reservation) bool { return r.Code == calibrate.ReserveRepeatsDisagree })
	if !announced {
		sum.grossUnannounced++
	}
	sum.seeds = append(sum.seeds, fmt.Sprintf("%s/%d %+.2f µm (%d used)", class, seed, err1, len(step.Used)))
}

// judgeEntry compares the capture of a diameter with the contact it came from.
func judgeEntry(tr *bench.Trace, entry *bench.Entry, c *detect.Capture) judgedEntry {
	for i := range entry.Contacts {
		x := &entry.Contacts[i]
		// The span of a capture begins before its contact and ends after it.
		if c.FirstSeq > x.LastSeq || c.LastSeq < x.LastSeq {
			continue
		}
		at := c.At
		if tr.Class == bench.ClassClockJump {
			at = x.SaddleNS
		}
		um := (tr.Step.PositionMM(c.Origin) + c.Saddle*tr.Step.MM() - x.SaddleAt(at)) * 1e3
		// The passes of both adjustments and the rest between carry the wander.
		v := 1.0
		for _, a := range x.Extrema {
			v += 1 / math.Max(1, float64(a.Crossings))
		}
		sigma := math.Sqrt(v) * math.Hypot(tr.WanderUM, 0.01)
		return judgedEntry{um: um, limit: math.Max(6*sigma, 3e-6*float64(tr.ResolutionPM)), supported: x.Allows(bench.OutcomeDiameter)}
	}
	return judgedEntry{um: math.Inf(1)}
}

// beginPosition starts a set of one work position with two entries. Its opening
// is given: a capture of the nominal size.
func (s *seededSet) beginPosition(sc bench.Scenario) {
	nominal, _ := calibrate.LengthFromMM(sc.Rings[0].NominalMM)
	master := calibrate.Ring{
		ID: "m", Ident: "M", Kind: calibrate.Master, Material: "steel", Nominal: nominal,
		Certificate: &calibrate.MasterCertificate{
			Number: "1", Diameter: nominal, Expanded: calibrate.Micrometre / 10, CoverageFactorMill: 2000,
			Height: calibrate.Millimetre, CalibratedOn: "1970-01-01", DueOn: "1971-01-01",
		},
	}
	work := calibrate.Ring{ID: "w", Ident: "W", Kind: calibrate.Work, Material: "steel", Nominal: nominal}
	rings := []calibrate.Ring{master, work}
	step := calibrate.PlanStep{RingID: "m", Height: calibrate.Millimetre, Repeats: 1}
	plan := calibrate.Plan{Steps: []calibrate.PlanStep{step, step, step}}
	plan.Steps[0].Role, plan.Steps[1].Role, plan.Steps[2].Role = calibrate.Opening, calibrate.Working, calibrate.Closing
	plan.Steps[1].RingID, plan.Steps[1].Repeats = "w", 2
	cfg := demoConfig(sc, "/dev/none", "none.db", "127.0.0.1:0").Stations[0]
	setup := (&session{station: cfg.Name, cfg: cfg}).setup("1970-01-01", rings)
	s.apply(calibrate.Event{Kind: calibrate.SetStarted, By: "T", Plan: &plan, Rings: rings, Setup: &setup})
	s.apply(calibrate.Event{Kind: calibrate.RingConfirmed, RingID: "m", By: "T"})
	opening := calibrate.CaptureFact{ID: "opening", StreamID: "stream", Outcome: "diameter", Reading: nominal, U: 1}
	s.apply(calibrate.Event{Kind: calibrate.CaptureStored, Capture: &opening})
	s.apply(calibrate.Event{Kind: calibrate.WithdrawnAfter})
	s.apply(calibrate.Event{Kind: calibrate.RingConfirmed, RingID: "w", By: "T"})
	if s.state.Step != 1 {
		s.t.Fatalf("the set stands at step %d (%s), not at its position", s.state.Step, s.state.Status)
	}
}
