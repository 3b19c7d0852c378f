package calibrate

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// walkerStart draws a set with one to three positions on one or two rings.
func walkerStart(t *rapid.T) Event {
	rings := walkerRings()
	works := rings[1 : 2+rapid.IntRange(0, 1).Draw(t, "second ring")]
	heights := []Length{10 * Millimetre, 5 * Millimetre}[:rapid.IntRange(1, 2).Draw(t, "heights")]
	p := HeightsAndDirectionsPlan(rings[0], works, heights, []int64{0}, rapid.IntRange(1, 3).Draw(t, "repeats"))
	if rapid.Bool().Draw(t, "revisit") {
		mid := p.Steps[0]
		mid.Role = Revisit
		p.Steps = slices.Insert(p.Steps, 2, mid)
	}
	return Event{Seq: 1, Kind: SetStarted, WallNS: 1, Plan: &p, Rings: rings, Setup: walkerSetup()}
}

// walkerPick draws the id of a capture of the set.
func walkerPick(t *rapid.T, s *State) string {
	if len(s.Captures) == 0 {
		return "c0"
	}
	return s.Captures[rapid.IntRange(0, len(s.Captures)-1).Draw(t, "capture")].Fact.ID
}

// walkerHelpful returns an event that brings the set forward, with a good capture
// whose reading may lie off.
func walkerHelpful(t *rapid.T, s *State, seq int64) Event {
	e := Event{Seq: seq, At: seq * 60e9, WallNS: seq * 60e9, By: "Ada"}
	switch {
	case s.Pending != "":
		e.Kind = WithdrawnAfter
	case s.Paused:
		e.Kind = Resumed
	case s.Asking != nil:
		e.Kind, e.Accept = Answered, true
	case s.ConfirmRing != "":
		e.Kind, e.RingID = RingConfirmed, s.ConfirmRing
	case s.Step >= len(s.Plan.Steps):
		// Nothing is left to do: reopen the set.
		e.Kind = rapid.SampledFrom([]EventKind{Rejected, Rejected, SameAgain, MovedTo, Relabelled}).Draw(t, "reopen")
		e.CaptureID, e.Reason = walkerPick(t, s), "dust"
		e.Step = rapid.IntRange(0, len(s.Plan.Steps)-1).Draw(t, "step")
	default:
		off := Length(rapid.SampledFrom([]int64{0, 0, 0, 150_000, 300_000}).Draw(t, "off"))
		e.Kind = CaptureStored
		e.Capture = &CaptureFact{ID: fmt.Sprintf("c%d", seq), StreamID: "s", Outcome: "diameter", Reading: off, U: 30_000, At: e.At, WallNS: e.WallNS}
	}
	return e
}

// walkerEvent draws an event: two times in three one that brings the set forward,
// else any, legal or not: steps and captures that do not exist, missing reasons.
func walkerEvent(t *rapid.T, s *State, seq int64) Event {
	if rapid.IntRange(0, 2).Draw(t, "forward") > 0 {
		return walkerHelpful(t, s, seq)
	}
	kinds := []EventKind{
		CaptureStored, CaptureStored, CaptureStored, CaptureStored, WithdrawnAfter, WithdrawnAfter, WithdrawnAfter, WithdrawnAfter,
		RingConfirmed, RingConfirmed, Rejected, SameAgain, Relabelled, MovedTo, Asked, Answered, Answered, StreamChanged,
		Conditions, Paused, Resumed, Resumed, Aborted, SetClosed, SetStarted, "nonsense",
	}
	e := Event{Seq: seq, Kind: rapid.SampledFrom(kinds).Draw(t, "kind"), At: seq * 60e9, WallNS: seq * 60e9}
	if (e.Kind == Aborted || e.Kind == SetClosed) && rapid.IntRange(0, 9).Draw(t, "spare") > 0 {
		e.Kind = Rejected
	}
	id := func() string {
		if rapid.IntRange(0, 9).Draw(t, "unknown") == 0 {
			return "c0"
		}
		return walkerPick(t, s)
	}
	e.By = rapid.SampledFrom([]string{"Ada", "Ada", "Ada", ""}).Draw(t, "by")
	e.Reason = rapid.SampledFrom([]string{"dust", "dust", "dust", ""}).Draw(t, "reason")
	e.Step = rapid.IntRange(-1, 7).Draw(t, "step")
	switch e.Kind {
	case CaptureStored:
		outcome := rapid.SampledFrom([]string{"diameter", "diameter", "diameter", "manual", "incomplete", "ambiguous"}).Draw(t, "outcome")
		e.Capture = &CaptureFact{
			ID: fmt.Sprintf("c%d", seq), StreamID: "s", Outcome: outcome, At: e.At, WallNS: e.WallNS,
			Question: rapid.SampledFrom([]string{"", "", "", "Is it?"}).Draw(t, "question"),
		}
		if rapid.IntRange(0, 19).Draw(t, "twice") == 0 {
			e.Capture.ID = id()
		}
		if outcome == "diameter" || outcome == "manual" {
			e.Capture.Reading = Length(rapid.Int64Range(-300_000, 300_000).Draw(t, "reading"))
			e.Capture.U = Length(rapid.Int64Range(-1, 50_000).Draw(t, "u"))
		}
	case RingConfirmed:
		e.RingID = rapid.SampledFrom([]string{"M", "W", "V", "X"}).Draw(t, "ring")
	case Rejected, Relabelled:
		e.CaptureID = id()
	case Asked, Answered:
		if rapid.Bool().Draw(t, "named") {
			e.CaptureID = id()
		}
		e.Accept = rapid.Bool().Draw(t, "accept")
	case StreamChanged:
		e.VoidsReference = rapid.IntRange(0, 4).Draw(t, "void") == 0
	case Conditions:
		e.Temperatures = []TemperatureFact{{
			RingID: rapid.SampledFrom([]string{"M", "W", "", "X"}).Draw(t, "ring"),
			Value:  20*Kelvin + Temperature(rapid.Int64Range(-100_000, 100_000).Draw(t, "temperature")), U: 50_000, WallNS: e.WallNS,
		}}
	}
	return e
}

func walkerJSON(t *rapid.T, s State) string {
	b, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// walkerInvariants checks what must hold in every state.
func walkerInvariants(t *rapid.T, s State) {
	for _, c := range s.Captures {
		if c.Standing == "" {
			t.Fatalf("capture %s has no standing", c.Fact.ID)
		}
		if c.Standing == StandingUsed || c.Standing == StandingEarlier {
			switch {
			case c.Rejected:
				t.Fatalf("rejected capture %s is used", c.Fact.ID)
			case !c.Good() || !c.Withdrawn || c.Unconfirmed || c.Outside != "" || c.SupersededBy != "" || c.Epoch != s.Epoch || c.Step < 0:
				t.Fatalf("capture %+v must not be used", c)
			case !slices.Contains(s.Confirmed, s.Plan.Steps[c.Step].RingID):
				t.Fatalf("capture %s is used and its ring was not confirmed", c.Fact.ID)
			case slices.ContainsFunc(s.Questions, func(q Question) bool { return q.Open && q.CaptureID == c.Fact.ID }):
				t.Fatalf("capture %s is used with an open question", c.Fact.ID)
			}
		}
		if (c.Standing == StandingUsed) != (c.Role != "") {
			t.Fatalf("capture %s is %s with role %q", c.Fact.ID, c.Standing, c.Role)
		}
		if c.Standing == StandingUsed && c.Fact.Manual && !slices.ContainsFunc(s.Reservations, func(r Reservation) bool {
			return r.Code == ReserveManual && r.CaptureID == c.Fact.ID
		}) {
			t.Fatalf("manual capture %s is used without reservation", c.Fact.ID)
		}
	}
	if c := slices.Compact(slices.Sorted(slices.Values(s.Confirmed))); len(c) != len(s.Confirmed) {
		t.Fatalf("a ring is confirmed twice: %v", s.Confirmed)
	}
	// Work in use lies between the opening and the closing in use.
	opened, closed := false, false
	for _, c := range s.Captures {
		switch c.Role {
		case Opening:
			opened = true
		case Working:
			if !opened || closed {
				t.Fatalf("work capture %s lies outside its bracket", c.Fact.ID)
			}
		case Closing:
			closed = true
		}
	}
	if s.Started && (s.Step < 0 || s.Step > len(s.Plan.Steps)) {
		t.Fatalf("step %d", s.Step)
	}
	if s.Sentence == "" {
		t.Fatal("no sentence")
	}
	if (s.Status == WalkAsking) && s.Asking == nil {
		t.Fatal("asking nothing")
	}
	if s.Status == WalkFinished || s.Status == WalkNotAccepted {
		for _, p := range s.Steps {
			if !p.Done {
				t.Fatalf("%s with step %d open", s.Status, p.Index)
			}
		}
		within := s.ClosingDifference <= s.ClosingLimit && -s.ClosingDifference <= s.ClosingLimit
		if !s.ClosingKnown || within != (s.Status == WalkFinished) {
			t.Fatalf("%s with closing difference %d", s.Status, s.ClosingDifference)
		}
	}
}

// walkerRandom applies random events and checks that an illegal one changes
// nothing, that Apply leaves its argument alone, and that no capture is lost or
// changed. It returns the events that were legal and the state.
func walkerRandom(t *rapid.T) ([]Event, State) {
	start := walkerStart(t)
	s, err := Apply(NewState("set"), start)
	if err != nil {
		t.Fatal(err)
	}
	events := []Event{start}
	stored := []CaptureFact{}
	n := int64(rapid.IntRange(0, 80).Draw(t, "events"))
	for seq := int64(2); seq < n+2; seq++ {
		e := walkerEvent(t, &s, seq)
		before := walkerJSON(t, s)
		next, err := Apply(s, e)
		if after := walkerJSON(t, s); after != before {
			t.Fatalf("Apply(%s) changed its argument:\n%s", e.Kind, cmp.Diff(before, after))
		}
		if err != nil {
			var refused *RefusedError
			if !errors.As(err, &refused) {
				t.Fatalf("error of %s is no *RefusedError: %v", e.Kind, err)
			}
			if got := walkerJSON(t, next); got != before {
				t.Fatalf("refused %s changed the state", e.Kind)
			}
			continue
		}
		s = next
		events = append(events, e)
		if e.Kind == CaptureStored {
			f := *e.Capture
			f.Manual = f.Outcome == OutcomeManual
			stored = append(stored, f)
		}
		walkerInvariants(t, s)
		if len(s.Captures) != len(stored) {
			t.Fatalf("%d captures of %d", len(s.Captures), len(stored))
		}
		for i, c := range s.Captures {
			if d := cmp.Diff(stored[i], c.Fact); d != "" {
				t.Fatalf("capture changed: %s", d)
			}
		}
	}
	return events, s
}

// TestWalkerRandomEvents: nothing is lost, illegal events change nothing, rejected
// captures are never used, nothing panics.
func TestWalkerRandomEvents(t *testing.T) {
	seen := map[string]int{}
	rapid.Check(t, func(t *rapid.T) {
		_, s := walkerRandom(t)
		seen[string(s.Status)]++
		for _, c := range s.Captures {
			seen[string(c.Standing)]++
		}
	})
	// The draw must reach the states that the invariants speak of.
	for _, st := range []WalkStatus{WalkRunning, WalkFinished, WalkConfirmRing} {
		if seen[string(st)] == 0 {
			t.Errorf("no random set was ever %s", st)
		}
	}
	for _, st := range []Standing{StandingUsed, StandingRejected, StandingSuperseded} {
		if seen[string(st)] == 0 {
			t.Errorf("no random capture was ever %s", st)
		}
	}
	t.Log(seen)
}

// TestWalkerRestart: a state written as JSON after any prefix and carried on, and
// the fold of everything, are the same.
func TestWalkerRestart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		events, whole := walkerRandom(t)
		cut := rapid.IntRange(0, len(events)).Draw(t, "cut")
		first, err := Fold("set", events[:cut])
		if err != nil {
			t.Fatal(err)
		}
		var s State
		if err := json.Unmarshal([]byte(walkerJSON(t, first)), &s); err != nil {
			t.Fatal(err)
		}
		for _, e := range events[cut:] {
			if s, err = Apply(s, e); err != nil {
				t.Fatal(err)
			}
		}
		if a, b := walkerJSON(t, whole), walkerJSON(t, s); a != b {
			t.Fatal(cmp.Diff(a, b))
		}
		again, err := Fold("set", events)
		if err != nil {
			t.Fatal(err)
		}
		if a, b := walkerJSON(t, whole), walkerJSON(t, again); a != b {
			t.Fatal(cmp.Diff(a, b))
		}
	})
}

// TestWalkerEnds: whatever happened before, good agreeing captures lead to the end
// of the set within a bounded number of entries.
func TestWalkerEnds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		_, s := walkerRandom(t)
		if s.Ended() {
			return
		}
		bound := 5
		for _, p := range s.Plan.Steps {
			bound += 2 * (p.Repeats + 2)
		}
		bound += 2 * len(s.Extra)
		apply := func(e Event) {
			e.Seq, e.WallNS = s.LastSeq+1, (s.LastSeq+1)*60e9
			next, err := Apply(s, e)
			if err != nil {
				t.Fatalf("status %s, step %d: %v", s.Status, s.Step, err)
			}
			s = next
		}
		entries := 0
		for s.Status != WalkFinished && s.Status != WalkNotAccepted {
			switch s.Status {
			case WalkPaused:
				apply(Event{Kind: Resumed})
			case WalkAsking:
				apply(Event{Kind: Answered, Accept: true, By: "Ada"})
			case WalkConfirmRing:
				apply(Event{Kind: RingConfirmed, RingID: s.ConfirmRing, By: "Ada"})
			default:
				if entries++; entries > bound {
					t.Fatalf("still %q after %d entries", s.Sentence, entries)
				}
				id := fmt.Sprintf("end%d", entries)
				apply(Event{Kind: CaptureStored, Capture: &CaptureFact{ID: id, Outcome: "diameter", U: 30_000, WallNS: s.LastSeq * 60e9}})
				apply(Event{Kind: WithdrawnAfter})
			}
		}
		apply(Event{Kind: SetClosed, By: "Ada"})
		if !s.Closed {
			t.Fatal("not closed")
		}
	})
}

// TestAgreementLimit works the rule out by hand.
func TestAgreementLimit(t *testing.T) {
	for _, tc := range []struct {
		a      Agreement
		ua, ub Length
		want   Length
	}{
		{Agreement{KMilli: 2000}, 30, 40, 100},
		{Agreement{KMilli: 3000}, 30, 40, 150},
		{Agreement{KMilli: 1000, Repeatability: 100}, 0, 0, 141},
		{Agreement{KMilli: 1000, Repeatability: 50}, 0, 0, 71},
		{Agreement{KMilli: 1000, Floor: 72, Repeatability: 50}, 0, 0, 72},
		{DefaultAgreement(), 0, 0, 141_421},
		{DefaultAgreement(), 30_000, 30_000, 164_924},
	} {
		if got := tc.a.Limit(tc.ua, tc.ub); got != tc.want {
			t.Errorf("%+v with u %d and %d: %d, want %d", tc.a, tc.ua, tc.ub, got, tc.want)
		}
	}
}

// TestWalkerOrder: an event that was applied is not applied again.
func TestWalkerOrder(t *testing.T) {
	rings := walkerRings()
	p := OneDiameterPlan(rings[0], rings[1], 1)
	s, err := Fold("set", []Event{{Seq: 7, Kind: SetStarted, Plan: &p, Rings: rings}})
	if err != nil || s.LastSeq != 7 {
		t.Fatalf("seq %d, %v", s.LastSeq, err)
	}
	for _, seq := range []int64{7, 6} {
		var refused *RefusedError
		if _, err := Apply(s, Event{Seq: seq, Kind: Paused}); !errors.As(err, &refused) {
			t.Errorf("seq %d after 7: %v", seq, err)
		}
	}
	if _, err := Apply(s, Event{Seq: 8, Kind: Paused}); err != nil {
		t.Error(err)
	}
}

// TestWalkerShortest: a set in which nothing goes wrong takes exactly the entries
// that its plan asks for, finishes, and uses all of them.
func TestWalkerShortest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		start := walkerStart(t)
		events := []Event{start}
		for _, id := range []string{"M", "W", "V"} {
			if slices.ContainsFunc(start.Plan.Steps, func(p PlanStep) bool { return p.RingID == id }) {
				events = append(events, Event{Kind: RingConfirmed, RingID: id})
			}
		}
		n := 0
		for _, p := range start.Plan.Steps {
			for range p.Repeats {
				n++
				f := CaptureFact{ID: fmt.Sprintf("c%d", n), Outcome: "diameter", U: 30_000, Reading: Length(rapid.Int64Range(-50_000, 50_000).Draw(t, "reading"))}
				events = append(events, Event{Kind: CaptureStored, Capture: &f}, Event{Kind: WithdrawnAfter})
			}
		}
		s, err := Fold("set", events)
		if err != nil {
			t.Fatal(err)
		}
		used := 0
		for _, c := range s.Captures {
			if c.Standing == StandingUsed {
				used++
			}
		}
		dof := 0
		for _, p := range start.Plan.Steps {
			dof += p.Repeats - 1
		}
		if s.Status != WalkFinished || used != n || s.RepeatabilityDof != dof {
			t.Fatalf("%s with %d of %d captures and %d of %d degrees of freedom: %s", s.Status, used, n, s.RepeatabilityDof, dof, s.Sentence)
		}
	})
}
