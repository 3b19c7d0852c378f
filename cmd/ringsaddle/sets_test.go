package main

import (
	"fmt"
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"ringsaddle/acquire"
	"ringsaddle/acquire/bench"
	"ringsaddle/calibrate"
	"ringsaddle/detect"
)

// tally counts what became of the positions of many seeded sets.
type tally struct {
	sets, notFinished, notAccepted   int
	entries, atOnce, ambiguous       int // of deliberate entries
	positions, captured              int
	offLimit, offU, uOver100, uOver  int
	worstUM, sumErr, sumErr2, sumZ2  float64
	readingOff, readings, contacts   int
	worstReading, sumRead2, sumReadZ float64
}

// upper95 is the one-sided 95 % upper bound (Clopper and Pearson 1934) of a
// proportion of which k in n were seen.
func upper95(k, n int) float64 {
	if n == 0 || k >= n {
		return 1
	}
	return distuv.Beta{Alpha: float64(k) + 1, Beta: float64(n - k)}.Quantile(0.95)
}

func (s tally) String() string {
	share := func(name string, k, n int) string {
		return fmt.Sprintf("%-58s %6d of %6d = %8.4f %%, 95 %% upper bound %8.4f %%\n", name, k, n, 100*float64(k)/float64(max(n, 1)), 100*upper95(k, n))
	}
	n := float64(max(s.captured, 1))
	m := float64(max(s.readings, 1))
	return share("sets not finished within their tries", s.notFinished, s.sets) +
		share("sets not accepted at the closing", s.notAccepted, s.sets) +
		share("entries that gave no diameter at once", s.entries-s.atOnce, s.entries) +
		share("  of these ambiguous", s.ambiguous, s.entries) +
		share("captures off by more than 0.3 µm or 3u (reading)", s.readingOff, s.readings) +
		share("positions without a diameter", s.positions-s.captured, s.positions) +
		share("positions off by more than 0.3 µm", s.offLimit, s.captured) +
		share("positions off by more than 3u", s.offU, s.captured) +
		share("positions with u above 0.10 µm", s.uOver100, s.captured) +
		share("positions with u above 0.15 µm", s.uOver, s.captured) +
		fmt.Sprintf("diameters: bias %+.4f µm, RMS error %.4f µm, RMS of error/u %.3f, largest error %.3f µm\n",
			s.sumErr/n, math.Sqrt(s.sumErr2/n), math.Sqrt(s.sumZ2/n), s.worstUM) +
		fmt.Sprintf("readings: RMS error %.4f µm, RMS of error/u %.3f, largest error %.3f µm\n",
			math.Sqrt(s.sumRead2/m), math.Sqrt(s.sumReadZ/m), s.worstReading)
}

// Seeded sets are measured from end to end without port and database: simulated
// bench → detector → plan walker → evaluation, with the demo's hand and rings.
//
//	go test ./cmd/ringsaddle -run TestSeededSets -sets 2000 -v -timeout 60m
//
// prints the figures for two thousand sets.
func TestSeededSets(t *testing.T) {
	t.Parallel()
	sc, err := bench.LoadScenario("demo")
	if err != nil {
		t.Fatal(err)
	}
	var s tally
	for seed := range uint64(*setsFlag) {
		measureSeeded(t, sc, 1000+seed, &s)
	}
	t.Logf("seeds 1000 to %d\n%s", 1000+*setsFlag-1, s)
	if s.offLimit > 0 {
		t.Errorf("%d positions are off by more than 0.3 µm", s.offLimit)
	}
	if s.notFinished > 0 {
		t.Errorf("%d sets did not come to an end", s.notFinished)
	}
	if float64(s.offU) > 0.01*float64(s.captured) {
		t.Errorf("%d of %d positions are off by more than 3u", s.offU, s.captured)
	}
	if float64(s.atOnce) < 0.85*float64(s.entries) {
		t.Errorf("%d of %d entries gave a diameter at once", s.atOnce, s.entries)
	}
}

// seededSet is one set in the making.
type seededSet struct {
	t       *testing.T
	seed    uint64
	session *bench.Session
	rings   map[string]calibrate.Ring // by id
	ident   map[string]string         // id → ident
	state   calibrate.State
	seq     int64
	n       int
}

func (s *seededSet) apply(e calibrate.Event) {
	s.seq++
	e.Seq, e.At, e.WallNS = s.seq, s.session.Now(), s.session.Now()
	next, err := calibrate.Apply(s.state, e)
	if err != nil {
		s.t.Fatalf("event %s: %v", e.Kind, err)
	}
	s.state = next
}

func measureSeeded(t *testing.T, sc bench.Scenario, seed uint64, sum *tally) {
	t.Helper()
	session, err := bench.NewSession(sc, seed)
	if err != nil {
		t.Fatal(err)
	}
	cfg := demoConfig(sc, "/dev/none", "none.db", "127.0.0.1:0")
	s := &seededSet{t: t, seed: seed, session: session, state: calibrate.NewState("set")}
	s.begin(sc, cfg.Stations[0])
	step, err := sc.Readout.Step()
	if err != nil {
		t.Fatal(err)
	}
	detector, err := detect.New(detect.DefaultParams(step, 0))
	if err != nil {
		t.Fatal(err)
	}
	sum.sets++
	var buf []acquire.Reading
	for tries := 0; s.state.Step < len(s.state.Plan.Steps) && s.state.Status != calibrate.WalkNotAccepted; tries++ {
		if tries == 60 {
			sum.notFinished++
			return
		}
		if s.state.ConfirmRing != "" {
			s.apply(calibrate.Event{Kind: calibrate.RingConfirmed, RingID: s.state.ConfirmRing, By: "T"})
		}
		plan := s.state.Plan.Steps[s.state.Step]
		ident := s.ident[plan.RingID]
		s.apply(calibrate.Event{Kind: calibrate.Conditions, By: "T", Temperatures: []calibrate.TemperatureFact{
			s.temperature(plan.RingID, ident), s.temperature("", ""),
		}})
		readings, entry, err := session.Run(bench.Task{
			Ring: ident, HeightMM: plan.Height.MM(), DirectionDeg: float64(plan.Direction) / 1000,
		}, buf[:0])
		if err != nil {
			t.Fatal(err)
		}
		buf = session.Idle(3, readings)
		s.entry(detector, buf, step, entry, sum)
	}
	if s.state.Status == calibrate.WalkNotAccepted {
		sum.notAccepted++
	}
	s.judge(sc, cfg.Stations[0], sum)
}

// begin starts the set that the scenario describes.
func (s *seededSet) begin(sc bench.Scenario, cfg stationConfig) {
	s.rings, s.ident = map[string]calibrate.Ring{}, map[string]string{}
	var rings []calibrate.Ring
	for i, r := range sc.Rings {
		ring := calibrate.Ring{ID: fmt.Sprintf("ring-%d", i), Ident: r.Ident, Kind: calibrate.RingKind(r.Role), Material: "steel"}
		ring.Nominal, _ = calibrate.LengthFromMM(r.NominalMM)
		if ring.Kind == calibrate.Master {
			diameter, _ := calibrate.LengthFromMM(r.NominalMM + r.CertifiedUM*1e-3)
			expanded, _ := calibrate.LengthFromMM(r.ExpandedUM * 1e-3)
			height, _ := calibrate.LengthFromMM(sc.Tasks[0].HeightMM)
			ring.Certificate = &calibrate.MasterCertificate{
				Number: "1", Diameter: diameter, Expanded: expanded, CoverageFactorMill: 2000, Height: height,
				Direction: int64(sc.Tasks[0].DirectionDeg * 1000), CalibratedOn: "1970-01-01", DueOn: "1971-01-01",
			}
		}
		rings = append(rings, ring)
		s.rings[ring.ID], s.ident[ring.ID] = ring, ring.Ident
	}
	plan := calibrate.Plan{}
	for i, task := range sc.Tasks {
		role := calibrate.Working
		switch i {
		case 0:
			role = calibrate.Opening
		case len(sc.Tasks) - 1:
			role = calibrate.Closing
		}
		height, _ := calibrate.LengthFromMM(task.HeightMM)
		for id, ident := range s.ident {
			if ident == task.Ring {
				plan.Steps = append(plan.Steps, calibrate.PlanStep{
					Role: role, RingID: id, Height: height, Direction: int64(task.DirectionDeg * 1000), Repeats: max(1, task.Repeat),
				})
			}
		}
	}
	setup := (&session{station: cfg.Name, cfg: cfg}).setup("1970-01-01", rings)
	s.apply(calibrate.Event{Kind: calibrate.SetStarted, By: "T", Plan: &plan, Rings: rings, Setup: &setup})
}

func (s *seededSet) temperature(ring, ident string) calibrate.TemperatureFact {
	value, _ := calibrate.TemperatureFromCelsius(s.session.Thermometer(ident))
	return calibrate.TemperatureFact{RingID: ring, Value: value, U: calibrate.Kelvin / 50, WallNS: s.session.Now(), Source: "simulated bench"}
}

// entry plays the readings of one entry and keeps its captures.
func (s *seededSet) entry(detector *detect.Detector, readings []acquire.Reading, step acquire.Step, truth bench.Entry, sum *tally) {
	sum.entries++
	for _, r := range readings {
		for _, e := range detector.Push(r) {
			switch e.Kind {
			case detect.EventCaptured:
				s.n++
				sum.contacts++
				fact := captureFact(fmt.Sprintf("c%d", s.n), e.Capture.At, "stream", step, *e.Capture)
				if e.Capture.Outcome == detect.OutcomeDiameter {
					s.judgeReading(fact, truth, sum)
				}
				s.apply(calibrate.Event{Kind: calibrate.CaptureStored, Capture: &fact})
			case detect.EventWithdrawn:
				if _, err := calibrate.Apply(s.state, calibrate.Event{Kind: calibrate.WithdrawnAfter, Seq: s.seq + 1}); err == nil {
					s.apply(calibrate.Event{Kind: calibrate.WithdrawnAfter})
				}
			}
		}
	}
	if len(s.state.Captures) == 0 {
		return
	}
	switch s.state.Captures[len(s.state.Captures)-1].Fact.Outcome {
	case "diameter":
		sum.atOnce++
	case "ambiguous":
		sum.ambiguous++
	}
}

// judgeReading compares a reading with the noise-free one of the contact in which
// it was taken.
func (s *seededSet) judgeReading(fact calibrate.CaptureFact, truth bench.Entry, sum *tally) {
	for _, c := range truth.Contacts {
		if !c.Took || fact.At < c.TouchNS || fact.At > c.EndNS {
			continue
		}
		e, u := (fact.Reading.MM()-c.SaddleMM)*1e3, fact.U.Micrometres()
		sum.readings++
		sum.sumRead2 += e * e
		sum.sumReadZ += e * e / (u * u)
		sum.worstReading = math.Max(sum.worstReading, math.Abs(e))
		if math.Abs(e) > demoMaxErrorUM || math.Abs(e) > 3*u {
			s.t.Logf("seed %d, entry %d: reading off by %+.3f µm, u %.3f µm", s.seed, truth.Index, e, u)
		}
		if math.Abs(e) > demoMaxErrorUM || math.Abs(e) > 3*u {
			sum.readingOff++
		}
		return
	}
	// A diameter from a contact in which none took place.
	sum.readings++
	sum.readingOff++
}

// judge compares the diameters with the truth.
func (s *seededSet) judge(sc bench.Scenario, cfg stationConfig, sum *tally) {
	for _, p := range s.state.Plan.Steps {
		if p.Role == calibrate.Working {
			sum.positions++
		}
	}
	out, err := evaluateState(s.state, cfg)
	if err != nil {
		s.t.Fatal(err)
	}
	for _, p := range positionsOf(out.Outcome, s.state) {
		for _, ring := range sc.Rings {
			if ring.Ident != p.RingIdent {
				continue
			}
			e := (p.DiameterMM - ring.Diameter20(p.Position.Height.MM(), float64(p.Position.Direction)/1000)) * 1e3
			u := p.UMM * 1e3
			sum.captured++
			sum.sumErr += e
			sum.sumErr2 += e * e
			sum.sumZ2 += e * e / (u * u)
			sum.worstUM = math.Max(sum.worstUM, math.Abs(e))
			if math.Abs(e) > demoMaxErrorUM || math.Abs(e) > 3*u || u > demoMaxUUM {
				s.t.Logf("seed %d, step %d: error %+.3f µm, u %.3f µm, spread %.3f µm, %d captures", s.seed, p.Step, e, u, p.SpreadMM*1e3, len(p.CaptureIDs))
			}
			for _, over := range []struct {
				counter *int
				yes     bool
			}{
				{&sum.offLimit, math.Abs(e) > demoMaxErrorUM},
				{&sum.offU, math.Abs(e) > 3*u},
				{&sum.uOver100, u > 0.10},
				{&sum.uOver, u > demoMaxUUM},
			} {
				if over.yes {
					*over.counter++
				}
			}
		}
	}
}
