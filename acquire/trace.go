package acquire

// Trace is a finished succession of readings, read from a file.
type Trace struct {
	// Name is where it came from, for messages.
	Name string
	// Streams holds the streams in order of FirstSeq; there is at least one
	// when there are readings.
	Streams []Stream
	// Readings holds the entries in the order in which they were recorded.
	Readings []Reading
	// Rounded counts positions of a file that had to be rounded to 10⁻⁹ mm.
	Rounded int
}

// StreamAt returns the stream of the entry with the given Seq.
func (t Trace) StreamAt(seq uint64) (Stream, bool) { return streamAt(t.Streams, seq) }

// Step returns the Step of the first stream; the zero Step when there is none.
func (t Trace) Step() Step {
	if len(t.Streams) == 0 {
		return Step{}
	}
	return t.Streams[0].Step
}
