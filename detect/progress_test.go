package detect

import (
	"testing"

	"ringsaddle/acquire/bench"
)

// The reasons of an entry are sorted to the adjustments that they speak of.
func TestLacking(t *testing.T) {
	for _, c := range []struct {
		codes  []ReasonCode
		caught [2]bool
		want   [2]ReasonCode
	}{
		{nil, [2]bool{true, true}, [2]ReasonCode{}},
		{[]ReasonCode{ReasonSeenOnce}, [2]bool{true, false}, [2]ReasonCode{"", ReasonSeenOnce}},
		{[]ReasonCode{ReasonSeenOnce, ReasonNotPlayed}, [2]bool{}, [2]ReasonCode{ReasonSeenOnce, ReasonNotPlayed}},
		{[]ReasonCode{ReasonReadingsLost, ReasonFewPasses, ReasonEndStop, ReasonContactLost}, [2]bool{}, [2]ReasonCode{ReasonFewPasses, ReasonEndStop}},
		{[]ReasonCode{ReasonPhasesUnclear}, [2]bool{true, true}, [2]ReasonCode{}},
	} {
		if got := Lacking(c.codes, c.caught); got != c.want {
			t.Errorf("%v, caught %v: %v", c.codes, c.caught, got)
		}
	}
}

// What State tells on the way agrees with what the hand did: turn-backs short of
// the extremum are told as such, the distance from the extremum is that of the
// newest reading, and the second axis tells the side.
func TestStateInEntry(t *testing.T) {
	for _, class := range []bench.Class{bench.ClassManyReversals, bench.ClassWithY} {
		backs, sides, confirmed := 0, map[Side]int{}, 0
		for seed := range uint64(4) {
			tr, err := benchCase(class, seed)
			if err != nil {
				t.Fatal(err)
			}
			d, err := New(benchParams(&tr))
			if err != nil {
				t.Fatal(err)
			}
			var last State
			for i, r := range tr.Readings {
				for _, e := range d.Push(r) {
					if e.Kind == EventCaptured && last.Confirmed && e.Capture.Outcome != OutcomeDiameter {
						t.Errorf("%s %d: %s after it was confirmed", class, seed, e.Capture.Outcome)
					}
				}
				if i%7 != 0 {
					continue
				}
				s := d.State()
				if s.Stage != StageContact {
					continue
				}
				last = s
				if s.Confirmed {
					confirmed++
				}
				if len(s.TurnBacks) > MaxTurnBacks {
					t.Fatalf("%d turn-backs", len(s.TurnBacks))
				}
				backs = max(backs, len(s.TurnBacks))
				for j := 1; j < len(s.TurnBacks); j++ {
					if s.TurnBacks[j].At < s.TurnBacks[j-1].At {
						t.Fatalf("turn-backs out of order: %+v", s.TurnBacks)
					}
				}
				for k := range s.Seek {
					q := &s.Seek[k]
					if q.Seen && (q.Away < 0 || q.Deepest < q.Away) {
						t.Fatalf("%s %d, reading %d: %+v", class, seed, i, *q)
					}
					sides[q.Side]++
				}
			}
		}
		if class == bench.ClassManyReversals && backs == 0 {
			t.Errorf("%s: no turn-back was told", class)
		}
		if class == bench.ClassWithY && (sides[SideBefore] == 0 || sides[SidePast] == 0) {
			t.Errorf("%s: sides told %v", class, sides)
		}
		if class == bench.ClassManyReversals && (sides[SideBefore] > 0 || sides[SidePast] > 0) {
			t.Errorf("%s: sides %v without a second axis", class, sides)
		}
		if confirmed == 0 {
			t.Errorf("%s: nothing was ever confirmed", class)
		}
	}
}

// Asking for State changes nothing.
func TestStateIsPassive(t *testing.T) {
	tr, err := benchCase(bench.ClassMixed, 3)
	if err != nil {
		t.Fatal(err)
	}
	run := func(ask bool) []Capture {
		d, err := New(benchParams(&tr))
		if err != nil {
			t.Fatal(err)
		}
		var out []Capture
		for _, r := range tr.Readings {
			for _, e := range d.Push(r) {
				if e.Capture != nil {
					out = append(out, *e.Capture)
				}
			}
			if ask {
				d.State()
			}
		}
		return out
	}
	plain, asked := run(false), run(true)
	if len(plain) == 0 || len(plain) != len(asked) {
		t.Fatalf("%d captures, %d when asked", len(plain), len(asked))
	}
	for i := range plain {
		if plain[i].Outcome != asked[i].Outcome || plain[i].Saddle != asked[i].Saddle || plain[i].U != asked[i].U {
			t.Errorf("capture %d differs when State is asked for", i)
		}
	}
}
