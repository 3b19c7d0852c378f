package bench

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// What the truth says about a class must be what the class is for.
func TestTruthOfTheClasses(t *testing.T) {
	const cases = 10
	for n, c := range Classes() {
		took, supported, contacts := 0, 0, 0
		for i := range uint64(cases) {
			_, tr := classTrace(t, c, uint64(n)<<20+1000+i)
			if len(tr.Entries) == 0 {
				t.Fatalf("%s: no entry", c)
			}
			for _, k := range tr.Contacts() {
				checkContact(t, c, &tr, &k)
				if k.Accidental {
					continue
				}
				contacts++
				if k.Took {
					took++
				}
				if k.Supported {
					supported++
				}
			}
		}
		t.Logf("%-20s %3d contacts, diameter took place in %3d, supported in %3d", c, contacts, took, supported)
		switch c {
		case ClassNeverTilt, ClassNeverCross, ClassEndStop, ClassRememberedDigits, ClassOneKnob:
			if took != 0 {
				t.Errorf("%s: a diameter took place in %d of %d contacts, want none", c, took, contacts)
			}
		case ClassSweptOnce:
			if took != contacts || supported > contacts/10 {
				t.Errorf("%s: took place in %d, supported in %d of %d contacts, want all and hardly any", c, took, supported, contacts)
			}
		case ClassContactLost:
			if contacts != 2*cases || took == 0 || took == contacts {
				t.Errorf("%s: %d contacts, diameter in %d: want two a case, with and without", c, contacts, took)
			}
		default:
			if took != contacts || supported < contacts*9/10 {
				t.Errorf("%s: took place in %d, supported in %d of %d contacts, want all and nearly all", c, took, supported, contacts)
			}
		}
	}
}

// checkContact checks what must hold for every contact.
func checkContact(t *testing.T, c Class, tr *Trace, k *Contact) {
	t.Helper()
	bad := func(format string, args ...any) {
		t.Helper()
		t.Errorf("%s, seed %d: "+format, append([]any{c, tr.Seed}, args...)...)
	}
	if k.TouchNS >= k.EndNS || k.SaddleNS < k.TouchNS || k.SaddleNS > k.EndNS {
		bad("touch %d, saddle %d, end %d ns", k.TouchNS, k.SaddleNS, k.EndNS)
	}
	if len(k.Allowed) == 0 {
		bad("nothing is allowed")
	}
	if !k.Took && k.Allows(OutcomeDiameter) && !(k.Extrema[0].Flat || k.Extrema[1].Flat) {
		bad("a diameter is allowed where none took place: %+v", k.Extrema)
	}
	if k.Supported && !k.Allows(OutcomeDiameter) {
		bad("a supported diameter is not allowed")
	}
	at := k.TouchNS
	for _, p := range k.Phases {
		if p.StartNS < at || p.EndNS < p.StartNS || p.RestNS < p.EndNS || p.RestNS > k.EndNS {
			bad("phase %s from %d to %d ns, rest until %d, after %d", p.Adjustment, p.StartNS, p.EndNS, p.RestNS, at)
		}
		at = p.EndNS
		for _, x := range p.Crossings {
			if x.AtNS < p.StartNS || x.AtNS > p.EndNS {
				bad("crossing at %d ns outside its phase", x.AtNS)
			}
		}
	}
	// The readings between first and last are near the saddle: within the hand's
	// reach, and nowhere near the millimetres of the free carriage.
	i, j := int(k.FirstSeq)-1, int(k.LastSeq)-1
	if i < 0 || j < i || j >= len(tr.Readings) {
		bad("readings %d to %d of %d", k.FirstSeq, k.LastSeq, len(tr.Readings))
		return
	}
	if c == ClassPreset || c == ClassOutliers || c == ClassMixed {
		return
	}
	for _, r := range tr.Readings[i : j+1] {
		if e := math.Abs(tr.Step.PositionMM(r.X) - k.SaddleMM); e > 0.2 {
			bad("reading %d is %.4f mm from the saddle", r.Seq, e)
			return
		}
	}
}

func TestClassesDrawWithinTheirRanges(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	rates := map[float64]bool{}
	for _, c := range Classes() {
		if c.Describe() == "unknown" {
			t.Errorf("class %s has no description", c)
		}
		for range 50 {
			sc, err := ClassScenario(c, rng)
			if err != nil {
				t.Fatal(err)
			}
			if err := sc.Validate(); err != nil {
				t.Errorf("%s: %v", c, err)
			}
			rates[sc.Readout.RateHz] = true
			step, err := sc.Readout.Step()
			if err != nil {
				t.Fatal(err)
			}
			lo, hi := 0.02, 0.10
			if c == ClassCoarse {
				lo, hi = 0.10, 0.35
			}
			within(t, string(c)+": noise, µm", sc.Disturb.NoiseUM[1], lo, hi)
			coarse := step.MM() > 0.0005
			if coarse != (c == ClassCoarse) {
				t.Errorf("%s: step %g mm", c, step.MM())
			}
			small := sc.Rings[0].NominalMM < 12
			if small != (c == ClassSmallRing) {
				t.Errorf("%s: ring of %g mm", c, sc.Rings[0].NominalMM)
			}
		}
	}
	if len(rates) < 6 {
		t.Errorf("only the rates %v", rates)
	}
	if _, err := ClassScenario("nothing", rng); err == nil {
		t.Error("a class that does not exist was drawn")
	}
}

func TestReadyScenarios(t *testing.T) {
	names, what, err := Scenarios()
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Contains(names, "demo") || len(names) < 20 {
		t.Fatalf("ready scenarios %v", names)
	}
	for _, n := range names {
		if what[n] == "" {
			t.Errorf("%s has no description", n)
		}
		sc, err := LoadScenario(n)
		if err != nil {
			t.Fatal(err)
		}
		tr, err := Generate(sc, 1)
		if err != nil {
			t.Errorf("%s: %v", n, err)
		}
		if len(tr.Contacts()) == 0 {
			t.Errorf("%s: no contact", n)
		}
	}
}

// The hand slips at one task and nowhere else.
func TestSlipAtOneTask(t *testing.T) {
	sc := DefaultScenario()
	s, err := NewSession(sc, 3)
	if err != nil {
		t.Fatal(err)
	}
	ring := sc.Rings[0].Ident
	for i, want := range []struct {
		first, second string
		took          bool
		supported     bool
	}{{"", "", true, true}, {"", "once", true, false}, {"none", "", false, false}, {"", "", true, true}} {
		_, e, err := s.Run(Task{Ring: ring, HeightMM: 10, FirstMode: want.first, SecondMode: want.second}, nil)
		if err != nil {
			t.Fatal(err)
		}
		c, ok := e.Main()
		if !ok || c.Took != want.took || c.Supported != want.supported {
			t.Errorf("entry %d with modes %q and %q: took %v, supported %v; want %v, %v", i, want.first, want.second, c.Took, c.Supported, want.took, want.supported)
		}
	}
	if err := s.Begin(Task{Ring: ring, SecondMode: "wild"}); err == nil || !strings.Contains(err.Error(), `mode of play "wild": permitted passes, once,`) {
		t.Errorf("a mode that does not exist: %v", err)
	}
}

// The demo is what its file promises: sixteen entries in at most 20 minutes, each
// 25 to 75 s in hand, nearly all of them decidable.
func TestDemoScenario(t *testing.T) {
	sc, err := LoadScenario("demo")
	if err != nil {
		t.Fatal(err)
	}
	entries, supported := 0, 0
	for seed := range uint64(8) {
		tr, err := Generate(sc, seed)
		if err != nil {
			t.Fatal(err)
		}
		if len(tr.Entries) != 16 {
			t.Fatalf("%d entries", len(tr.Entries))
		}
		last := tr.Readings[len(tr.Readings)-1].At
		within(t, "length of the set, min", float64(last)/60e9, 10, 20)
		for _, e := range tr.Entries {
			entries++
			within(t, "length of an entry, s", float64(e.EndNS-e.StartNS)*1e-9, 40, 75)
			if c, ok := e.Main(); ok && c.Supported {
				supported++
			}
			within(t, "error of the ring's thermometer, K", e.RingShown-e.RingCelsius, -0.05, 0.05)
		}
		// Sizes come out of the readings when everything is put right.
		first, work := tr.Entries[0], tr.Entries[2]
		within(t, "size from the difference of readings, µm off", sizeError(sc, first, work), -0.02, 0.02)
	}
	if supported < entries*99/100 {
		t.Errorf("%d of %d entries decidable", supported, entries)
	}
	t.Logf("%d of %d entries decidable", supported, entries)
}

// sizeError works the size of the second entry's ring out of the difference of
// the true readings, the true size of the first and the true temperatures, µm
// off the true size: what is left is drift and the second order of the balls'
// misalignment.
func sizeError(sc Scenario, a, b Entry) float64 {
	ra, _ := sc.Ring(a.Task.Ring)
	rb, _ := sc.Ring(b.Task.Ring)
	ca, _ := a.Main()
	cb, _ := b.Main()
	scale := func(e Entry) float64 { return 1 + sc.Thermal.ScaleExpansion*1e-6*(e.ScaleCelsius-20) }
	la := a.Diameter20MM * (1 + ra.Expansion*1e-6*(a.RingCelsius-20))
	// reading = (length + constant)/scale − origin
	constant := (ca.SaddleMM+sc.Instrument.OriginMM)*scale(a) - la
	lb := (cb.SaddleMM+sc.Instrument.OriginMM)*scale(b) - constant
	return (lb/(1+rb.Expansion*1e-6*(b.RingCelsius-20)) - b.Diameter20MM) * 1e3
}

func TestScenarioFileErrors(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"description = \"x\"\n[readout]\nrat_hz = 10\n", "s.toml:3: readout.rat_hz: there is no such key"},
		{"[readout]\nrate_hz = \"fast\"\n", "s.toml:2: readout.rate_hz: "},
		{"[readout]\nrate_hz = \n", "s.toml:2: "},
		{"[[ring]]\nident = \"a\"\nrole = \"work\"\nnominal_mm = 40\n\n[[task]]\nring = \"b\"\n", "s.toml:7: task[0].ring: \"b\" is no ring of this scenario (it has a)"},
		{"[[ring]]\nident = \"a\"\nrole = \"work\"\n\n[[task]]\nring = \"a\"\n", "s.toml:1: ring[0].nominal_mm: 0: permitted 2 to 500"},
		{"[[ring]]\nident = \"a\"\nrole = \"work\"\nnominal_mm = 40\n", "s.toml: task: no task: at least one [[task]] is needed"},
		{"[hand]\nsweep_s = [5, 2]\n", "s.toml:2: hand.sweep_s: [5, 2]: the lowest value comes first"},
		{"[[task]]\nring = \"ring\"\nsecond_mode = \"wild\"\n", "s.toml:3: task[0].second_mode: \"wild\": permitted passes, once,"},
		{"[hand.first]\nmode = \"wild\"\n", "s.toml:2: hand.first.mode: \"wild\": permitted passes, once,"},
		{"[disturb]\nstray_share = [0, 0.5]\n", "s.toml:2: disturb.stray_share: [0, 0.5]: permitted 0 to 0.1"},
		{"[frame]\nterminator = \"\"\n", "s.toml:2: frame.terminator: empty"},
	} {
		_, err := ParseScenario("s.toml", []byte(c.text))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q:\n%v\nwant %q", c.text, err, c.want)
		}
	}
	// all faults at once
	_, err := ParseScenario("s.toml", []byte("[readout]\nrate_hz = 0\ndecimals = 12\n[hand]\ncare = 2\n"))
	for _, want := range []string{"s.toml:2:", "s.toml:3:", "s.toml:5:", "task:"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v\nlacks %q", err, want)
		}
	}
}
