package calibrate

import (
	"fmt"
	"slices"
)

// The walker of a plan is a pure fold: Fold(events) tells what a set has seen,
// what it asks for next and what it stands on. It keeps every capture for ever
// and only changes its standing. The rules:
//
//   - A step advances by a capture with a diameter (or a manual one) that is
//     followed by a deliberate withdrawal. Everything else is kept and shown and
//     does not advance.
//   - Two good captures of one step without a withdrawal between are one entry:
//     the later one supersedes the earlier one for good. If they disagree, the
//     step asks for one more entry.
//   - Repeats that disagree (Agreement) ask for one more entry, once; all are kept.
//     If one disagrees with all others and these agree among themselves, it is set
//     aside with a reservation; else all are used, with a reservation: the mean
//     counts, the spread enters the repeatability.
//   - A ring must be confirmed once before the withdrawal that ends its first
//     entry. An entry withdrawn before that does not count until the person
//     relabels it.
//   - A capture that arrives while the flow is paused, stopped by a question, or
//     done, is kept outside the flow; relabelling brings it in.
//   - Work counts only between an opening and a closing: work before the first
//     opening capture is not bracketed, and a closing followed by more work
//     becomes a reference in between and is taken again.
//   - Closing minus opening beyond the limit repeats the closing once. Within the
//     limit the last attempt is used; else the set is not accepted.
//   - When the reference is void (unit or decimals changed), nothing before counts
//     any more and the set begins again at its opening.
//   - Rejecting a closing capture with a reason gives its place in an attempt to
//     the next one; the rejection stays among the reservations.
//   - A finished or not accepted set is reopened by rejecting, relabelling, "same
//     again" or moving, until SetClosed. A closed or aborted set takes no event.

// WalkStatus says how a set stands.
type WalkStatus string

// The statuses.
const (
	WalkNotStarted  WalkStatus = "not_started"
	WalkRunning     WalkStatus = "running"
	WalkPaused      WalkStatus = "paused"
	WalkAsking      WalkStatus = "asking"
	WalkConfirmRing WalkStatus = "waiting_ring_confirmation"
	WalkFinished    WalkStatus = "finished"
	WalkNotAccepted WalkStatus = "not_accepted"
	WalkAborted     WalkStatus = "aborted"
)

// MaxClosingAttempts is the number of times the closing reference is measured
// when it lies beyond the limit (common practice, no source).
const MaxClosingAttempts = 2

// OutcomeManual is the outcome of a capture whose reading the person took.
const OutcomeManual = "manual"

// Standing says what became of a capture.
type Standing string

// The standings. Only StandingUsed enters a result.
const (
	StandingUsed        Standing = "used"
	StandingPending     Standing = "pending_withdrawal"
	StandingInQuestion  Standing = "in_question"
	StandingRejected    Standing = "rejected"
	StandingSuperseded  Standing = "superseded"
	StandingRefused     Standing = "refused" // no diameter: tilt_only, incomplete, …
	StandingAmbiguous   Standing = "ambiguous"
	StandingUnconfirmed Standing = "unconfirmed"
	StandingOutside     Standing = "outside_flow"
	StandingVoid        Standing = "void" // its reference was voided
	StandingUnbracketed Standing = "unbracketed"
	StandingEarlier     Standing = "earlier_attempt" // a closing attempt beyond the limit
	StandingSetAside    Standing = "set_aside"       // disagrees with the others of its step, which agree
)

// Relabel records that a capture was moved to another step. From is −1 for a
// capture that belonged to no step.
type Relabel struct {
	From   int    `json:"from"`
	To     int    `json:"to"`
	By     string `json:"by"`
	Reason string `json:"reason"`
	WallNS int64  `json:"wall_ns"`
}

// CaptureRecord is a capture in its set.
type CaptureRecord struct {
	Fact CaptureFact `json:"capture"`
	// Seq is that of its journal entry. Step is an index into Plan.Steps, −1 if
	// the capture belongs to none.
	Seq  int64 `json:"seq"`
	Step int   `json:"step"`
	// Entry counts deliberate withdrawals: captures with one Entry had none
	// between. Epoch counts voided references.
	Entry     int  `json:"entry"`
	Epoch     int  `json:"epoch"`
	Withdrawn bool `json:"withdrawn"`
	// Unconfirmed: withdrawn before the ident of its ring was confirmed.
	Unconfirmed bool `json:"unconfirmed"`
	// Outside says why it arrived outside the flow; empty if it did not.
	Outside string `json:"outside"`
	// SupersededBy is the capture that took its place in the same entry.
	SupersededBy string    `json:"superseded_by"`
	Rejected     bool      `json:"rejected"`
	RejectedBy   string    `json:"rejected_by"`
	RejectReason string    `json:"reject_reason"`
	Relabels     []Relabel `json:"relabels,omitempty"`

	// What follows is worked out from the above.

	Standing Standing `json:"standing"`
	// Why says the standing in words.
	Why string `json:"why"`
	// Role is the part it plays in the result: that of its step, or "reference"
	// for an opening or closing capture that lies between work captures. Empty
	// unless used.
	Role StepRole `json:"role"`
	// Attempt is the closing attempt, from 1; 0 elsewhere.
	Attempt int `json:"attempt"`
	// At20 is the reading in the direction of a growing diameter, corrected to
	// 20 °C (see reading20); zero without a diameter.
	At20 Length `json:"reading_20c_pm"`
}

// Good reports whether the capture has a value: a diameter, or a manual reading.
func (r CaptureRecord) Good() bool {
	return r.Fact.Outcome == "diameter" || r.Fact.Outcome == OutcomeManual
}

// StepState is how one step of the plan stands.
type StepState struct {
	Index int      `json:"index"`
	Role  StepRole `json:"role"`
	// Title names ring, height and direction.
	Title  string `json:"title"`
	RingID string `json:"ring_id"`
	Ident  string `json:"ident"`
	// Got good captures of Needed; of the current attempt for a closing step.
	Got    int  `json:"got"`
	Needed int  `json:"needed"`
	Done   bool `json:"done"`
	// Captures are all that belong to the step, whatever their standing, in the
	// order of their arrival; Used are those that count.
	Captures []string `json:"captures"`
	Used     []string `json:"used"`
	// Mean and Spread (largest minus smallest) of the used readings at 20 °C.
	Mean   Length `json:"mean_20c_pm"`
	Spread Length `json:"spread_pm"`
	// Disagreement is the largest difference of two captures that the agreement
	// rule does not allow, and Limit what it allowed; zero if all agree.
	Disagreement Length `json:"disagreement_pm"`
	Limit        Length `json:"agreement_limit_pm"`
}

// ClosingAttempt is one measurement of the closing reference.
type ClosingAttempt struct {
	Captures []string `json:"captures"`
	Complete bool     `json:"complete"`
	// Difference is closing minus opening at 20 °C, once the attempt has a capture.
	Difference Length `json:"difference_pm"`
	Within     bool   `json:"within"`
}

// Question is why the flow stopped.
type Question struct {
	// Seq is that of the journal entry which asked. CaptureID may be empty.
	Seq       int64  `json:"seq"`
	CaptureID string `json:"capture_id"`
	Text      string `json:"text"`
	Open      bool   `json:"open"`
	Accepted  bool   `json:"accepted"`
	By        string `json:"by"`
	Reason    string `json:"reason"`
	// Withdrawal: the answer yes also says that the ring was withdrawn.
	Withdrawal bool `json:"withdrawal"`
}

// ReservationCode names a reservation; the set is closed.
type ReservationCode string

// The codes.
const (
	ReserveStreamChanged    ReservationCode = "stream_changed"
	ReserveReferenceVoided  ReservationCode = "reference_voided"
	ReserveManual           ReservationCode = "manual_capture"
	ReserveDoubtAccepted    ReservationCode = "doubtful_capture_accepted"
	ReserveQuestionAnswered ReservationCode = "question_answered"
	ReserveRelabelled       ReservationCode = "relabelled"
	ReserveMasterOverdue    ReservationCode = "master_overdue"
	ReserveNoTemperature    ReservationCode = "temperature_assumed"
	ReserveOldTemperature   ReservationCode = "temperature_far_in_time"
	ReserveNoExpansion      ReservationCode = "expansion_unknown"
	ReserveRepeatsDisagree  ReservationCode = "repeats_disagree"
	ReserveSetAside         ReservationCode = "capture_set_aside"
	ReserveClosingRepeated  ReservationCode = "closing_repeated"
	ReserveClosingRejected  ReservationCode = "closing_rejected"
	ReserveNotAccepted      ReservationCode = "closing_beyond_limit"
	ReserveLateReference    ReservationCode = "reference_in_between"
	ReserveUnbracketed      ReservationCode = "work_not_bracketed"
	ReserveSeveralStreams   ReservationCode = "several_streams"
)

// Reservation is what whoever reads the result must know beside the numbers.
type Reservation struct {
	Code ReservationCode `json:"code"`
	Text string          `json:"text"`
	// Step is an index into Plan.Steps or −1; CaptureID may be empty.
	Step      int    `json:"step"`
	CaptureID string `json:"capture_id"`
	By        string `json:"by"`
	WallNS    int64  `json:"wall_ns"`
}

// ExtraEntry is a "same again": one more capture asked for at a step.
type ExtraEntry struct {
	Step int `json:"step"`
	// Attempt is the closing attempt that it extends; 0 elsewhere.
	Attempt int    `json:"attempt"`
	Epoch   int    `json:"epoch"`
	Reason  string `json:"reason"`
	By      string `json:"by"`
	WallNS  int64  `json:"wall_ns"`
}

// State is a set as far as its events tell. It is plain data: it may be written
// as JSON, read back and carried on. Values returned by Apply and Fold must not
// be changed by the caller.
type State struct {
	SetID string `json:"set_id"`
	// LastSeq is the sequence number of the last event applied.
	LastSeq int64      `json:"last_seq"`
	Plan    Plan       `json:"plan"`
	Rings   []Ring     `json:"rings"`
	Setup   Setup      `json:"setup"`
	Started bool       `json:"started"`
	At      int64      `json:"started_at_ns"`
	WallNS  int64      `json:"started_wall_ns"`
	By      string     `json:"started_by"`
	Status  WalkStatus `json:"status"`
	Closed  bool       `json:"closed"`
	Paused  bool       `json:"paused"`
	Aborted bool       `json:"aborted"`
	// StopReason is why the set is paused or was aborted, StoppedBy who did it.
	StopReason string `json:"stop_reason"`
	StoppedBy  string `json:"stopped_by"`
	// Confirmed are the ids of the rings whose ident a person has read.
	Confirmed    []string          `json:"confirmed"`
	Captures     []CaptureRecord   `json:"captures"`
	Questions    []Question        `json:"questions"`
	Extra        []ExtraEntry      `json:"extra"`
	Temperatures []TemperatureFact `json:"temperatures"`
	// Notes are the reservations that events brought; Reservations has them and
	// those that follow from the captures in use.
	Notes []Reservation `json:"notes"`
	Entry int           `json:"entry"`
	Epoch int           `json:"epoch"`
	// MovedTo is the step a person went to, −1 if none; MovedUsed the number of
	// captures in use there at that time.
	MovedTo   int `json:"moved_to"`
	MovedUsed int `json:"moved_used"`

	// What follows is worked out from the above after every event.

	// Step is the index of the step in hand; len(Plan.Steps) when none is left.
	Step int `json:"step"`
	// Sentence says what to do now, or how the set stands; Next what comes then.
	Sentence string      `json:"sentence"`
	Next     string      `json:"next"`
	Steps    []StepState `json:"steps"`
	// ConfirmRing is the id of the ring whose ident must be confirmed, ConfirmIdent
	// its ident; empty if none.
	ConfirmRing  string `json:"confirm_ring"`
	ConfirmIdent string `json:"confirm_ident"`
	// Pending is the id of the good capture that waits for its withdrawal.
	Pending string `json:"pending"`
	// Asking is the question that stopped the flow, nil if none.
	Asking *Question `json:"asking,omitempty"`
	// ReferenceVoid: the reference was voided and is not open again yet.
	ReferenceVoid bool             `json:"reference_void"`
	Attempts      []ClosingAttempt `json:"closing_attempts"`
	// ClosingKnown, ClosingDifference and ClosingLimit: closing minus opening at
	// 20 °C of the last attempt.
	ClosingKnown      bool   `json:"closing_known"`
	ClosingDifference Length `json:"closing_difference_pm"`
	ClosingLimit      Length `json:"closing_limit_pm"`
	// Spread is the largest spread of the repeats of a step. Repeatability is the
	// standard deviation of one entry pooled over the steps, with its degrees of
	// freedom; zero degrees mean that it is unknown.
	Spread           Length        `json:"spread_pm"`
	Repeatability    Length        `json:"repeatability_pm"`
	RepeatabilityDof int           `json:"repeatability_dof"`
	Reservations     []Reservation `json:"reservations"`
}

// RefusedError says why an event is not legal in a state and what to do instead.
type RefusedError struct {
	Kind EventKind
	// Why the event is refused, and how to mend it.
	Why, Mend string
}

// Error returns what, why and how to mend it in one line.
func (e *RefusedError) Error() string {
	return fmt.Sprintf("%s refused: %s; %s", e.Kind, e.Why, e.Mend)
}

// NewState returns the state of a set that has not started.
func NewState(setID string) State {
	s := State{SetID: setID, MovedTo: -1}
	s.walkerDerive()
	return s
}

// Fold applies events in order to a new state. It stops at the first event that
// is refused and returns the state before it, with the error.
func Fold(setID string, events []Event) (State, error) {
	s := NewState(setID)
	for i, e := range events {
		next, err := Apply(s, e)
		if err != nil {
			return s, fmt.Errorf("event %d of %d (seq %d): %w", i+1, len(events), e.Seq, err)
		}
		s = next
	}
	return s, nil
}

// Apply returns the state after e. If e is not legal in s the error is a
// *RefusedError (for SetStarted also the faults of the plan) and the state
// returned is s. Apply does not change s or e, has no clock, and gives the same
// result for the same arguments.
func Apply(s State, e Event) (State, error) {
	if err := s.walkerLegal(e); err != nil {
		return s, err
	}
	n := s.walkerClone()
	if err := n.walkerApply(e); err != nil {
		return s, err
	}
	if e.Seq != 0 {
		n.LastSeq = e.Seq
	}
	n.walkerDerive()
	return n, nil
}

func refuse(e Event, why, mend string) error {
	return &RefusedError{Kind: e.Kind, Why: why, Mend: mend}
}

// walkerLegal holds what is common to all events.
func (s *State) walkerLegal(e Event) error {
	switch {
	case e.Seq != 0 && e.Seq <= s.LastSeq:
		return refuse(e, fmt.Sprintf("event %d comes after event %d", e.Seq, s.LastSeq), "apply each event of the journal once, in the order of seq")
	case e.Kind == SetStarted && s.Started:
		return refuse(e, "the set has already started", "start a new set")
	case e.Kind != SetStarted && !s.Started:
		return refuse(e, "the set has not started", "start it with a plan and its rings first")
	case s.Aborted:
		return refuse(e, "the set was aborted", "start a new set")
	case s.Closed:
		return refuse(e, "the set is closed", "start a new set; what was recorded stays as it is")
	}
	return nil
}

func (s *State) walkerClone() State {
	n := *s
	n.Confirmed = slices.Clone(s.Confirmed)
	n.Captures = slices.Clone(s.Captures)
	for i := range n.Captures {
		n.Captures[i].Relabels = slices.Clone(n.Captures[i].Relabels)
	}
	n.Questions = slices.Clone(s.Questions)
	n.Extra = slices.Clone(s.Extra)
	n.Temperatures = slices.Clone(s.Temperatures)
	n.Notes = slices.Clone(s.Notes)
	return n
}

// Capture returns the capture with the id, if the set has it.
func (s *State) Capture(id string) (CaptureRecord, bool) {
	if i := s.walkerFind(id); i >= 0 {
		return s.Captures[i], true
	}
	return CaptureRecord{}, false
}

func (s *State) walkerFind(id string) int {
	return slices.IndexFunc(s.Captures, func(c CaptureRecord) bool { return c.Fact.ID == id })
}

// Ring returns the ring with the id, if the set knows it.
func (s *State) Ring(id string) (Ring, bool) {
	for _, r := range s.Rings {
		if r.ID == id {
			return r, true
		}
	}
	return Ring{}, false
}

func (s *State) walkerIdent(ringID string) string {
	if r, ok := s.Ring(ringID); ok {
		return r.Ident
	}
	return ringID
}

// Ended reports whether the set takes no more events.
func (s *State) Ended() bool { return s.Closed || s.Aborted }
