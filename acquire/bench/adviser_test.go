package bench

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"ringsaddle/acquire"
)

// says always shows the same.
type says Advice

func (s says) Advise(int64) Advice { return Advice(s) }

func advisedEntry(t *testing.T, sc Scenario, seed uint64, a Adviser, f Follow) ([]acquire.Reading, Entry, *Session) {
	t.Helper()
	s, err := NewSession(sc, seed)
	if err != nil {
		t.Fatal(err)
	}
	if a != nil {
		s.Advise(a, f)
	}
	readings, e, err := s.Run(sc.Tasks[0], nil)
	if err != nil {
		t.Fatal(err)
	}
	return readings, e, s
}

// A screen that says nothing changes nothing, reading by reading.
func TestSilentAdviser(t *testing.T) {
	sc := DefaultScenario()
	for seed := range uint64(5) {
		plain, _, _ := advisedEntry(t, sc, seed, nil, Follow{})
		silent, _, _ := advisedEntry(t, sc, seed, says{}, DefaultFollow())
		if diff := cmp.Diff(plain, silent); diff != "" {
			t.Fatalf("seed %d: %s", seed, diff)
		}
	}
}

// crossings counts the true passes of an adjustment.
func crossings(e *Entry, adj int) int {
	c, _ := e.Main()
	return c.Extrema[adj].Crossings
}

func TestAdvisedHand(t *testing.T) {
	once := DefaultScenario()
	once.Hand.First.Mode, once.Hand.Second.Mode = "once", "none"
	always := Follow{LagS: Fixed(0.5)}
	never := Follow{LagS: Fixed(0.5), IgnoreShare: 1}
	for seed := range uint64(5) {
		_, plain, _ := advisedEntry(t, once, seed, nil, Follow{})
		_, more, s := advisedEntry(t, once, seed, says{MovePass, Tilt}, always)
		if followed, ignored := s.Advised(); crossings(&more, 0) < crossings(&plain, 0)+4 || followed == 0 || ignored != 0 {
			t.Errorf("seed %d: %d passes where one more was asked for again and again, %d without; %d followed, %d ignored", seed, crossings(&more, 0), crossings(&plain, 0), followed, ignored)
		}
		_, next, _ := advisedEntry(t, once, seed, says{MoveNext, Cross}, always)
		if crossings(&next, 1) == 0 {
			t.Errorf("seed %d: the cross slide was not played when it was asked for", seed)
		}
		_, deaf, s := advisedEntry(t, once, seed, says{MovePass, Tilt}, never)
		if followed, ignored := s.Advised(); crossings(&deaf, 0) != crossings(&plain, 0) || followed != 0 || ignored == 0 {
			t.Errorf("seed %d: a hand that ignores everything made %d passes, %d without; %d followed, %d ignored", seed, crossings(&deaf, 0), crossings(&plain, 0), followed, ignored)
		}
		_, late, _ := advisedEntry(t, once, seed, says{MovePass, Tilt}, Follow{LagS: Fixed(1e4)})
		if crossings(&late, 0) != crossings(&plain, 0) {
			t.Errorf("seed %d: a hand that has not read the sentence follows it", seed)
		}
		_, rest, _ := advisedEntry(t, once, seed, says{MoveRest, Tilt}, always)
		c, ok := rest.Main()
		if !ok || c.Extrema[0].ResidualUM > 0.3 {
			t.Errorf("seed %d: the tilt was left %.2f µm off", seed, c.Extrema[0].ResidualUM)
		}
	}
	// What is done need not be done again: the hand leaves out what it had in mind.
	long := DefaultScenario()
	long.Hand.First.Passes, long.Hand.Second.Passes = Count{8, 8}, Count{8, 8}
	_, plain, _ := advisedEntry(t, long, 1, nil, Follow{})
	_, short, _ := advisedEntry(t, long, 1, says{Move: MoveWithdraw}, always)
	if short.EndNS-short.StartNS >= plain.EndNS-plain.StartNS || crossings(&short, 1) > 0 {
		t.Errorf("told to withdraw, the hand took %d s of %d and made %d passes of the cross slide", (short.EndNS-short.StartNS)/1e9, (plain.EndNS-plain.StartNS)/1e9, crossings(&short, 1))
	}
}
