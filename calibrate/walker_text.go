package calibrate

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// walkerMM writes a length in mm without trailing zeros.
func walkerMM(l Length) string { return strconv.FormatFloat(l.MM(), 'f', -1, 64) + " mm" }

// walkerMicro writes a signed difference in µm to 0.01 µm.
func walkerMicro(l Length) string {
	t := fmt.Sprintf("%+.2f µm", l.Micrometres())
	if strings.HasPrefix(t, "-0.00") || strings.HasPrefix(t, "+0.00") {
		return "0.00 µm"
	}
	return strings.Replace(t, "-", "−", 1)
}

// walkerSize writes a size in µm to 0.01 µm.
func walkerSize(l Length) string { return fmt.Sprintf("%.2f µm", math.Abs(l.Micrometres())) }

func walkerDegrees(mdeg int64) string {
	return strconv.FormatFloat(float64(mdeg)/1000, 'f', -1, 64) + "°"
}

func walkerDay(wallNS int64) string { return time.Unix(0, wallNS).UTC().Format("2006-01-02") }

func walkerReasons(f CaptureFact) string {
	if len(f.Reasons) == 0 {
		return f.Outcome
	}
	return strings.Join(f.Reasons, " ")
}

func walkerStatusWords(st WalkStatus) string {
	switch st {
	case WalkAsking:
		return "stopped by a question"
	case WalkFinished:
		return "finished"
	case WalkNotAccepted:
		return "done and not accepted"
	case WalkPaused:
		return "paused"
	}
	return "without a step"
}

// walkerTitle names what a step measures.
func (s *State) walkerTitle(i int) string {
	p := s.Plan.Steps[i]
	what := map[StepRole]string{
		Opening: "opening reference, master", Working: "work ring", Closing: "closing reference, master", Revisit: "reference in between, master",
	}[p.Role]
	return fmt.Sprintf("%s %s at height %s, direction %s", what, s.walkerIdent(p.RingID), walkerMM(p.Height), walkerDegrees(p.Direction))
}

// walkerStop ends a sentence that a person wrote with a full stop, if it has no end.
func walkerStop(t string) string {
	if strings.HasSuffix(t, ".") || strings.HasSuffix(t, "?") || strings.HasSuffix(t, "!") {
		return t
	}
	return t + "."
}

func walkerCapital(t string) string {
	if t == "" {
		return t
	}
	return strings.ToUpper(t[:1]) + t[1:]
}

// walkerSentence says what to do now, and what comes then.
func (s *State) walkerSentence() (now, next string) {
	n := len(s.Plan.Steps)
	switch s.Status {
	case WalkNotStarted:
		return "The set has not started.", "Start it with a plan."
	case WalkAborted:
		return fmt.Sprintf("Aborted by %s: %s", s.StoppedBy, walkerStop(s.StopReason)), ""
	case WalkPaused:
		return "Paused: " + walkerStop(walkerOr(s.StopReason, "no reason given")), "Resume to go on."
	case WalkAsking:
		return s.Asking.Text, "Answer yes or no."
	case WalkFinished, WalkNotAccepted:
		return s.walkerVerdict()
	case WalkConfirmRing:
		now = fmt.Sprintf("Read the ident on the ring and confirm that it is %s.", s.ConfirmIdent)
		if s.Pending != "" {
			now = fmt.Sprintf("Captured. Before you withdraw, read the ident on the ring and confirm that it is %s.", s.ConfirmIdent)
		}
		return now, "Then: " + s.walkerEntry(s.Step) + "."
	}
	now = walkerCapital(s.walkerEntry(s.Step)) + "."
	if s.Pending != "" {
		now = "Captured. Withdraw the ring from the contacts: the capture counts then."
	}
	if s.ReferenceVoid {
		now = "The reference is void: open it again. " + now
	}
	t := s.Steps[s.Step]
	left := t.Needed - t.Got
	if c, ok := s.Capture(s.Pending); ok && c.Step == s.Step {
		left--
		if left > 0 {
			return now, fmt.Sprintf("Then entry %d of %d at the same position.", t.Got+2, t.Needed)
		}
	}
	if left > 1 {
		return now, "Then the same position again."
	}
	after := n
	for i := range s.Steps {
		if i != s.Step && !s.Steps[i].Done {
			after = i
			break
		}
	}
	if after < n {
		return now, "Then: " + s.walkerTitle(after) + "."
	}
	return now, "Then the set is complete."
}

// walkerEntry names the entry to make at a step.
func (s *State) walkerEntry(i int) string {
	t := s.Steps[i]
	k, m := t.Got+1, max(t.Needed, t.Got+1)
	text := fmt.Sprintf("%s: entry %d of %d", t.Title, k, m)
	if t.Role == Closing && len(s.Attempts) > 0 {
		a := s.Attempts[len(s.Attempts)-1]
		switch {
		case a.Complete && !a.Within && len(s.Attempts) < MaxClosingAttempts:
			text += fmt.Sprintf(", attempt %d of %d (the first differed by %s, the limit is %s)", len(s.Attempts)+1, MaxClosingAttempts, walkerMicro(a.Difference), walkerSize(s.ClosingLimit))
		case len(s.Attempts) > 1:
			text += fmt.Sprintf(", attempt %d of %d", len(s.Attempts), MaxClosingAttempts)
		}
	}
	if t.Disagreement > 0 && !t.Done {
		text += fmt.Sprintf(" (captures differ by %s, more than %s)", walkerSize(t.Disagreement), walkerSize(t.Limit))
	}
	return text
}

func (s *State) walkerVerdict() (now, next string) {
	next = "Close the set, or reject a capture or ask for one again to reopen it."
	if s.Closed {
		next = ""
	}
	if s.Status == WalkNotAccepted {
		return fmt.Sprintf("Not accepted: closing minus opening is %s after %d attempts; the limit is %s.",
			walkerMicro(s.ClosingDifference), len(s.Attempts), walkerSize(s.ClosingLimit)), next
	}
	return fmt.Sprintf("Finished: closing minus opening is %s; the limit is %s.",
		walkerMicro(s.ClosingDifference), walkerSize(s.ClosingLimit)), next
}

// walkerReservations gathers what events noted and what follows from the
// captures in use.
func (s *State) walkerReservations() {
	for _, n := range s.Notes {
		// A note about a capture matters only while the capture counts.
		if c, ok := s.Capture(n.CaptureID); n.CaptureID == "" || ok && c.Standing == StandingUsed {
			s.Reservations = append(s.Reservations, n)
		}
	}
	add := func(code ReservationCode, step int, capture, text string) {
		s.Reservations = append(s.Reservations, Reservation{Code: code, Text: text, Step: step, CaptureID: capture})
	}
	streams := map[string]bool{}
	for i := range s.Captures {
		c := &s.Captures[i]
		if c.Standing == StandingUnbracketed {
			add(ReserveUnbracketed, c.Step, c.Fact.ID, fmt.Sprintf("A capture of the %s has no opening reference before it and does not count.", s.walkerTitle(c.Step)))
		}
		if c.Standing == StandingRejected && c.Good() && c.Step == len(s.Plan.Steps)-1 && c.Epoch == s.Epoch {
			add(ReserveClosingRejected, c.Step, c.Fact.ID, fmt.Sprintf("A capture of the closing reference was rejected by %s: %s", c.RejectedBy, walkerStop(c.RejectReason)))
		}
		if c.Standing != StandingUsed {
			continue
		}
		streams[c.Fact.StreamID] = true
		if c.Fact.Manual {
			add(ReserveManual, c.Step, c.Fact.ID, "Manual capture: the person took the reading of the "+s.walkerTitle(c.Step)+".")
		}
		if c.Role == Revisit && s.Plan.Steps[c.Step].Role != Revisit {
			add(ReserveLateReference, c.Step, c.Fact.ID, fmt.Sprintf("A capture of the %s lies between work captures and serves as a reference in between.", s.walkerTitle(c.Step)))
		}
	}
	for i := range s.Captures {
		if c := &s.Captures[i]; c.Standing == StandingSetAside {
			add(ReserveSetAside, c.Step, c.Fact.ID, fmt.Sprintf("A capture of the %s is kept and not used: %s.", s.walkerTitle(c.Step), c.Why))
		}
	}
	if len(streams) > 1 {
		add(ReserveSeveralStreams, -1, "", fmt.Sprintf("The captures come from %d streams of readings.", len(streams)))
	}
	for _, t := range s.Steps {
		if t.Done && t.Disagreement > 0 {
			add(ReserveRepeatsDisagree, t.Index, "", fmt.Sprintf("The captures of the %s differ by %s, more than %s; all are used.", t.Title, walkerSize(t.Disagreement), walkerSize(t.Limit)))
		}
	}
	last := len(s.Plan.Steps) - 1
	for k, a := range s.Attempts {
		if !a.Complete || a.Within {
			continue
		}
		code, text := ReserveClosingRepeated, "Closing attempt %d of %d was beyond the limit: %s against %s."
		if k+1 == MaxClosingAttempts {
			code = ReserveNotAccepted
		}
		add(code, last, "", fmt.Sprintf(text, k+1, MaxClosingAttempts, walkerMicro(a.Difference), walkerSize(s.ClosingLimit)))
	}
	s.walkerTemperatureReservations(add)
}
