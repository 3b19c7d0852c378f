package detect

// Outcome says what one entry yielded.
type Outcome string

// The outcomes. The names of the single-adjustment outcomes follow the
// adjustment ("tilt_only", "cross_only", "swivel_only", …).
const (
	OutcomeDiameter   Outcome = "diameter"
	OutcomeIncomplete Outcome = "incomplete"
	OutcomeAmbiguous  Outcome = "ambiguous"
	OutcomeTiltOnly   Outcome = "tilt_only"
	OutcomeCrossOnly  Outcome = "cross_only"
)

// OnlyOutcome returns the outcome of an entry in which only adjustment a was
// played to its extremum.
func OnlyOutcome(a Adjustment) Outcome { return Outcome(a) + "_only" }

// ReasonCode names a reason; the set is closed and each code is documented in
// the README's table of reasons.
type ReasonCode string

// Reason is one reason for an outcome other than diameter, or a reservation
// beside a diameter, with a sentence that a technician understands.
type Reason struct {
	Code ReasonCode
	Text string
}

// Ending says how an entry ended.
type Ending string

// The endings.
const (
	// EndWithdrawn: the reading left by a jump and stayed away.
	EndWithdrawn Ending = "withdrawn"
	// EndLost: contact was lost in mid-sweep (0.35 s or more).
	EndLost Ending = "contact_lost"
	// EndReadingsLost: readings were missing (port reopened, reader overrun).
	EndReadingsLost Ending = "readings_lost"
	// EndOfStream: the input ended while in contact.
	EndOfStream Ending = "end_of_stream"
)

// Capture is what one entry into the ring yielded. It is final: it is made once,
// after the end of the contact.
type Capture struct {
	// FirstSeq and LastSeq span the entries of the tape which, fed to a fresh
	// Detector with the same Params, give this capture again, at the latest when it
	// is flushed: a last reading after a silence is held back until then. The span
	// includes a bounded pre-roll before the contact.
	FirstSeq, LastSeq uint64
	// StartAt and EndAt are the station clock (ns) of the first and last reading
	// in settled contact; At is the time to which Saddle is referred (the end of
	// the last phase).
	StartAt, EndAt, At int64
	// Origin is the position (counts) that was subtracted before floating point
	// began.
	Origin  int64
	Outcome Outcome
	// Points holds at most one turning point per adjustment sought, in the order
	// of Params.Seeks; with a diameter it is one each, but for an adjustment that
	// was too flat to see (ReasonTooFlat).
	Points []TurningPoint
	// Saddle is the estimate of the noise-free reading at the saddle, in counts
	// above Origin; U is its standard uncertainty in counts, from the trace alone.
	// Both are meaningful only if Outcome is OutcomeDiameter.
	Saddle, U float64
	Ending    Ending
	// Reasons say why there is no diameter, or what to know about the one there
	// is. A capture without diameter has at least one.
	Reasons []Reason
	// Residuals of the parking, in counts: how far the reading of each
	// adjustment's last parked level lay from its extremum, by seek index, with
	// their standard uncertainties; known only where Parked is true.
	Residual, ResidualU [2]float64
	Parked              [2]bool
	// Probability, by seek index, is how sure the detector is of what Points says
	// about the adjustment: that its turning point was passed, or that it was not.
	Probability [2]float64
	// Revision and ParamsDigest identify the detector that made the capture.
	Revision     string
	ParamsDigest string
}

// Point returns the turning point of adjustment a, if there is one.
func (c Capture) Point(a Adjustment) (TurningPoint, bool) {
	for _, p := range c.Points {
		if p.Adjustment == a {
			return p, true
		}
	}
	return TurningPoint{}, false
}

// EventKind names what a Detector announces.
type EventKind string

// The kinds. Cues in mid-entry are provisional and may be withdrawn; only
// EventCaptured is final.
const (
	// EventContact: settled contact; a new entry has begun.
	EventContact EventKind = "contact"
	// EventCaught: enough evidence for Point; provisional.
	EventCaught EventKind = "caught"
	// EventRefined: a later pass changed Point; provisional.
	EventRefined EventKind = "refined"
	// EventRevoked: Point turned out to be a turn-back.
	EventRevoked EventKind = "revoked"
	// EventComplete: all that the task asks for has been caught; provisional.
	EventComplete EventKind = "complete"
	// EventCaptured: the entry has ended and Capture is final.
	EventCaptured EventKind = "captured"
	// EventWithdrawn: the contact has stayed away long enough and far enough
	// after a capture to be a deliberate withdrawal. It follows EventCaptured.
	EventWithdrawn EventKind = "withdrawn"
)

// Event is one announcement.
type Event struct {
	Kind EventKind
	// Seq and At are those of the reading that completed the evidence.
	Seq uint64
	At  int64
	// Seek is the index into Params.Seeks of the adjustment concerned (caught,
	// refined, revoked).
	Seek    int
	Point   TurningPoint
	Capture *Capture
}
