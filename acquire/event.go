package acquire

import "fmt"

// EventKind names what happened at a source.
type EventKind uint8

// The kinds of events.
const (
	// PortOpened: the port was opened, for the first time or again.
	PortOpened EventKind = iota
	// PortLost: the port was open and is gone, or could not be opened.
	PortLost
	// StreamOpened: a stream began on the tape. Event.Stream is set; look at
	// UnitChanged.
	StreamOpened
	// FellSilent: nothing valid arrived for the silence limit.
	FellSilent
	// HeardAgain: a valid frame after FellSilent or OnlyGarbage.
	HeardAgain
	// OnlyGarbage: bytes arrive, but not one valid frame among them.
	OnlyGarbage
	// GotStale: one and the same reading was repeated for the stale limit.
	GotStale
)

// String returns the code of the kind.
func (k EventKind) String() string {
	names := [...]string{
		"port_opened", "port_lost", "stream_opened", "fell_silent", "heard_again",
		"only_garbage", "got_stale",
	}
	if int(k) < len(names) {
		return names[k]
	}
	return fmt.Sprintf("event_%d", uint8(k))
}

// Event is something that happened at a source and that a person may want to
// know.
type Event struct {
	Kind EventKind
	// At is the station clock, ns.
	At int64
	// Text says it for a person, in one line.
	Text string
	// Stream is set with StreamOpened.
	Stream Stream
}

// FrameReport is what became of one frame; see SourceConfig.OnFrame.
type FrameReport struct {
	// At is the station clock (ns) when the read returned that delivered the
	// terminator.
	At int64
	// Raw holds the bytes between the terminators, valid during the call only.
	Raw []byte
	// Frame is what was decoded; valid when Err is nil.
	Frame Frame
	// Held says that the frame waits until those that follow confirm its
	// decimals; if they do not, a second report with Err comes.
	Held bool
	// Err says why the frame was rejected.
	Err *FrameError
}
