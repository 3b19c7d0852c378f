package bench

import (
	"math"
	"math/rand/v2"
	"testing"

	"ringsaddle/acquire"
)

// still is a bench on which nothing disturbs and nothing is random but the hand:
// steps of a picometre, no noise, no mechanics.
func still() Scenario {
	sc := DefaultScenario()
	sc.Readout.Decimals = 8
	sc.Readout.JitterShare = 0
	sc.Mechanics = Mechanics{
		FlexureOnS: Fixed(0.2), FlexureOffS: Fixed(0.4), SettleUM: Fixed(2), SettleS: Fixed(0.2),
	}
	d := &sc.Disturb
	d.NoiseUM, d.WanderUM, d.WanderS = Range{}, Range{}, Fixed(20)
	return sc
}

// twin generates the same entry with and without an alteration and returns the
// differences of the readings in µm, with the altered trace.
func twin(t *testing.T, seed uint64, alter func(*Scenario)) (diff []float64, tr Trace) {
	t.Helper()
	return twinAt(t, 100, seed, alter)
}

func twinAt(t *testing.T, rateHz float64, seed uint64, alter func(*Scenario)) (diff []float64, tr Trace) {
	t.Helper()
	sc := still()
	sc.Readout.RateHz = rateHz
	ref, err := Generate(sc, seed)
	if err != nil {
		t.Fatal(err)
	}
	alter(&sc)
	tr, err = Generate(sc, seed)
	if err != nil {
		t.Fatal(err)
	}
	if len(tr.Readings) != len(ref.Readings) {
		t.Fatalf("%d readings against %d", len(tr.Readings), len(ref.Readings))
	}
	for i := range tr.Readings {
		diff = append(diff, (tr.Step.PositionMM(tr.Readings[i].X)-ref.Step.PositionMM(ref.Readings[i].X))*1e3)
	}
	return diff, tr
}

func sd(x []float64) float64 {
	m, sum := mean(x), 0.0
	for _, v := range x {
		sum += (v - m) * (v - m)
	}
	return math.Sqrt(sum / float64(len(x)))
}

func within(t *testing.T, what string, got, lo, hi float64) {
	t.Helper()
	if !(got >= lo && got <= hi) {
		t.Errorf("%s: %.4g, want %.4g to %.4g", what, got, lo, hi)
	}
}

// Without disturbances the phases chain to the saddle: with T the tilt minimum,
// E the level the tilt was left at and C the cross maximum, saddle = C − (E − T).
func TestPhasesChainToTheSaddle(t *testing.T) {
	for seed := range uint64(30) {
		sc := still()
		if seed%3 == 2 {
			sc.Hand.Phases = []string{Cross, Tilt}
		}
		sc.Instrument.SidewaysUM, sc.Instrument.HeightUM = 30, -20
		tr, err := Generate(sc, seed)
		if err != nil {
			t.Fatal(err)
		}
		c := tr.Contacts()[0]
		a, b := c.Phases[0], c.Phases[1]
		chain := b.ExtremumMM - (a.LevelMM - a.ExtremumMM)
		// The two adjustments are separable to the product of their residuals: 0.1 µm
		// by 1e-4.
		if e := (chain - c.SaddleMM) * 1e6; math.Abs(e) > 0.05 {
			t.Errorf("seed %d: chain − saddle = %.4f nm", seed, e)
		}
		// The readings say the same as the truth.
		lo, hi := math.Inf(1), math.Inf(-1)
		for _, r := range tr.Readings {
			x := tr.Step.PositionMM(r.X)
			if r.At >= a.StartNS+2e9 && r.At <= a.RestNS {
				lo = math.Min(lo, x)
			}
			if r.At >= b.StartNS && r.At <= b.RestNS {
				hi = math.Max(hi, x)
			}
		}
		if seed%3 != 2 {
			within(t, "smallest reading of the tilt phase above its minimum, nm", (lo-a.ExtremumMM)*1e6, -2, 5)
			within(t, "largest reading of the cross phase below its maximum, nm", (b.ExtremumMM-hi)*1e6, -2, 5)
		}
	}
}

func TestNoise(t *testing.T) {
	diff, tr := twin(t, 1, func(sc *Scenario) { sc.Disturb.NoiseUM = Fixed(0.05) })
	within(t, "σ of the white noise, µm", sd(diff), 0.05*0.95, 0.05*1.05)
	sum := 0.0
	for i := 1; i < len(diff); i++ {
		sum += diff[i] * diff[i-1]
	}
	within(t, "its correlation from one reading to the next", sum/float64(len(diff))/0.0025, -0.06, 0.06)
	if tr.NoiseUM != 0.05 {
		t.Errorf("the truth says σ = %g", tr.NoiseUM)
	}
}

func TestWander(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	w := newWander(rng, 0.08, 20, 0.1)
	var x []float64
	for range 400_000 {
		x = append(x, w.next(rng))
	}
	within(t, "σ of the wander, µm", sd(x), 0.07, 0.09)
	lag, sum := 200, 0.0 // 20 s
	for i := lag; i < len(x); i++ {
		sum += x[i] * x[i-lag]
	}
	within(t, "correlation after one time constant (1/e)", sum/float64(len(x)-lag)/(0.08*0.08), 0.27, 0.47)
	diff, _ := twin(t, 2, func(sc *Scenario) { sc.Disturb.WanderUM = Fixed(0.05) })
	step := 0.0
	for i := 1; i < len(diff); i++ {
		step = math.Max(step, math.Abs(diff[i]-diff[i-1]))
	}
	within(t, "largest step from one reading to the next, µm", step, 1e-4, 0.01)
}

func TestDrift(t *testing.T) {
	diff, tr := twin(t, 3, func(sc *Scenario) { sc.Disturb.DriftUMPerMin = Fixed(0.3) })
	n := len(diff) - 1
	minutes := float64(tr.Readings[n].At) / 60e9
	within(t, "drift, µm/min", math.Abs(diff[n]/minutes), 0.299, 0.301)
	c := tr.Contacts()[0]
	within(t, "slope in the truth, µm/min", math.Abs(c.SlopeMMPerS*60e3), 0.299, 0.301)
	within(t, "truth a minute later, µm", math.Abs(c.SaddleAt(c.SaddleNS+60e9)-c.SaddleMM)*1e3, 0.299, 0.301)
}

// The flexure follows the knob's direction, stays within its amplitude, and is
// gone when the hand has been off for a while.
func TestFlexure(t *testing.T) {
	f := flexure{amp: [2]float64{0.4, -0.3}, on: 0.05, off: 0.02}
	run := func(hand, dir int8, n int) (x float64) {
		for range n {
			x = f.next(hand, dir)
		}
		return x
	}
	within(t, "first knob forward, µm", run(0, 1, 400), 0.399, 0.401)
	within(t, "first knob back, µm", run(0, -1, 400), -0.401, -0.399)
	within(t, "hand resting on it, µm", run(0, 0, 400), -0.6*0.401, -0.6*0.399)
	within(t, "hand off, µm", run(handOff, 0, 1000), -1e-6, 1e-6)
	within(t, "second knob forward, µm", run(1, 1, 400), -0.301, -0.299)

	diff, tr := twin(t, 4, func(sc *Scenario) { sc.Mechanics.FlexureUM = Fixed(0.4) })
	largest := 0.0
	for _, d := range diff {
		largest = math.Max(largest, math.Abs(d))
	}
	within(t, "largest effect in a trace, µm", largest, 0.25, 0.4001)
	c := tr.Contacts()[0]
	for i, r := range tr.Readings {
		if r.At > c.EndNS-2e8 && r.At < c.EndNS {
			within(t, "effect at the end of the last rest, µm", math.Abs(diff[i]), 0, 0.03)
		}
	}
}

// The play lags behind by its half-width on either flank and reverses only when
// the length has come back by the full width.
func TestHysteresis(t *testing.T) {
	h := hysteresis{half: 0.1}
	h.put(0)
	up := h.next(5)
	within(t, "rising to 5", up, 4.9-1e-12, 4.9+1e-12)
	within(t, "back by less than the width", h.next(4.85), up-1e-12, up+1e-12)
	within(t, "back by more", h.next(4.5), 4.6-1e-12, 4.6+1e-12)

	diff, tr := twin(t, 5, func(sc *Scenario) { sc.Mechanics.HysteresisUM = Fixed(0.12) })
	c := tr.Contacts()[0]
	up2, down := 0, 0
	for i, r := range tr.Readings {
		if r.At <= c.TouchNS || r.At >= c.EndNS {
			continue
		}
		within(t, "distance from the reading without it, µm", math.Abs(diff[i]), 0, 0.12+1e-5)
		if diff[i] > 0.1199 {
			down++
		} else if diff[i] < -0.1199 {
			up2++
		}
	}
	if up2 < 50 || down < 50 {
		t.Errorf("on the flanks %d readings lag low and %d high, want both", up2, down)
	}
}

func TestBacklashAndStickSlip(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	f := follower{half: 0.5, rng: rng}
	f.put(0)
	for _, s := range []struct{ knob, want float64 }{{0.4, 0}, {2, 1.5}, {1.5, 1.5}, {1.1, 1.5}, {0, 0.5}} {
		if f.move(s.knob); math.Abs(f.pos-s.want) > 1e-12 {
			t.Errorf("knob at %g: position %g, want %g", s.knob, f.pos, s.want)
		}
	}
	g := follower{stick: 0.2, rng: rng}
	g.put(0)
	jumps, last := 0, 0.0
	for i := range 10000 {
		knob := float64(i) * 1e-3
		g.move(knob)
		if d := g.pos - last; d != 0 {
			jumps++
			within(t, "jump", d, 0.3*0.2-1e-9, 0.2+1e-3)
		}
		within(t, "lag behind the knob", knob-g.pos, 0, 0.2+1e-9)
		last = g.pos
	}
	within(t, "number of jumps on a way of 10", float64(jumps), 10/0.2, 10/0.06)
}

func TestBursts(t *testing.T) {
	count := 0
	for seed := range uint64(10) {
		diff, _ := twinAt(t, 500, seed, func(sc *Scenario) { sc.Disturb.BurstsPerEntry = Count{3, 3} })
		for i, d := range diff {
			within(t, "vibration, µm", math.Abs(d), 0, 3)
			if math.Abs(d) > 0.1 && (i < 250 || allSmall(diff[i-250:i])) {
				count++
			}
		}
	}
	within(t, "separate bursts seen in 10 entries of 3", float64(count), 15, 30)
}

func allSmall(x []float64) bool {
	for _, v := range x {
		if math.Abs(v) > 0.1 {
			return false
		}
	}
	return true
}

func TestStrayReadings(t *testing.T) {
	diff, _ := twinAt(t, 1000, 7, func(sc *Scenario) { sc.Disturb.StrayShare = Fixed(0.004) })
	hits, runs, run := 0, 0, 0
	for _, d := range diff {
		if math.Abs(d) < 1e-4 {
			within(t, "length of a run", float64(run), 0, 6) // two runs may touch
			run = 0
			continue
		}
		within(t, "distance, µm", math.Abs(d), 0.5, 500)
		if run++; run == 1 {
			runs++
		}
		hits++
	}
	within(t, "share of runs", float64(runs)/float64(len(diff)), 0.003, 0.005)
	within(t, "readings per run", float64(hits)/float64(runs), 1.7, 2.3)
}

// With noise on steps of a picometre the position never stands still by itself:
// whatever repeats is stale.
func TestStaleAndDroppedReadings(t *testing.T) {
	sc := still()
	sc.Disturb.NoiseUM = Fixed(0.05)
	sc.Disturb.StalePerMin = Fixed(10)
	tr, err := Generate(sc, 8)
	if err != nil {
		t.Fatal(err)
	}
	stale, longest := 0, 0.0
	for i := 1; i < len(tr.Readings); i++ {
		if tr.Readings[i].X != tr.Readings[i-1].X {
			continue
		}
		j := i
		for j < len(tr.Readings) && tr.Readings[j].X == tr.Readings[i-1].X {
			j++
		}
		stale++
		longest = math.Max(longest, float64(tr.Readings[j-1].At-tr.Readings[i-1].At)*1e-9)
		i = j
	}
	minutes := float64(tr.Readings[len(tr.Readings)-1].At) / 60e9
	within(t, "stale runs a minute", float64(stale)/minutes, 4, 18)
	within(t, "longest stale run, s", longest, 0.2, 0.52)

	sc.Disturb.StalePerMin = Range{}
	sc.Disturb.DropsPerMin = Fixed(20)
	if tr, err = Generate(sc, 9); err != nil {
		t.Fatal(err)
	}
	drops, most := 0, 0.0
	for i := 1; i < len(tr.Readings); i++ {
		missing := math.Round(float64(tr.Readings[i].At-tr.Readings[i-1].At)/1e7) - 1
		if missing > 0 {
			drops++
			most = math.Max(most, missing)
		}
		if tr.Readings[i].Seq != tr.Readings[i-1].Seq+1 {
			t.Fatalf("seq %d after %d: a dropped reading leaves no number behind", tr.Readings[i].Seq, tr.Readings[i-1].Seq)
		}
	}
	within(t, "drops a minute", float64(drops)/minutes, 10, 30)
	within(t, "longest drop, readings", most, 5, 11)
}

func TestTimeNeverRunsBackwards(t *testing.T) {
	sc := still()
	sc.Readout.JitterShare = 0.3
	tr, err := Generate(sc, 1)
	if err != nil {
		t.Fatal(err)
	}
	var late []float64
	for i, r := range tr.Readings {
		if i > 0 && r.At < tr.Readings[i-1].At {
			t.Fatalf("reading %d at %d ns after %d ns", i, r.At, tr.Readings[i-1].At)
		}
		late = append(late, float64(r.At)-float64(i)*1e7)
	}
	within(t, "spread of the time stamps, ms", sd(late)*1e-6, 1.2, 2.5)
}

func TestClockJumps(t *testing.T) {
	sc := still()
	sc.Disturb.ClockJumpsPerEntry = Count{2, 2}
	sc.Disturb.ClockJumpS = Range{0.5, 100}
	jumps, back := 0, 0
	for seed := range uint64(10) {
		tr, err := Generate(sc, seed)
		if err != nil {
			t.Fatal(err)
		}
		for i := 1; i < len(tr.Readings); i++ {
			d := float64(tr.Readings[i].At-tr.Readings[i-1].At)*1e-9 - 0.01
			if math.Abs(d) < 1e-6 {
				continue
			}
			jumps++
			within(t, "jump of the clock, s", math.Abs(d), 0.5, 200) // two may fall together
			if d < 0 {
				back++
			}
		}
	}
	within(t, "jumps in 10 entries of 2", float64(jumps), 15, 20)
	within(t, "of them backwards", float64(back), 2, 18)
}

func TestReadoutSteps(t *testing.T) {
	for _, c := range []struct {
		unit      string
		decimals  int
		increment int
		wantPM    int64
	}{
		{"mm", 5, 1, 10_000},
		{"mm", 4, 1, 100_000},
		{"mm", 4, 5, 500_000},
		{"mm", 3, 1, 1_000_000},
		{"inch", 5, 1, 254_000},
	} {
		sc := DefaultScenario()
		sc.Readout.Unit, sc.Readout.Decimals, sc.Readout.Increment = c.unit, c.decimals, c.increment
		sc.Readout.SecondAxis = true
		tr, err := Generate(sc, 1)
		if err != nil {
			t.Fatal(err)
		}
		if tr.ResolutionPM != c.wantPM {
			t.Errorf("%s %d decimals by %d: resolution %d pm, want %d pm", c.unit, c.decimals, c.increment, tr.ResolutionPM, c.wantPM)
		}
		near := 0
		k := tr.Contacts()[0]
		for _, r := range tr.Readings {
			if r.X%int64(c.increment) != 0 {
				t.Fatalf("%d counts is no multiple of %d", r.X, c.increment)
			}
			if r.Y%int64(sc.Readout.SecondIncrement) != 0 || r.Flags != acquire.HasY {
				t.Fatalf("y %d, flags %b", r.Y, r.Flags)
			}
			if math.Abs(tr.Step.PositionMM(r.X)-k.SaddleMM) < 0.002 {
				near++
			}
		}
		if near < 100 {
			t.Errorf("%s %d decimals: %d readings near the saddle %.5f mm", c.unit, c.decimals, near, k.SaddleMM)
		}
	}
}

func TestDustAndPreset(t *testing.T) {
	sc := still()
	sc.Tasks[0].Repeat = 40
	sc.Disturb.DustProbability = 0.5
	sc.Disturb.DustUM = Range{0.4, 3}
	tr, err := Generate(sc, 11)
	if err != nil {
		t.Fatal(err)
	}
	dusty, clean := 0, math.NaN()
	for _, c := range tr.Contacts() {
		if len(c.Facts) == 0 {
			clean = c.SaddleMM
		}
	}
	for _, c := range tr.Contacts() {
		if len(c.Facts) == 1 {
			dusty++
			within(t, "a bore with dust reads small by, µm", (clean-c.SaddleMM)*1e3, 0.4-1e-3, 3+1e-3)
		} else {
			within(t, "clean entries agree within, µm", math.Abs(clean-c.SaddleMM)*1e3, 0, 1e-3)
		}
	}
	within(t, "dusty entries of 40", float64(dusty), 10, 30)

	sc = still()
	sc.Disturb.PresetProbability = 1
	if tr, err = Generate(sc, 12); err != nil {
		t.Fatal(err)
	}
	steps := 0
	c := tr.Contacts()[0]
	for i := 1; i < len(tr.Readings); i++ {
		r := tr.Readings[i]
		if r.At > c.TouchNS && r.At < c.EndNS {
			if d := math.Abs(tr.Step.PositionMM(r.X - tr.Readings[i-1].X)); d > 0.1 {
				steps++
				within(t, "preset, mm", d, 0.5, 40)
			}
		}
	}
	if steps != 1 || len(c.Facts) != 1 {
		t.Errorf("%d steps and facts %q in an entry with one preset", steps, c.Facts)
	}
}
