package api

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"time"

	"github.com/rs/zerolog"

	"ringsaddle/acquire"
	"ringsaddle/calibrate"
	"ringsaddle/detect"
)

// The interfaces of this file are everything the package asks of the rest of the
// program. Three rules hold for all of them:
//
//   - What does not exist is reported with an error that wraps fs.ErrNotExist.
//   - What exists but cannot be done now (another set runs on the station, the
//     set is closed) is reported with an error that wraps ErrConflict.
//   - What was asked for but may not be done as asked is reported with one or
//     more *Refusal, joined with errors.Join, all faults at once.
//
// Any other error is a fault of the program: the client sees "internal error"
// and the log sees the text. All methods may be called from many goroutines at
// once and must watch the context, unless a method says otherwise.

// ErrConflict says that the request is sound but does not fit the present state.
// The text of the wrapping error is shown to the person.
var ErrConflict = errors.New("does not fit the present state")

// Refusal says what was refused, and how to mend it.
type Refusal struct {
	// Field is the wire name of the field at fault ("master_id",
	// "positions[1].height_mm"), Value what was sent, Permitted what would be
	// accepted ("0 to 150 mm", "a reason for using a master past its due date").
	Field, Value, Permitted string
	// Text is one sentence for the person.
	Text string
}

// Error returns the text with the field, the value and the permitted range.
func (r *Refusal) Error() string {
	var b strings.Builder
	b.WriteString(r.Text)
	if r.Field != "" {
		b.WriteString(": " + r.Field)
		if r.Value != "" {
			b.WriteString(" = " + r.Value)
		}
	}
	if r.Permitted != "" {
		b.WriteString(" (permitted: " + r.Permitted + ")")
	}
	return b.String()
}

// Deps is what a Server stands on. All interfaces are required; the rest may be
// left zero.
type Deps struct {
	Stations  StationReader
	Live      LiveSource
	Journal   JournalReader
	Sets      SetReader
	Runner    SetRunner
	Captures  CaptureReader
	Traces    TraceReader
	Rings     RingRegister
	Materials MaterialReader
	Readiness Readiness
	History   HistoryReader

	// Metrics serves /metrics; without it the route answers 404.
	Metrics http.Handler
	// Log receives one line for each internal error and each refused origin.
	Log zerolog.Logger
	// Hosts are the names, besides loopback ones, under which a server that
	// listens on loopback may be addressed (behind a proxy on the same machine).
	// A server that listens elsewhere accepts any.
	Hosts []string
	// Version is shown by the page and in the OpenAPI document.
	Version string
	// Now is the wall clock; time.Now if nil.
	Now func() time.Time
}

// StationReader tells how the benches are.
type StationReader interface {
	// Stations returns all configured stations in the order of the
	// configuration.
	Stations(ctx context.Context) ([]Station, error)
	// Station returns one of them.
	Station(ctx context.Context, name string) (Station, error)
}

// Station is a bench as it is now.
type Station struct {
	// Name is the configured name, as in URLs and metrics; Title is for people
	// and may be empty.
	Name, Title string
	// Connected says that the port is open. Problem says in one sentence what is
	// wrong and how to mend it ("nothing received for 4 s: is the readout
	// switched on?"); it may be set while Connected.
	Connected bool
	Problem   string
	// Simulated marks the simulated bench; Speed is how much faster than a wall
	// clock its station clock runs (1 on a real bench).
	Simulated bool
	Speed     float64
	// Stream is the current stream; nil before the first reading.
	Stream *acquire.Stream
	// Last is the newest position received, nil if none; SinceLast is its age.
	Last      *acquire.Reading
	SinceLast time.Duration
	// Readings counts positions received since the daemon started; FrameErrors
	// what was rejected, by reason; Lost what a consumer missed, by consumer.
	Readings    uint64
	FrameErrors map[string]uint64
	Lost        map[string]uint64
	Reconnects  uint64
	// SetID is the set that has not ended on this station; empty if none.
	SetID string
}

// LiveSource gives what moves on a bench.
type LiveSource interface {
	// Follow opens a reading head on the station's tape that begins with the next
	// entry to be written. The server reads it from one goroutine and closes it.
	// *acquire.Head is one.
	Follow(station string) (ReadingHead, error)
	// StreamAt returns the stream to which the entry seq of the station's tape
	// belongs; false if unknown.
	StreamAt(station string, seq uint64) (acquire.Stream, bool)
	// Sweep returns where the detector stands. It is called about 30 times a
	// second by one goroutine per station and must not wait: it copies what is
	// there.
	Sweep(station string) (Sweep, error)
}

// ReadingHead reads a tape from its own place (see acquire.Head.Read).
type ReadingHead interface {
	Read(ctx context.Context, buf []acquire.Reading) (int, error)
	Close()
}

// Sweep is the state of the detector. All of it is provisional.
type Sweep struct {
	// State is a copy that nobody changes any more.
	State detect.State
	// Seeks are those of the detector's parameters: State speaks of them by index.
	Seeks [2]detect.Seek
	// CountMM is the length of one count, mm.
	CountMM float64
}

// JournalReader reads the journal.
type JournalReader interface {
	// EventsAfter returns committed events with Seq > after, oldest first, at
	// most limit of them; none is not an error.
	EventsAfter(ctx context.Context, after int64, limit int) ([]JournalEvent, error)
	// LastSeq returns the sequence number of the newest committed event; 0 if
	// there is none.
	LastSeq(ctx context.Context) (int64, error)
}

// JournalEvent is one entry of the journal.
type JournalEvent struct {
	// Seq grows from 1; it is the id of the event on the wire.
	Seq    int64
	WallNS int64
	// Kind is a calibrate.EventKind, or that of an event outside any set
	// ("ring_registered", "ring_amended").
	Kind string
	// Station, SetID, CaptureID and RingID are empty where they do not apply;
	// Step is -1 then.
	Station, SetID, CaptureID, RingID string
	Step                              int
	By, Reason                        string
}

// Cue is a provisional announcement in mid-entry. It may be withdrawn by a later
// one and is never resent.
type Cue struct {
	Station string
	Kind    detect.EventKind
	// Adjustment belongs to caught, refined, revoked and again; empty otherwise.
	Adjustment detect.Adjustment
	// Seek and Lacks belong to again: which movement was missing (see AgainCue).
	Seek  detect.Seek
	Lacks detect.ReasonCode
}

// CueAgain: the entry just captured gave no diameter and is asked for once more.
const CueAgain detect.EventKind = "again"

// AgainCue is the cue that asks for the entry of c once more.
func AgainCue(station string, c *detect.Capture, seeks [2]detect.Seek) Cue {
	var codes []detect.ReasonCode
	for _, r := range c.Reasons {
		codes = append(codes, r.Code)
	}
	var caught [2]bool
	for k, s := range seeks {
		_, caught[k] = c.Point(s.Adjustment)
	}
	seek, code := firstLack(seeks, codes, caught)
	return Cue{Station: station, Kind: CueAgain, Adjustment: seek.Adjustment, Seek: seek, Lacks: code}
}

// SetReader reads sets.
type SetReader interface {
	// Sets returns summaries, newest first.
	Sets(ctx context.Context, f SetFilter) ([]SetSummary, error)
	// Set returns one set as folded from its events.
	Set(ctx context.Context, id string) (Set, error)
	// Result returns the newest result of a set; fs.ErrNotExist while there is
	// none.
	Result(ctx context.Context, setID string) (Result, error)
}

// SetFilter selects sets. Zero fields do not restrict.
type SetFilter struct {
	Station string
	// Status is one of calibrate's statuses of a set ("running", "finished", …).
	Status string
	RingID string
	// Limit is at least 1.
	Limit int
}

// SetSummary is a set in a list.
type SetSummary struct {
	ID, Station, Technician string
	// Status is that of calibrate.State; Closed says that a person closed the set.
	Status  string
	Closed  bool
	Started time.Time
	// Ended is zero while the set takes events.
	Ended time.Time
	// MasterIdent and WorkIdents name the rings.
	MasterIdent string
	WorkIdents  []string
	// StepsDone of Steps have all their captures.
	StepsDone, Steps int
}

// Set is a set as folded from its events, with what is stored of its captures.
type Set struct {
	ID, Station string
	// Ended is zero while the set takes events.
	Ended time.Time
	// State is the fold of all its events.
	State calibrate.State
	// Captures are the details of the captures in State, in any order. Their
	// CaptureRecord may be left zero except for Fact.ID: it is taken from State.
	Captures []Capture
}

// Repeatability is a pooled standard deviation.
type Repeatability struct {
	SMM float64 // mm
	DoF int
}

// SetRunner starts sets and acts on them. A method returns only after what it did
// is committed. An error that wraps *calibrate.RefusedError is shown as a
// conflict with its text.
type SetRunner interface {
	// StartSet begins a set and returns its id. Refusals: unknown station or
	// ring, master past its due date without OverdueReason, work outside the
	// instrument's range. Conflict: a set is open on the station.
	StartSet(ctx context.Context, o SetOrder) (string, error)
	// Act applies one action of a person to a set.
	Act(ctx context.Context, setID string, a Action) error
}

// SetOrder is what a person asks for when starting a set. The plan is: the
// master (opening), every position of every work ring, the master (closing).
type SetOrder struct {
	Station, Technician string
	MasterID            string
	Works               []WorkOrder
	// Repeats is the number of good captures at each step, 1 to 10.
	Repeats int
	// ClosingLimit is zero for calibrate.DefaultClosingLimit.
	ClosingLimit calibrate.Length
	// OverdueReason permits a master past its due date, and is recorded.
	OverdueReason string
	// Temperatures known at the start; WallNS may be zero for now.
	Temperatures []calibrate.TemperatureFact
	// Checks are the points of preparation that the person ticked.
	Checks []string
}

// WorkOrder is a work ring with the positions to measure on it.
type WorkOrder struct {
	RingID    string
	Positions []Position
}

// Position is declared by the person: height from the datum face and direction
// from the mark in thousandths of a degree.
type Position struct {
	Height    calibrate.Length
	Direction int64
}

// ActionKind names an action.
type ActionKind string

// The actions.
const (
	ActPause   ActionKind = "pause"        // Reason
	ActResume  ActionKind = "resume"       //
	ActAbort   ActionKind = "abort"        // Reason, By
	ActClose   ActionKind = "close"        // By; conflict unless the set waits for nothing more
	ActConfirm ActionKind = "confirm_ring" // RingID, By: the person has read the ident
	ActAnswer  ActionKind = "answer"       // Accept, Reason, By; CaptureID may name the question; conflict if none is open
	ActAgain   ActionKind = "same_again"   // Step (-1: the step in hand), Reason, By
	ActMove    ActionKind = "move"         // Step, Reason, By
	ActRelabel ActionKind = "relabel"      // CaptureID, Step, Reason, By
	// ActManual: the person takes the reading as it is now, at the step in hand,
	// with the standard uncertainty U (0: the station's own for manual readings).
	// Flagged for ever. Conflict without settled contact. Reason, By.
	ActManual ActionKind = "manual_capture"
	// ActTemperatures: Temperatures, By. Typed by the person.
	ActTemperatures ActionKind = "temperatures"
	// ActReject: CaptureID, Reason, By. The capture stays and is not used.
	ActReject ActionKind = "reject"
	// ActRedo: CaptureID, Reason, By. The step of the capture is asked for once
	// more, and the person goes there next; the capture is kept and used unless
	// it is also rejected.
	ActRedo ActionKind = "redo"
)

// Action is what a person does to a set. Which fields matter depends on Kind.
type Action struct {
	Kind         ActionKind
	By, Reason   string
	Step         int
	CaptureID    string
	RingID       string
	Accept       bool
	U            calibrate.Length
	Temperatures []calibrate.TemperatureFact
}

// CaptureReader reads captures.
type CaptureReader interface {
	// Captures returns captures, newest first.
	Captures(ctx context.Context, f CaptureFilter) ([]Capture, error)
	// Capture returns one of them.
	Capture(ctx context.Context, id string) (Capture, error)
	// TurnBacks returns the reversals in a capture's trace that were taken for the
	// hand's, in order of time: the newest, at most detect.MaxTurnBacks. Conflict: they
	// are not known, because another revision of the detector made the capture.
	TurnBacks(ctx context.Context, id string) ([]CaptureTurnBack, error)
}

// CaptureTurnBack is a reversal of the reading that the hand made (see detect.TurnBack).
type CaptureTurnBack struct {
	Adjustment detect.Adjustment
	Sense      detect.Sense
	// At is the station clock, ns.
	At    int64
	Value calibrate.Length
}

// CaptureFilter selects captures. Zero fields do not restrict.
type CaptureFilter struct {
	Station, SetID, Outcome string
	// Limit is at least 1.
	Limit int
}

// Capture is a stored capture with what was said about it later.
type Capture struct {
	// CaptureRecord is the capture in its set. Outside any set Fact alone counts,
	// Step is -1 and Standing is empty.
	calibrate.CaptureRecord
	Station string
	// SetID is empty for a capture made outside any set.
	SetID string
	// FirstSeq and LastSeq span its trace; StartNS and EndNS (Unix time, ns) its
	// settled contact.
	FirstSeq, LastSeq uint64
	StartNS, EndNS    int64
	Ending            detect.Ending
	Points            []CapturePoint
	// Revision and ParamsDigest identify the detector.
	Revision, ParamsDigest string
}

// CapturePoint is a turning point of a stored capture.
type CapturePoint struct {
	Adjustment detect.Adjustment
	Sense      detect.Sense
	// Seq is the tape entry at which to draw it, WallNS the time (Unix, ns) to
	// which the value is referred.
	Seq       uint64
	WallNS    int64
	Value, U  calibrate.Length
	Crossings int
}

// TraceReader streams raw traces.
type TraceReader interface {
	// CaptureTrace calls fn with the stored entries of a capture in their order,
	// in batches, each batch with its stream. The slice is valid during the call
	// only. An error of fn ends it and is returned.
	CaptureTrace(ctx context.Context, captureID string, fn TraceFunc) error
	// RangeTrace does the same for all entries of a station with wall times in
	// [from, to). A range without entries is not an error.
	RangeTrace(ctx context.Context, station string, from, to time.Time, fn TraceFunc) error
}

// TraceFunc receives a batch of one stream.
type TraceFunc func(stream acquire.Stream, batch []acquire.Reading) error

// RingRegister holds the rings.
type RingRegister interface {
	// Rings returns the rings, by ident; kind empty returns both kinds.
	Rings(ctx context.Context, kind calibrate.RingKind) ([]calibrate.Ring, error)
	// Ring returns one of them by id.
	Ring(ctx context.Context, id string) (calibrate.Ring, error)
	// Register enters a new ring (ID empty) and returns it with its id.
	// Conflict: the ident is taken.
	Register(ctx context.Context, r calibrate.Ring, by string) (calibrate.Ring, error)
	// Amend records a new state of the ring with r.ID; the old one stays in the
	// journal.
	Amend(ctx context.Context, r calibrate.Ring, by, reason string) (calibrate.Ring, error)
}

// MaterialReader lists the materials that a ring may name.
type MaterialReader interface {
	Materials(ctx context.Context) ([]Material, error)
}

// Material is a material of rings, contacts and scale. U are standard
// uncertainties.
type Material struct {
	ID, Name         string
	ExpansionPerK    float64
	ExpansionPerKU   float64
	YoungModulusGPa  float64
	YoungModulusGPaU float64
	PoissonRatio     float64
	PoissonRatioU    float64
	Source           string
	// Caution is shown with the material; empty if none.
	Caution string
}

// Readiness runs the checks behind /readyz.
type Readiness interface {
	// Ready returns every check, in a fixed order. A check watches the context.
	Ready(ctx context.Context) []Check
}

// Check is one readiness check. Err is nil if it passed.
type Check struct {
	Name string
	Err  error
}

// Result is the outcome of a set. Diameters and uncertainties are at 20 °C, in
// millimetres, unrounded.
type Result struct {
	SetID string
	// Revision counts recomputations of this set from 1.
	Revision int
	At       time.Time
	// Status is "accepted", "provisional" or "not_accepted".
	Status              string
	ClosingDifferenceMM *float64
	ClosingLimitMM      float64
	Repeatability       *Repeatability
	Positions           []PositionResult
	// Rings sums up each work ring, in the order of the positions.
	Rings []RingResult
	// Reservations are sentences that must be shown with the result.
	Reservations []string
}

// PositionResult is a corrected diameter at one position.
type PositionResult struct {
	RingID, RingIdent string
	Step              int
	Position          Position
	CaptureIDs        []string
	DiameterMM        float64
	// UMM is the standard uncertainty; DoF its effective degrees of freedom, nil
	// for infinite; ExpandedMM = CoverageFactor·UMM.
	UMM            float64
	DoF            *float64
	CoverageFactor float64
	ExpandedMM     float64
	// DeviationMM is the diameter minus the nominal one. Decision is empty where
	// there is no tolerance.
	DeviationMM float64
	SpreadMM    float64
	Decision    string
	// Verdict is the decision in figures; nil without tolerance.
	Verdict *calibrate.Verdict
	// FloorApplied says that ExpandedMM is the laboratory's floor.
	FloorApplied bool
	Terms        []ResultTerm
	Reservations []string
}

// RingResult is what all positions of a work ring say together.
type RingResult struct {
	RingID, Ident string
	NominalMM     float64
	// Mean is the mean of the positions; FormMM their scatter (standard deviation)
	// in excess of their uncertainties.
	Mean   calibrate.Estimate
	FormMM float64
	// Taper and OutOfRoundness are nil where the positions do not show them (see
	// calibrate.RingSummary).
	Taper, OutOfRoundness *calibrate.Estimate
	// Decision joins those of the positions.
	Decision string
}

// ResultTerm is one line of an uncertainty budget.
type ResultTerm struct {
	ID             string
	Value, U       float64
	DoF            *float64 // nil for infinite
	Sensitivity    float64
	ContributionMM float64
	// Symbol and Name are for people; Kind is "A", "B" or "A, B" (JCGM 100, 0.7);
	// Share is the part of the variance, 0 to 1.
	Symbol, Name, Kind, Distribution string
	Share                            float64
}
