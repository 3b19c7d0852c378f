package calibrate

// StepRole says what a step of a plan is for.
type StepRole string

// The roles.
const (
	Opening StepRole = "opening"
	Working StepRole = "work"
	Closing StepRole = "closing"
)

// PlanStep is one position on one ring, measured by one or more entries.
type PlanStep struct {
	Role StepRole `json:"role"`
	// RingID is the ring in the register.
	RingID string `json:"ring_id"`
	// Height from the datum face and Direction from the mark: declared by the
	// person, not measured.
	Height    Length `json:"height_pm"`
	Direction int64  `json:"direction_mdeg"`
	// Repeats is the number of good captures asked for, at least 1.
	Repeats int `json:"repeats"`
}

// Plan is the ordered list of steps of a set: opening reference, work positions
// of one or more rings, closing reference.
type Plan struct {
	Steps []PlanStep `json:"steps"`
	// ClosingLimit is the largest permitted |closing − opening|, both at 20 °C.
	// Zero means DefaultClosingLimit.
	ClosingLimit Length `json:"closing_limit_pm"`
}

// DefaultClosingLimit is 0.2 µm (common practice, no source).
const DefaultClosingLimit = 200_000 * Picometre

// EventKind names what happened to a set.
type EventKind string

// The kinds of event. Each is one entry of the journal.
const (
	SetStarted     EventKind = "set_started"    // Plan, Rings
	RingConfirmed  EventKind = "ring_confirmed" // RingID: the person has read the ident
	CaptureStored  EventKind = "capture_stored" // Capture
	WithdrawnAfter EventKind = "withdrawn"      // the deliberate withdrawal that followed the last capture
	Rejected       EventKind = "rejected"       // CaptureID, Reason, By
	SameAgain      EventKind = "same_again"     // Step: one more capture is asked for here; Reason
	Relabelled     EventKind = "relabelled"     // CaptureID belongs to Step instead; Reason, By
	MovedTo        EventKind = "moved_to"       // Step: the person goes to this step next; Reason
	Asked          EventKind = "asked"          // the flow stopped with Reason (implausible capture, …)
	Answered       EventKind = "answered"       // the person resolved the question; Accept says how
	StreamChanged  EventKind = "stream_changed" // Reason; VoidsReference
	Conditions     EventKind = "conditions"     // Temperatures
	Paused         EventKind = "paused"         // Reason
	Resumed        EventKind = "resumed"        //
	Aborted        EventKind = "aborted"        // Reason, By
	SetClosed      EventKind = "set_closed"     // the person closes a set that waits for nothing more
)

// CaptureFact is what the plan walker and the evaluation need of one capture.
// It is written once.
type CaptureFact struct {
	// ID is a UUIDv7.
	ID string `json:"id"`
	// StreamID and At: stream and station clock (ns) to which Reading is
	// referred; WallNS is the Unix time (ns) of the same instant.
	StreamID string `json:"stream_id"`
	At       int64  `json:"at_ns"`
	WallNS   int64  `json:"wall_ns"`
	// Outcome is that of the detector ("diameter", "ambiguous", …), or "manual".
	Outcome string `json:"outcome"`
	// Reading is the readout's position at the saddle and U its standard
	// uncertainty from the trace alone; both are zero without a diameter.
	Reading Length `json:"reading_pm"`
	U       Length `json:"u_pm"`
	// TiltResidual and CrossResidual bound the captured misalignment: how far the
	// parked reading lay from each extremum (reading units), with u.
	TiltResidual  Length `json:"tilt_residual_pm"`
	CrossResidual Length `json:"cross_residual_pm"`
	// Manual is true for ever if the person took the reading.
	Manual bool `json:"manual"`
	// Reasons in words, and their codes.
	ReasonCodes []string `json:"reason_codes"`
	Reasons     []string `json:"reasons"`
	// Question, if not empty, says why the capture is not plausible for the ring
	// of the step (wrong nominal, preset pressed): it is never silently used.
	Question string `json:"question"`
}

// TemperatureFact is one declared or measured temperature.
type TemperatureFact struct {
	// RingID is the ring measured; empty for the scale of the instrument.
	RingID string      `json:"ring_id"`
	Value  Temperature `json:"value_ucelsius"`
	U      Temperature `json:"u_ucelsius"`
	WallNS int64       `json:"wall_ns"`
	// Source says where it comes from: "typed", "frame", "simulated bench".
	Source string `json:"source"`
}

// Event is one entry of a set's journal. Which fields matter depends on Kind.
// Everything is an integer, a string or a bool, so that its canonical JSON is
// unambiguous.
type Event struct {
	// Seq is the journal's sequence number; events are applied in its order.
	Seq  int64     `json:"seq"`
	Kind EventKind `json:"kind"`
	// At is the station clock (ns) and WallNS the Unix time (ns).
	At     int64 `json:"at_ns"`
	WallNS int64 `json:"wall_ns"`
	// By is the person who acted; empty when the daemon did.
	By     string `json:"by"`
	Reason string `json:"reason"`
	// Step is an index into Plan.Steps.
	Step           int               `json:"step"`
	CaptureID      string            `json:"capture_id"`
	RingID         string            `json:"ring_id"`
	Accept         bool              `json:"accept"`
	VoidsReference bool              `json:"voids_reference"`
	Plan           *Plan             `json:"plan,omitempty"`
	Rings          []Ring            `json:"rings,omitempty"`
	Capture        *CaptureFact      `json:"capture,omitempty"`
	Temperatures   []TemperatureFact `json:"temperatures,omitempty"`
}
