package calibrate

// StepRole says what a step of a plan is for.
type StepRole string

// The roles.
const (
	Opening StepRole = "opening"
	Working StepRole = "work"
	Closing StepRole = "closing"
	// Revisit is a reference between opening and closing: the master again.
	Revisit StepRole = "reference"
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
// of one or more rings (with the master revisited in between if wished), closing
// reference.
type Plan struct {
	Steps []PlanStep `json:"steps"`
	// ClosingLimit is the largest permitted |closing − opening|, both at 20 °C.
	// Zero means DefaultClosingLimit.
	ClosingLimit Length `json:"closing_limit_pm"`
}

// DefaultClosingLimit is 0.2 µm (common practice, no source).
const DefaultClosingLimit = 200_000 * Picometre

// Setup is what the walker needs to know of the station and of the materials
// when a set starts. It is recorded with the set, so that a later change of the
// register does not change what the walker decided. Everything is optional; what
// is missing is said in the reservations.
type Setup struct {
	StationID string `json:"station_id"`
	// ReadingSign is +1 if the reading grows with the diameter and −1 if it counts
	// down; 0 means +1.
	ReadingSign int64 `json:"reading_sign"`
	// ScaleMaterial names the material of the instrument's scale.
	ScaleMaterial string `json:"scale_material"`
	// Expansions are the linear expansion coefficients of the materials of the
	// rings and of the scale.
	Expansions []Expansion `json:"expansions,omitempty"`
	// Day is the calendar day on which the set starts at the laboratory,
	// "2026-01-31"; empty means the UTC day of the event.
	Day string `json:"day"`
	// AssumedTemperature is the half-width of the temperature, about 20 °C, of a
	// ring or scale of which none is declared; 0 means AssumedTemperatureHalfWidth.
	AssumedTemperature Temperature `json:"assumed_temperature_half_width_uk"`
	// Agreement says when repeats agree; its zero value means DefaultAgreement.
	Agreement Agreement `json:"agreement"`
}

// Expansion is the linear expansion coefficient of a material.
type Expansion struct {
	Material string `json:"material"`
	// PerKelvinPPB is the coefficient in 10⁻⁹/K: 11500 for gauge steel.
	PerKelvinPPB int64 `json:"per_kelvin_ppb"`
}

// Agreement is the rule by which repeats of one position agree: readings a and
// b, with standard uncertainties u_a and u_b from their traces, agree if
//
//	|a − b| ≤ max(Floor, K·sqrt(u_a² + u_b² + 2·s²))
//
// where s is the repeatability of a re-entry. With u_a = u_b = 0 and K = 2 this
// is 2.8·s, the repeatability limit for two results at about 95 % (ISO 5725-6,
// from memory).
type Agreement struct {
	// KMilli is K in thousandths.
	KMilli int64 `json:"k_milli"`
	// Floor is a difference too small to be worth another entry.
	Floor Length `json:"floor_pm"`
	// Repeatability is s, the standard deviation of one entry beyond the trace's
	// own uncertainty: re-entry, seating, dust.
	Repeatability Length `json:"repeatability_pm"`
}

// DefaultAgreement returns K = 2, a floor of 0.1 µm and s = 0.05 µm (common
// practice, no source).
func DefaultAgreement() Agreement {
	return Agreement{KMilli: 2000, Floor: Micrometre / 10, Repeatability: Micrometre / 20}
}

// EventKind names what happened to a set.
type EventKind string

// The kinds of event. Each is one entry of the journal.
const (
	SetStarted     EventKind = "set_started"    // Plan, Rings, Setup; Reason: why a master past its due date is used
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
	Setup          *Setup            `json:"setup,omitempty"`
	Rings          []Ring            `json:"rings,omitempty"`
	Capture        *CaptureFact      `json:"capture,omitempty"`
	Temperatures   []TemperatureFact `json:"temperatures,omitempty"`
	// Checks are the points of preparation that the person ticked (SetStarted).
	Checks []string `json:"checks,omitempty"`
}
