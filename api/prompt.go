package api

import (
	"fmt"
	"strings"

	"ringsaddle/calibrate"
	"ringsaddle/detect"
)

// prompt is what the person is told. The page shows it and decides nothing.
type prompt struct {
	// Title is the step to do now, in one sentence.
	Title string `json:"title"`
	// Detail says where: role, height, direction, which entry of how many; or why
	// the flow stopped.
	Detail string `json:"detail"`
	// Next is what comes then.
	Next string `json:"next"`
	Tone string `json:"tone" enum:"idle,act,good,ask,stop" doc:"idle: nothing to do; act: do this; good: caught; ask: a question or a confirmation; stop: something is wrong."`
	// Ident is the ring that should be in the hand, empty if none.
	Ident string `json:"ident"`
	// Waits is what the set waits for.
	Waits string `json:"waits" enum:"start,confirm_ring,capture,withdrawal,answer,resume,close,nothing"`
	// Step is the step in hand.
	Step int `json:"step" doc:"Index of the step in hand; the number of steps once all are done, -1 without a set."`

	move string // in the frame itself
}

// The tones.
const (
	toneIdle = "idle"
	toneAct  = "act"
	toneGood = "good"
	toneAsk  = "ask"
	toneStop = "stop"
)

// What a bench may wait for.
const (
	waitStart      = "start"        // a set
	waitConfirm    = "confirm_ring" // the person reads the ident on the ring of the step
	waitCapture    = "capture"      // a good capture
	waitWithdrawal = "withdrawal"   // the deliberate withdrawal after a good capture
	waitAnswer     = "answer"       // an answer to the open question
	waitResume     = "resume"       // the end of the pause
	waitClose      = "close"        // the person closes the set
	waitNothing    = "nothing"      // the set has ended
)

// waitsFor tells what a set waits for.
func waitsFor(st *calibrate.State) string {
	switch {
	case st.Ended():
		return waitNothing
	case st.Paused:
		return waitResume
	case st.Asking != nil:
		return waitAnswer
	case st.ConfirmRing != "":
		return waitConfirm
	case st.Pending != "":
		return waitWithdrawal
	case st.Step >= len(st.Plan.Steps):
		return waitClose
	}
	return waitCapture
}

func contactText(contact string) string {
	switch contact {
	case "open":
		return "No ring against the contacts"
	case "settling":
		return "Touching, coming to rest"
	case "settled":
		return "In contact"
	}
	return "State of contact unknown"
}

// promptFor tells what to do now, from the state of the station, of its set and
// of the detector, and what the hand is advised in mid-entry. It is a pure
// function.
func promptFor(state *benchState, sweep Sweep, advice Advice) prompt {
	p := benchPrompt(state, sweep, advice)
	p.Step = -1
	if state.set != nil {
		p.Step = state.set.State.Step
	}
	return p
}

func benchPrompt(state *benchState, sweep Sweep, advice Advice) prompt {
	st, set := state.station, state.set
	switch {
	case st == nil:
		return prompt{Title: "The state of this bench is not known.", Tone: toneStop, Waits: waitNothing}
	case !st.Connected:
		p := prompt{Title: "No connection to the readout.", Tone: toneStop, Waits: waitStart}
		p.Detail = orElse(st.Problem, "Check the cable and that the readout is switched on.")
		if set != nil {
			p.Waits = waitsFor(&set.State)
		}
		return p
	case set == nil:
		return prompt{Title: "No set is running.", Detail: "Choose the rings and start one.", Tone: toneIdle, Waits: waitStart}
	}
	p := setPrompt(set, sweep, advice)
	if st.Problem != "" && p.Tone == toneAct {
		p.Tone, p.Detail = toneStop, st.Problem
	}
	return p
}

func setPrompt(set *Set, sweep Sweep, advice Advice) prompt {
	st := &set.State
	p := prompt{Tone: toneAct, Waits: waitsFor(st), Next: st.Next}
	ring, where := stepWords(st)
	switch p.Waits {
	case waitConfirm:
		p.Ident = st.ConfirmIdent
		p.Title = fmt.Sprintf("Read the ident: is this %s?", ringWords(st, st.ConfirmRing))
		p.Detail, p.Tone = where, toneAsk
	case waitCapture:
		p.Ident, p.Detail = ring.Ident, where
		again := againWords(set, sweep.Seeks)
		if again != "" {
			p.Detail = "Last time " + again + ". " + where
		}
		name := kindWords(ring.Kind) + " " + ring.Ident
		switch {
		case advice.Move != MoveNone:
			p.Title, p.Tone, p.move = advice.Title, advice.Tone, advice.Move
		case again != "":
			p.Title, p.move = fmt.Sprintf("Again, please: bring %s against the contacts.", name), MoveAgain
		default:
			p.Title = fmt.Sprintf("Bring %s against the contacts.", name)
		}
	case waitWithdrawal:
		p.Ident, p.Detail, p.Tone = ring.Ident, where, toneGood
		p.Title, p.move = "Captured. Withdraw the ring.", MoveWithdraw
		if sweep.State.Stage == detect.StageIdle {
			p.Title = "Captured. Keep the ring away from the contacts for a moment."
		}
	case waitAnswer:
		p.Title, p.Detail, p.Tone, p.Ident = "Stopped: please answer.", st.Asking.Text, toneAsk, ring.Ident
	case waitResume:
		p.Title, p.Detail, p.Tone = "Paused.", st.StopReason, toneIdle
	case waitClose:
		p.Title, p.Detail, p.Tone = "Every step is done. Look over the ladder, then close the set.", st.Sentence, toneGood
	default:
		p.Title, p.Detail, p.Tone = endWords(st), orElse(st.StopReason, st.Sentence), toneIdle
	}
	return p
}

// againWords says which movement was missing if the newest capture of the step in
// hand gave no diameter, and nothing otherwise.
func againWords(set *Set, seeks [2]detect.Seek) string {
	st := &set.State
	for i := len(st.Captures) - 1; i >= 0; i-- {
		c := &st.Captures[i]
		if c.Step != st.Step {
			continue
		}
		if c.Fact.Manual || c.Fact.Outcome == string(detect.OutcomeDiameter) || c.Rejected {
			return ""
		}
		var caught [2]bool
		for _, stored := range set.Captures {
			if stored.Fact.ID != c.Fact.ID {
				continue
			}
			for _, p := range stored.Points {
				for k := range seeks {
					caught[k] = caught[k] || p.Adjustment == seeks[k].Adjustment
				}
			}
		}
		codes := make([]detect.ReasonCode, len(c.Fact.ReasonCodes))
		for k, code := range c.Fact.ReasonCodes {
			codes[k] = detect.ReasonCode(code)
		}
		seek, code := firstLack(seeks, codes, caught)
		return lackWords(seek, code)
	}
	return ""
}

// firstLack picks the movement that an entry without diameter is asked for again
// with: what belongs to one adjustment before what belongs to the whole, except
// where the readings themselves cannot be trusted.
func firstLack(seeks [2]detect.Seek, codes []detect.ReasonCode, caught [2]bool) (detect.Seek, detect.ReasonCode) {
	for _, code := range codes {
		if code == detect.ReasonReadingsLost || code == detect.ReasonPreset {
			return detect.Seek{}, code
		}
	}
	for k, code := range detect.Lacking(codes, caught) {
		if code != "" {
			return seeks[k], code
		}
	}
	if len(codes) > 0 {
		return detect.Seek{}, codes[0]
	}
	return detect.Seek{}, ""
}

// cueText is the short sentence of a cue.
func cueText(c Cue) string {
	name := adjustmentWords(c.Adjustment)
	switch c.Kind {
	case detect.EventContact:
		return "In contact"
	case detect.EventCaught:
		return upper(name) + " caught"
	case detect.EventRefined:
		return upper(name) + " confirmed once more"
	case detect.EventRevoked:
		return upper(name) + ": that was no turning point, once more please"
	case detect.EventComplete:
		return "All caught"
	case detect.EventCaptured:
		return "Entry recorded"
	case CueAgain:
		if words := lackWords(c.Seek, c.Lacks); words != "" {
			return "Again, please: " + words
		}
		return "Again, please"
	case detect.EventWithdrawn:
		return "Withdrawn"
	}
	return string(c.Kind)
}

// stepWords returns the ring of the step in hand and where on it to measure.
func stepWords(st *calibrate.State) (calibrate.Ring, string) {
	if st.Step < 0 || st.Step >= len(st.Plan.Steps) {
		return calibrate.Ring{}, ""
	}
	step := st.Plan.Steps[st.Step]
	ring, ok := st.Ring(step.RingID)
	if !ok {
		ring.Ident = step.RingID
	}
	parts := []string{
		roleWords(step.Role),
		"height " + trimMM(step.Height),
		"direction " + degrees(step.Direction),
	}
	if st.Step < len(st.Steps) {
		p := st.Steps[st.Step]
		parts = append(parts, fmt.Sprintf("entry %d of %d", min(p.Got+1, max(p.Needed, 1)), max(p.Needed, 1)))
	}
	return ring, strings.Join(parts, ", ")
}

func ringWords(st *calibrate.State, id string) string {
	r, ok := st.Ring(id)
	if !ok {
		return "ring " + id
	}
	return kindWords(r.Kind) + " " + r.Ident
}

func roleWords(r calibrate.StepRole) string {
	switch r {
	case calibrate.Opening:
		return "Opening reference"
	case calibrate.Closing:
		return "Closing reference"
	case calibrate.Working:
		return "Work position"
	}
	return "Reference in between"
}

func kindWords(k calibrate.RingKind) string {
	if k == calibrate.Master {
		return "master ring"
	}
	return "work ring"
}

func endWords(st *calibrate.State) string {
	switch {
	case st.Aborted:
		return "The set was aborted."
	case string(st.Status) == "not_accepted":
		return "The set is closed and not accepted."
	}
	return "The set is closed."
}

func orElse(s, other string) string {
	if s != "" {
		return s
	}
	return other
}

// upper gives s a capital first letter; names of adjustments are plain ASCII.
func upper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
