package main

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"ringsaddle/acquire/bench"
	"ringsaddle/api"
	"ringsaddle/detect"
)

var (
	promptEntries = flag.Int("prompt-entries", 8, "entries of each kind of hand in TestPrompts, with and without prompts")
	promptShow    = flag.Int("prompt-show", 0, "how many of the entries that failed in spite of the prompts TestPrompts tells of")
)

// hands are the kinds of hand that are led, on the bench of the demo unless the
// class draws another one.
var promptHands = []struct {
	name string
	make func(rng *rand.Rand) (bench.Scenario, error)
}{
	{"practised (the demo's)", func(*rand.Rand) (bench.Scenario, error) { return bench.OpenScenario("demo") }},
	{"any bench, ordinary", func(rng *rand.Rand) (bench.Scenario, error) { return bench.ClassScenario(bench.ClassOrdinary, rng) }},
	{"any bench, with a second axis", func(rng *rand.Rand) (bench.Scenario, error) { return bench.ClassScenario(bench.ClassWithY, rng) }},
	{"hasty", hasty},
	{"new to the bench", beginner},
}

// hasty knows how, and does less than is needed: few shallow passes, short rests.
func hasty(rng *rand.Rand) (bench.Scenario, error) {
	sc, err := bench.OpenScenario("demo")
	h := &sc.Hand
	h.SweepS, h.PauseS = bench.Range{1, 3}, bench.Range{0.1, 0.5}
	h.RestS, h.FinalRestS = bench.Range{0.2, 0.9}, bench.Range{0.2, 0.9}
	for _, p := range []*bench.Play{&h.First, &h.Second} {
		p.Passes, p.DepthUM = bench.Count{1, 2}, bench.Range{0.4, 1.2}
	}
	return sc, err
}

// beginner does not know the technique: passes an extremum once, or not at all, or
// forgets an adjustment.
func beginner(rng *rand.Rand) (bench.Scenario, error) {
	sc, err := bench.OpenScenario("demo")
	for _, p := range []*bench.Play{&sc.Hand.First, &sc.Hand.Second} {
		p.Passes, p.Reversals = bench.Count{1, 3}, bench.Count{0, 2}
		p.Mode = []string{"passes", "passes", "once", "once", "park", "never", "none"}[rng.IntN(7)]
		if p.Mode == "never" {
			p.ParkUM, p.DepthUM = bench.Range{0.4, 3}, bench.Range{1, 4}
			p.StartRiseUM[0] = 4
		}
	}
	if sc.Hand.First.Mode == "none" && sc.Hand.Second.Mode == "none" {
		sc.Hand.First.Mode = "once"
	}
	return sc, err
}

// screen is what the hand sees: the sentence that the page shows, from the
// detector that reads along.
type screen struct {
	detector *detect.Detector
	params   detect.Params
	guide    api.Guide
}

func (s *screen) Advise(now int64) bench.Advice {
	a := s.guide.Advise(now, api.Sweep{State: s.detector.State(), Seeks: s.params.Seeks, CountMM: s.params.StepMM})
	return bench.Advice{Move: benchMoves[a.Move], Adjustment: string(a.Adjustment)}
}

// promptScore counts what became of entries.
type promptScore struct {
	entries, again, wrong, refuted int
	beyond2u, followed, ignored    int
	sum2, worst, sumU2, seconds    float64
	stories                        []string
}

// proportion95 is the two-sided 95 % interval of k in n (Clopper and Pearson 1934).
func proportion95(k, n int) (lo, hi float64) {
	lo, hi = 0, 1
	if k > 0 {
		lo = distuv.Beta{Alpha: float64(k), Beta: float64(n-k) + 1}.Quantile(0.025)
	}
	if k < n {
		hi = distuv.Beta{Alpha: float64(k) + 1, Beta: float64(n - k)}.Quantile(0.975)
	}
	return lo, hi
}

func (s *promptScore) String() string {
	lo, hi := proportion95(s.again, s.entries)
	d := float64(max(s.entries-s.again, 1))
	return fmt.Sprintf("second tries %4d of %5d = %5.1f %% (95 %%: %.1f to %.1f); error rms %.3f µm, largest %.2f, beyond 2u %.1f %%, u rms %.3f µm, not allowed by the truth %d, taken back after \"withdraw\" %d; %.0f s an entry; followed %d, ignored %d",
		s.again, s.entries, 100*float64(s.again)/float64(max(s.entries, 1)), 100*lo, 100*hi,
		math.Sqrt(s.sum2/d), s.worst, 100*float64(s.beyond2u)/d, math.Sqrt(s.sumU2/d), s.wrong, s.refuted, s.seconds/float64(max(s.entries, 1)), s.followed, s.ignored)
}

// perBench is how many entries a hand makes on one bench.
const perBench = 4

// playEntries lets a hand make entries on the bench that seed draws.
func playEntries(t *testing.T, score *promptScore, sc bench.Scenario, seed uint64, prompts bool, n int) {
	t.Helper()
	s, err := bench.NewSession(sc, seed)
	if err != nil {
		t.Fatal(err)
	}
	shape := s.Trace(nil)
	params := detect.DefaultParams(shape.Step, shape.ResolutionPM)
	d, err := detect.New(params)
	if err != nil {
		t.Fatal(err)
	}
	look := &screen{detector: d, params: params}
	if prompts {
		s.Advise(look, bench.DefaultFollow())
	}
	for range n {
		if err := s.Begin(sc.Tasks[0]); err != nil {
			t.Fatal(err)
		}
		start := s.Now()
		var captures []*detect.Capture
		complete := map[uint64]bool{}
		said, last, log := "", false, ""
		for s.Busy() {
			r, ok := s.Next()
			if !ok {
				continue
			}
			for _, e := range d.Push(r) {
				if e.Kind == detect.EventCaptured {
					captures = append(captures, e.Capture)
					complete[e.Capture.LastSeq] = last
				}
			}
			if prompts && r.Seq%5 == 0 {
				a := look.guide.Advise(r.At, api.Sweep{State: d.State(), Seeks: params.Seeks, CountMM: params.StepMM})
				if a.Move != api.MoveNone {
					last = a.Move == api.MoveWithdraw
				}
				if a.Title != said {
					said = a.Title
					log += fmt.Sprintf("\n    %6.2f %s", float64(r.At-start)*1e-9, said)
				}
			}
		}
		entries := s.Entries()
		e := &entries[len(entries)-1]
		score.entries++
		score.seconds += float64(e.EndNS-e.StartNS) * 1e-9
		c, ok := e.Main()
		var got *detect.Capture
		for _, x := range captures {
			if ok && x.LastSeq >= c.FirstSeq && x.FirstSeq <= c.LastSeq {
				got = x
			}
		}
		outcome := bench.OutcomeNone
		if got != nil {
			outcome = bench.Outcome(got.Outcome)
		}
		if !c.Allows(outcome) && outcome != bench.OutcomeIncomplete && outcome != bench.OutcomeAmbiguous {
			score.wrong++
		}
		um := params.StepMM * 1e3
		err, u := math.NaN(), math.NaN()
		if outcome == bench.OutcomeDiameter {
			err = (float64(got.Origin)+got.Saddle)*um - c.SaddleAt(got.At)*1e3
			u = got.U * um
		}
		if !(math.Abs(err) < 0.3) && len(score.stories) < *promptShow {
			story := fmt.Sprintf("bench %d entry %d (%s, %s): %s, error %.3f µm, u %.3f µm", seed, e.Index, sc.Hand.First.Mode, sc.Hand.Second.Mode, outcome, err, u)
			score.stories = append(score.stories, story+storyOf(got, &c, start)+log)
		}
		if outcome != bench.OutcomeDiameter {
			score.again++
			if got != nil && complete[got.LastSeq] {
				score.refuted++
			}
			continue
		}
		score.sum2 += err * err
		score.sumU2 += u * u
		score.worst = math.Max(score.worst, math.Abs(err))
		if math.Abs(err) > 2*u {
			score.beyond2u++
		}
	}
	followed, ignored := s.Advised()
	score.followed += followed
	score.ignored += ignored
}

// storyOf tells what the hand did, and what was made of it.
func storyOf(got *detect.Capture, c *bench.Contact, start int64) string {
	since := func(ns int64) float64 { return float64(ns-start) * 1e-9 }
	story := ""
	if got != nil {
		story = fmt.Sprintf(" (sure %.4f) %v", got.Probability, reasonTexts(got.Reasons))
	}
	for _, p := range c.Phases {
		story += fmt.Sprintf("\n    %s %.2f to %.2f s, %d passes, left %.2f µm:", p.Adjustment, since(p.StartNS), since(p.EndNS), len(p.Crossings), math.Abs(p.LevelMM-p.ExtremumMM)*1e3)
		for _, x := range p.Crossings {
			story += fmt.Sprintf(" [%.2f s, %.2f→%.2f µm]", since(x.AtNS), x.RiseBeforeUM, x.RiseAfterUM)
		}
	}
	return story
}

// The same hands make the same entries with the screen off and on. They act on a
// sentence 0.5 to 2 s after it appears and ignore one in five.
func TestPrompts(t *testing.T) {
	t.Parallel()
	var off, on promptScore
	for i, hand := range promptHands {
		var plain, led promptScore
		for b := 0; b*perBench < *promptEntries; b++ {
			seed := uint64(1000*i + b + 1)
			n := min(perBench, *promptEntries-b*perBench)
			for _, prompts := range []bool{false, true} {
				sc, err := hand.make(rand.New(rand.NewPCG(seed, 5)))
				if err != nil {
					t.Fatal(err)
				}
				score := &plain
				if prompts {
					score = &led
				}
				playEntries(t, score, sc, seed, prompts, n)
			}
		}
		t.Logf("%s\n  off: %v\n  on:  %v", hand.name, &plain, &led)
		for _, story := range led.stories {
			t.Log(story)
		}
		off.entries, off.again, off.wrong = off.entries+plain.entries, off.again+plain.again, off.wrong+plain.wrong
		on.entries, on.again, on.wrong = on.entries+led.entries, on.again+led.again, on.wrong+led.wrong
	}
	if off.again == 0 {
		t.Fatal("without prompts every entry gave a diameter: nothing can be learned")
	}
	if on.again >= off.again {
		t.Errorf("%d second tries with prompts, %d without", on.again, off.again)
	}
}
