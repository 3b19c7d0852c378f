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
	// Missing says what evidence is still missing, and what to do; the code is
	// empty when nothing is missing.
	Missing Reason
	// Complete says that all that the task asks for has been caught.
	Complete bool
	// Best is the best estimate of the reading at the saddle so far and U its
	// standard uncertainty, counts; valid if Complete.
	Best, U float64
	// Residual is how far the reading was last left from the extremum of each
	// adjustment, counts, by seek index; valid where Parked.
	Residual [2]float64
	Parked   [2]bool
}
