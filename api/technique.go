package api

import (
	"fmt"

	"ringsaddle/detect"
)

// What the hand is told in mid-entry. An extremum passed twice, or passed and
// then rested on, can be decided; one that was seen once cannot. adviceFor says,
// from the state of the detector alone, which movement is lacking; a Guide keeps
// the sentence from flickering.

// The moves, as they go over the wire.
const (
	MoveNone     = ""
	MoveSettle   = "settle"    // let the carriage come to rest
	MoveGoPast   = "go_past"   // turn on past the turning point
	MoveComeBack = "come_back" // back over it
	MoveOnceMore = "once_more" // pass it once more
	MoveRest     = "rest"      // take the hand off
	MoveNext     = "next"      // go on to the other adjustment
	MoveWithdraw = "withdraw"  // all is caught
	MoveAgain    = "again"     // play the entry again
)

// Advice is what the hand should do now.
type Advice struct {
	// Move is one of the moves; empty while nothing rests on the contacts.
	Move string
	// Adjustment is what the move is about; empty if none.
	Adjustment detect.Adjustment
	// Title is the sentence for it.
	Title string
	// Tone is that of the prompt.
	Tone string
}

// enoughUM is how far the reading has to be let away from a turning point before
// the hand comes back, µm; more where noise or resolution hide that.
const (
	enoughUM      = 2.0
	enoughVisible = 4.0
)

// nearUM is how close to its turning point an adjustment should be left before the
// other one is taken up, µm; what is left is taken out, but it must be found again
// in the readings, and an adjustment left far off makes that doubtful.
const (
	nearUM      = 0.35
	nearVisible = 2.5
)

// adviceFor says what is lacking. It is a pure function.
func adviceFor(sweep Sweep) Advice {
	d := &sweep.State
	switch d.Stage {
	case detect.StageApproach:
		return Advice{Move: MoveSettle, Title: "Let the carriage come to rest.", Tone: toneAct}
	case detect.StageContact:
	default:
		return Advice{}
	}
	if sweep.Seeks[0].Adjustment == "" {
		return Advice{Move: MoveGoPast, Title: "Play the adjustments through their turning points.", Tone: toneAct}
	}
	k := soughtOf(d)
	seek, s, other := sweep.Seeks[k], &d.Seek[k], &d.Seek[1-k]
	say := func(move, tone, format string, args ...any) Advice {
		return Advice{Move: move, Adjustment: seek.Adjustment, Title: fmt.Sprintf(format, args...), Tone: tone}
	}
	name := adjustmentWords(seek.Adjustment)
	switch {
	case d.Complete && d.Flat && d.Resting:
		return say(MoveNext, toneAct, "Now the %s. If that does not move the reading, withdraw the ring.", name)
	case d.Complete && !d.Confirmed:
		a := say(MoveRest, toneGood, "All caught. Take the hand off.")
		a.Adjustment = ""
		return a
	case d.Complete:
		return say(MoveWithdraw, toneGood, "All caught. Withdraw the ring.")
	case other.Caught && !s.Played && d.Parked[1-k] && d.Residual[1-k] <= nearOf(sweep):
		return say(MoveNext, toneGood, "Good. Now the %s: past the %s reading.", name, extremumWords(seek.Sense))
	case other.Caught && !s.Played:
		o := sweep.Seeks[1-k]
		a := say(MoveRest, toneGood, "%s caught. Back to the %s reading, then take the hand off.", upper(adjustmentWords(o.Adjustment)), extremumWords(o.Sense))
		a.Adjustment = o.Adjustment
		return a
	}
	enough := enoughOf(sweep)
	switch {
	case !s.Seen || s.Deepest <= d.Visible && s.Passes == 0:
		return say(MoveGoPast, toneAct, "%s the %s past the %s reading.", verbWords(seek.Adjustment), name, extremumWords(seek.Sense))
	case s.Deepest < enough:
		return say(MoveGoPast, toneAct, "A little further with the %s.", name)
	case d.Resting && s.Passes > 0 && s.Away < nearOf(sweep):
		return say(MoveOnceMore, toneAct, "Once more with the %s: well away, then over it in one steady sweep.", name)
	case s.Passes <= 1:
		return say(MoveComeBack, toneAct, "Back over the %s reading with the %s, steadily.", extremumWords(seek.Sense), name)
	case s.Lacks == detect.ReasonPassesDisagree:
		return say(MoveOnceMore, toneAct, "The passes differ: once more over it with the %s, steadily.", name)
	}
	return say(MoveOnceMore, toneAct, "Once more over it with the %s, in one steady sweep.", name)
}

// enoughOf is enoughUM in counts of the sweep.
func enoughOf(sweep Sweep) float64 {
	if sweep.CountMM <= 0 {
		return enoughVisible * sweep.State.Visible
	}
	return max(enoughUM*1e-3/sweep.CountMM, enoughVisible*sweep.State.Visible)
}

// nearOf is nearUM in counts of the sweep.
func nearOf(sweep Sweep) float64 {
	if sweep.CountMM <= 0 {
		return nearVisible * sweep.State.Visible
	}
	return max(nearUM*1e-3/sweep.CountMM, nearVisible*sweep.State.Visible)
}

func verbWords(a detect.Adjustment) string {
	if a == detect.Cross || a == detect.Height {
		return "Move"
	}
	return "Turn"
}

// holdNS is how long a sentence stands at least, ns of the station clock.
const holdNS = 700_000_000

// Guide gives advice that stands long enough to be read. Its zero value is ready;
// it is not safe for concurrent use.
type Guide struct {
	shown Advice
	since int64
	start uint64
}

// Advise returns the advice to show at time now, ns of the station clock. What
// says that something is caught, or that the ring may be withdrawn, is shown at
// once; anything else waits until the sentence before it has stood long enough.
func (g *Guide) Advise(now int64, sweep Sweep) Advice {
	want := adviceFor(sweep)
	fresh := g.start != sweep.State.StartSeq || want.Move == "" || g.shown.Move == "" || want.Move == MoveSettle || g.shown.Move == MoveSettle
	held := now-g.since < holdNS && now >= g.since
	if want != g.shown && (fresh || want.Tone == toneGood || !held) {
		g.shown, g.since = want, now
	}
	g.start = sweep.State.StartSeq
	return g.shown
}

// lackWords says which movement was missing in an entry that gave no diameter.
func lackWords(seek detect.Seek, code detect.ReasonCode) string {
	name, extremum := adjustmentWords(seek.Adjustment), extremumWords(seek.Sense)
	if name == "" {
		name = "adjustment"
	}
	switch code {
	case detect.ReasonNotCrossed:
		return fmt.Sprintf("the %s never passed its %s reading: go on until the reading comes back", name, extremum)
	case detect.ReasonSeenOnce:
		return fmt.Sprintf("the %s passed its %s reading once only: come back over it", name, extremum)
	case detect.ReasonFewPasses:
		return fmt.Sprintf("the %s moved too little around its %s reading: go further on both sides", name, extremum)
	case detect.ReasonPassesDisagree:
		return fmt.Sprintf("the passes of the %s did not agree: look for dust or a burr, then pass slowly twice", name)
	case detect.ReasonEndStop:
		return fmt.Sprintf("the %s turned as at a stop: keep clear of it and go on until the reading comes back", name)
	case detect.ReasonNotPlayed:
		return fmt.Sprintf("the %s was not played: pass its %s reading twice", name, extremum)
	case detect.ReasonPhasesUnclear:
		return "the two adjustments ran together: one at a time, hands off for a second between them"
	case detect.ReasonContactLost:
		return "the contact was lost: keep the ring against the contacts until all is caught"
	case detect.ReasonReadingsLost:
		return "readings were missing: check the cable"
	case detect.ReasonPreset:
		return "the readout was set anew: press none of its keys"
	}
	return ""
}
