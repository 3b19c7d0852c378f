package detect

// Stage says where an entry is.
type Stage string

// The stages.
const (
	// StageIdle: nothing rests on the contacts.
	StageIdle Stage = "idle"
	// StageApproach: the reading moves fast or has not settled yet.
	StageApproach Stage = "approach"
	// StageContact: settled contact; the adjustments can be played.
	StageContact Stage = "contact"
)

// State is a snapshot for the bench page. It is provisional throughout.
type State struct {
	Stage Stage
	// Origin is the position (counts) from which the values below count.
	Origin int64
	// StartSeq is the Seq of the first reading of the entry in progress.
	StartSeq uint64
	// Sought is the index into Params.Seeks of the adjustment believed to be
	// played now, or -1.
	Sought int
	// Points holds the turning points caught so far, in the order of
	// Params.Seeks.
	Points []TurningPoint
	// TurnBacks holds the reversals that could be taken for the turning point
	// sought and are now believed to have been made by the hand: the newest, at
	// most MaxTurnBacks, in order of time.
	TurnBacks []TurnBack
	// Missing says what evidence is still missing, and what to do; the code is
	// empty when nothing is missing.
	Missing Reason
	// Complete says that all that the task asks for has been caught.
	Complete bool
	// Confirmed says that the hand is at rest and that a capture of the readings so
	// far is a diameter: the contact may be withdrawn.
	Confirmed bool
	// Flat says that it is complete only in that the adjustment sought seems to be
	// too flat to see: a hand that has not played it looks the same.
	Flat bool
	// Best is the best estimate of the reading at the saddle so far and U its
	// standard uncertainty, counts; valid if Complete.
	Best, U float64
	// Residual is how far the reading was last left from the extremum of each
	// adjustment, counts, by seek index; valid where Parked.
	Residual [2]float64
	Parked   [2]bool

	// Seek says, by seek index, what is known of each adjustment and what is
	// lacking.
	Seek [2]SeekState
	// X is the mean of the last 40 ms of readings, counts above Origin, and Noise
	// the standard deviation of one reading, counts; both valid in StageContact.
	X, Noise float64
	// Visible is the smallest change of the reading that can be told from noise
	// and resolution, counts.
	Visible float64
	// Still is for how long the reading has held still, s; 0 while it moves.
	// Resting says that this is long enough to count as hands off.
	Still   float64
	Resting bool
	// Seconds is how long the entry has lasted, s.
	Seconds float64
}

// MaxTurnBacks bounds State.TurnBacks.
const MaxTurnBacks = 16

// TurnBack is a reversal of the reading that the hand made.
type TurnBack struct {
	Adjustment Adjustment
	Sense      Sense
	// At is the station clock (ns), Value the reading in counts above the entry's
	// Origin.
	At    int64
	Value float64
}

// SeekState is what is known of one adjustment in the entry in progress.
type SeekState struct {
	// Played says that a stretch of the entry is taken for play of it; Caught
	// that its turning point is among State.Points.
	Played, Caught bool
	// Passes counts the reversals now taken for passes over the extremum.
	Passes int
	// Lacks is why it is not caught; empty if it is.
	Lacks ReasonCode
	// Extreme is the turning point or, before there is one, the reading nearest
	// to it so far, counts above Origin; valid if Seen.
	Extreme float64
	Seen    bool
	// Away is how far the newest reading is from Extreme, and Deepest how far it
	// has been let away since the last pass (or since the play began), counts,
	// not negative. Valid if Seen.
	Away, Deepest float64
	// Side is where the slide stands, if the readout sends its position and the
	// place of the turning point on it is known.
	Side Side
}

// Side says on which side of its turning point an adjustment stands, as seen
// from where it stood at the beginning of the entry.
type Side string

// The sides.
const (
	SideUnknown Side = ""
	SideBefore  Side = "before"
	SidePast    Side = "past"
)
