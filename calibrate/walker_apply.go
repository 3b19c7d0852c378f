package calibrate

import (
	"fmt"
	"slices"
	"strings"
)

// walkerApply changes s, which is a copy, by an event that may still be refused.
func (s *State) walkerApply(e Event) error {
	switch e.Kind {
	case SetStarted:
		return s.walkerStart(e)
	case RingConfirmed:
		return s.walkerConfirm(e)
	case CaptureStored:
		return s.walkerCapture(e)
	case WithdrawnAfter:
		return s.walkerWithdraw(e)
	case Rejected:
		return s.walkerReject(e)
	case SameAgain:
		return s.walkerSameAgain(e)
	case Relabelled:
		return s.walkerRelabel(e)
	case MovedTo:
		return s.walkerMove(e)
	case Asked:
		return s.walkerAsk(e)
	case Answered:
		return s.walkerAnswer(e)
	case StreamChanged:
		s.walkerStream(e)
		return nil
	case Conditions:
		return s.walkerConditions(e)
	case Paused:
		return s.walkerPause(e)
	case Resumed:
		if !s.Paused {
			return refuse(e, "the set is not paused", "nothing to do: it goes on")
		}
		s.Paused, s.StopReason, s.StoppedBy = false, "", ""
		return nil
	case Aborted:
		if err := walkerSigned(e); err != nil {
			return err
		}
		s.Aborted, s.Paused = true, false
		s.StopReason, s.StoppedBy = e.Reason, e.By
		return nil
	case SetClosed:
		return s.walkerClose(e)
	}
	return refuse(e, fmt.Sprintf("%q is no kind of event", e.Kind), "use one of the kinds of EventKind")
}

// walkerSigned asks for a person and a reason.
func walkerSigned(e Event) error {
	switch {
	case strings.TrimSpace(e.By) == "":
		return refuse(e, "it does not say who did it", "give the person in by")
	case strings.TrimSpace(e.Reason) == "":
		return refuse(e, "it gives no reason", "give one in reason")
	}
	return nil
}

func (s *State) walkerStart(e Event) error {
	if e.Plan == nil {
		return refuse(e, "it has no plan", "give the plan")
	}
	if err := e.Plan.validateSteps(e.Rings); err != nil {
		return fmt.Errorf("%s refused: %w", e.Kind, err)
	}
	s.Started, s.At, s.WallNS, s.By = true, e.At, e.WallNS, e.By
	s.Plan = *e.Plan
	s.Plan.Steps = slices.Clone(e.Plan.Steps)
	s.Rings = slices.Clone(e.Rings)
	if e.Setup != nil {
		s.Setup = *e.Setup
		s.Setup.Expansions = slices.Clone(e.Setup.Expansions)
	}
	switch s.Setup.ReadingSign {
	case 0:
		s.Setup.ReadingSign = 1
	case 1, -1:
	default:
		return refuse(e, fmt.Sprintf("reading_sign is %d", s.Setup.ReadingSign), "use +1 or -1")
	}
	if s.Setup.Agreement == (Agreement{}) {
		s.Setup.Agreement = DefaultAgreement()
	}
	if a := s.Setup.Agreement; a.KMilli < 0 || a.Floor < 0 || a.Repeatability < 0 {
		return refuse(e, "the agreement rule has a negative number", "use numbers from 0 up")
	}
	if s.Setup.AssumedTemperature < 0 {
		return refuse(e, "the half-width of an assumed temperature is negative", "use a number from 0 up")
	}
	if s.Setup.AssumedTemperature == 0 {
		s.Setup.AssumedTemperature = AssumedTemperatureHalfWidth
	}
	day := s.Setup.Day
	if day == "" {
		day = walkerDay(e.WallNS)
		s.Setup.Day = day
	}
	master, _ := s.Ring(s.Plan.Steps[0].RingID)
	if c := master.Certificate; c != nil && c.DueOn != "" && c.DueOn < day {
		why := e.Reason
		if why == "" {
			why = "no reason recorded"
		}
		s.walkerNote(e, ReserveMasterOverdue, -1, "",
			fmt.Sprintf("Master %s was due on %s and is used on %s: %s", master.Ident, c.DueOn, day, walkerStop(why)))
	}
	return nil
}

func (s *State) walkerNote(e Event, code ReservationCode, step int, capture, text string) {
	s.Notes = append(s.Notes, Reservation{Code: code, Text: text, Step: step, CaptureID: capture, By: e.By, WallNS: e.WallNS})
}

func (s *State) walkerConfirm(e Event) error {
	used := slices.ContainsFunc(s.Plan.Steps, func(p PlanStep) bool { return p.RingID == e.RingID })
	if !used {
		return refuse(e, fmt.Sprintf("ring %q is not in the plan", e.RingID), "confirm a ring of the plan, or start a set for this one")
	}
	if !slices.Contains(s.Confirmed, e.RingID) {
		s.Confirmed = append(s.Confirmed, e.RingID)
	}
	return nil
}

func (s *State) walkerCapture(e Event) error {
	c := e.Capture
	switch {
	case c == nil || c.ID == "":
		return refuse(e, "it has no capture with an id", "give the capture")
	case s.walkerFind(c.ID) >= 0:
		return refuse(e, fmt.Sprintf("capture %s is already in the set", c.ID), "store each capture once")
	case c.Outcome == "":
		return refuse(e, fmt.Sprintf("capture %s has no outcome", c.ID), "give the detector's outcome, or manual")
	case c.U < 0:
		return refuse(e, fmt.Sprintf("capture %s has a negative uncertainty", c.ID), "give u from 0 up")
	}
	r := CaptureRecord{Fact: *c, Seq: e.Seq, Step: s.Step, Entry: s.Entry, Epoch: s.Epoch}
	r.Fact.ReasonCodes, r.Fact.Reasons = slices.Clone(c.ReasonCodes), slices.Clone(c.Reasons)
	if c.Outcome == OutcomeManual {
		r.Fact.Manual = true
	}
	if s.Step >= len(s.Plan.Steps) {
		r.Step = -1
	}
	switch s.Status {
	case WalkPaused, WalkAsking, WalkFinished, WalkNotAccepted:
		r.Outside = string(s.Status)
	}
	if r.Good() && r.Outside == "" {
		for i := range s.Captures {
			p := &s.Captures[i]
			if p.Entry == r.Entry && p.Step == r.Step && p.Epoch == r.Epoch && p.Standing == StandingPending {
				p.SupersededBy = c.ID
			}
		}
	}
	if c.Question != "" && r.Outside == "" {
		s.Questions = append(s.Questions, Question{Seq: e.Seq, CaptureID: c.ID, Text: c.Question, Open: true})
	}
	s.Captures = append(s.Captures, r)
	return nil
}

func (s *State) walkerWithdraw(e Event) error {
	n := 0
	for i := range s.Captures {
		c := &s.Captures[i]
		if c.Entry != s.Entry {
			continue
		}
		n++
		c.Withdrawn = true
		if c.Step >= 0 && !slices.Contains(s.Confirmed, s.Plan.Steps[c.Step].RingID) {
			c.Unconfirmed = true
		}
	}
	if n == 0 {
		return refuse(e, "no capture since the last withdrawal", "nothing to do: it changes nothing")
	}
	s.Entry++
	return nil
}

func (s *State) walkerReject(e Event) error {
	i := s.walkerFind(e.CaptureID)
	if i < 0 {
		return refuse(e, fmt.Sprintf("capture %q is not in the set", e.CaptureID), "name a capture of this set")
	}
	if err := walkerSigned(e); err != nil {
		return err
	}
	c := &s.Captures[i]
	if c.Rejected {
		return refuse(e, fmt.Sprintf("capture %s was already rejected by %s", c.Fact.ID, c.RejectedBy), "nothing to do")
	}
	s.walkerRejectCapture(c, e.By, e.Reason)
	s.walkerSettle(e, c.Fact.ID, false)
	return nil
}

func (s *State) walkerRejectCapture(c *CaptureRecord, by, reason string) {
	was := c.Standing
	c.Rejected, c.RejectedBy, c.RejectReason = true, by, reason
	// An earlier step that lost a capture in use is gone back to at once. The step
	// in hand stays in hand, and a step that still has enough is left alone.
	if (was == StandingUsed || was == StandingInQuestion) && c.Step >= 0 && c.Step != s.Step {
		s.walkerDerive()
		if !s.Steps[c.Step].Done {
			s.MovedTo, s.MovedUsed = c.Step, s.walkerUsed(c.Step)
		}
	}
}

// walkerUsed returns how many captures of a step are in use.
func (s *State) walkerUsed(step int) int {
	n := 0
	for i := range s.Captures {
		if s.Captures[i].Step == step && s.Captures[i].Standing == StandingUsed {
			n++
		}
	}
	return n
}

// walkerSettle answers the open questions about a capture.
func (s *State) walkerSettle(e Event, capture string, accept bool) {
	for i := range s.Questions {
		q := &s.Questions[i]
		if q.Open && q.CaptureID == capture {
			q.Open, q.Accepted, q.By, q.Reason = false, accept, e.By, e.Reason
		}
	}
}

func (s *State) walkerStep(e Event) error {
	if e.Step < 0 || e.Step >= len(s.Plan.Steps) {
		return refuse(e, fmt.Sprintf("step %d is not in the plan", e.Step), fmt.Sprintf("use a step from 0 to %d", len(s.Plan.Steps)-1))
	}
	return nil
}

func (s *State) walkerSameAgain(e Event) error {
	if err := s.walkerStep(e); err != nil {
		return err
	}
	x := ExtraEntry{Step: e.Step, Epoch: s.Epoch, Reason: e.Reason, By: e.By, WallNS: e.WallNS}
	if s.Plan.Steps[e.Step].Role == Closing {
		x.Attempt = s.walkerAttempt()
	}
	s.Extra = append(s.Extra, x)
	if e.Step != s.Step && s.walkerOpened(e.Step) {
		s.MovedTo, s.MovedUsed = e.Step, s.walkerUsed(e.Step)
	}
	return nil
}

// walkerOpened reports whether a capture at the step could count: the step is an
// opening, or the opening has a capture in use.
func (s *State) walkerOpened(step int) bool {
	return s.Plan.Steps[step].Role == Opening || s.walkerUsed(0) > 0
}

func (s *State) walkerRelabel(e Event) error {
	i := s.walkerFind(e.CaptureID)
	if i < 0 {
		return refuse(e, fmt.Sprintf("capture %q is not in the set", e.CaptureID), "name a capture of this set")
	}
	if err := s.walkerStep(e); err != nil {
		return err
	}
	if err := walkerSigned(e); err != nil {
		return err
	}
	c := &s.Captures[i]
	to := s.Plan.Steps[e.Step].RingID
	switch {
	case c.Rejected:
		return refuse(e, fmt.Sprintf("capture %s was rejected by %s", c.Fact.ID, c.RejectedBy), "measure again: a rejection is not taken back")
	case c.Epoch != s.Epoch:
		return refuse(e, fmt.Sprintf("the reference of capture %s is void", c.Fact.ID), "measure again")
	case c.SupersededBy != "":
		return refuse(e, fmt.Sprintf("capture %s was superseded by %s in the same entry", c.Fact.ID, c.SupersededBy), "relabel that one, or measure again")
	case c.Step == e.Step && c.Outside == "" && !c.Unconfirmed:
		return refuse(e, fmt.Sprintf("capture %s already belongs to step %d", c.Fact.ID, e.Step), "nothing to do")
	case !slices.Contains(s.Confirmed, to):
		return refuse(e, fmt.Sprintf("ring %s has not been confirmed", s.walkerIdent(to)), "read its ident and confirm the ring first")
	}
	from, was := c.Step, c.Standing
	c.Relabels = append(c.Relabels, Relabel{From: from, To: e.Step, By: e.By, Reason: e.Reason, WallNS: e.WallNS})
	c.Step, c.Outside, c.Unconfirmed = e.Step, "", false
	s.walkerSettle(e, c.Fact.ID, true)
	s.walkerNote(e, ReserveRelabelled, e.Step, c.Fact.ID, fmt.Sprintf("A capture was relabelled to %s: %s", s.walkerTitle(e.Step), walkerStop(e.Reason)))
	if was == StandingUsed && from != s.Step && from != e.Step {
		s.walkerDerive()
		if !s.Steps[from].Done {
			s.MovedTo, s.MovedUsed = from, s.walkerUsed(from)
		}
	}
	return nil
}

func (s *State) walkerMove(e Event) error {
	if err := s.walkerStep(e); err != nil {
		return err
	}
	if !s.walkerOpened(e.Step) {
		return refuse(e, "the opening reference has no capture yet, so that nothing measured there could count", "measure the opening reference first")
	}
	s.MovedTo, s.MovedUsed = e.Step, s.walkerUsed(e.Step)
	return nil
}

func (s *State) walkerAsk(e Event) error {
	if strings.TrimSpace(e.Reason) == "" {
		return refuse(e, "it gives no reason", "put the question in reason")
	}
	if e.CaptureID != "" {
		i := s.walkerFind(e.CaptureID)
		if i < 0 {
			return refuse(e, fmt.Sprintf("capture %q is not in the set", e.CaptureID), "name a capture of this set, or none")
		}
		if s.Captures[i].Rejected {
			return refuse(e, fmt.Sprintf("capture %s was rejected", e.CaptureID), "nothing to do: it is not used")
		}
	}
	s.Questions = append(s.Questions, Question{Seq: e.Seq, CaptureID: e.CaptureID, Text: e.Reason, Open: true})
	return nil
}

func (s *State) walkerAnswer(e Event) error {
	i := slices.IndexFunc(s.Questions, func(q Question) bool {
		return q.Open && (e.CaptureID == "" || q.CaptureID == e.CaptureID)
	})
	if i < 0 {
		return refuse(e, "no such question is open", "nothing to do")
	}
	if strings.TrimSpace(e.By) == "" {
		return refuse(e, "it does not say who answered", "give the person in by")
	}
	q := &s.Questions[i]
	q.Open, q.Accepted, q.By, q.Reason = false, e.Accept, e.By, e.Reason
	if q.CaptureID == "" {
		answer := "yes"
		if !e.Accept {
			answer = "no"
			s.Paused, s.StopReason, s.StoppedBy = true, "answered no: "+q.Text, e.By
		}
		s.walkerNote(e, ReserveQuestionAnswered, -1, "", fmt.Sprintf("The flow had stopped: %s %s answered %s.", walkerStop(q.Text), e.By, answer))
		return nil
	}
	c := &s.Captures[s.walkerFind(q.CaptureID)]
	if !e.Accept {
		reason := "answered no: " + q.Text
		if e.Reason != "" {
			reason = e.Reason
		}
		text := q.CaptureID
		s.walkerRejectCapture(c, e.By, reason)
		s.walkerSettle(e, text, false)
		return nil
	}
	if q.Withdrawal {
		c.Withdrawn = true
		c.Unconfirmed = !slices.Contains(s.Confirmed, s.Plan.Steps[c.Step].RingID)
	}
	s.walkerNote(e, ReserveDoubtAccepted, c.Step, c.Fact.ID, fmt.Sprintf("A doubtful capture was accepted by %s: %s", e.By, q.Text))
	return nil
}

func (s *State) walkerStream(e Event) {
	pending := s.Pending
	if slices.ContainsFunc(s.Captures, func(c CaptureRecord) bool { return c.Entry == s.Entry }) {
		s.Entry++
	}
	if e.VoidsReference {
		s.Epoch++
		s.MovedTo = -1
		for i := range s.Questions {
			if s.Questions[i].CaptureID != "" {
				s.Questions[i].Open = false
			}
		}
		s.walkerNote(e, ReserveReferenceVoided, -1, "", fmt.Sprintf("The reference was voided (%s); what was captured before does not count.", walkerOr(e.Reason, "unit or decimals changed")))
		return
	}
	s.walkerNote(e, ReserveStreamChanged, -1, "", fmt.Sprintf("The stream of readings changed: %s", walkerStop(walkerOr(e.Reason, "no reason given"))))
	if pending != "" {
		s.Questions = append(s.Questions, Question{
			Seq: e.Seq, CaptureID: pending, Open: true, Withdrawal: true,
			Text: "The stream broke before a withdrawal was seen. Was the ring withdrawn after this capture, and does the capture belong to this position?",
		})
	}
}

func walkerOr(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

func (s *State) walkerConditions(e Event) error {
	if len(e.Temperatures) == 0 {
		return refuse(e, "it has no temperature", "give at least one")
	}
	for _, t := range e.Temperatures {
		if _, ok := s.Ring(t.RingID); t.RingID != "" && !ok {
			return refuse(e, fmt.Sprintf("ring %q is not in the set", t.RingID), "name a ring of the set, or none for the scale")
		}
		if t.U < 0 || t.Value < -MaxTemperatureDeparture+ReferenceTemperature || t.Value > ReferenceTemperature+MaxTemperatureDeparture {
			return refuse(e, fmt.Sprintf("temperature %.2f °C with u %.2f K", t.Value.Celsius(), t.U.Celsius()), "give a value from 0 °C to 40 °C with u from 0 up")
		}
	}
	s.Temperatures = append(s.Temperatures, e.Temperatures...)
	return nil
}

func (s *State) walkerPause(e Event) error {
	switch {
	case s.Paused:
		return refuse(e, "the set is already paused", "nothing to do")
	case s.Status == WalkFinished || s.Status == WalkNotAccepted:
		return refuse(e, "the set waits for nothing more", "close it")
	}
	s.Paused, s.StopReason, s.StoppedBy = true, e.Reason, e.By
	return nil
}

func (s *State) walkerClose(e Event) error {
	if s.Paused {
		return refuse(e, "the set is paused", "resume it first")
	}
	if s.Asking != nil {
		return refuse(e, "a question is open", "answer it first")
	}
	if i := s.walkerFirstOpen(); i < len(s.Plan.Steps) {
		return refuse(e, "it still waits for "+s.walkerTitle(i), "measure it, or abort the set")
	}
	s.Closed = true
	return nil
}
