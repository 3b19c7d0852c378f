package acquire

// SourceStats is a snapshot of a source. Counters only grow while the source
// lives.
type SourceStats struct {
	Station string
	// Connected reports whether the port is open.
	Connected bool
	// OpenFailures counts attempts to open the port that failed, Reconnects the
	// successful openings after the first, Streams the streams begun.
	OpenFailures, Reconnects, Streams uint64

	// BytesRead counts the bytes received. At any time it is the sum of
	// BytesAccepted, all of BytesRejected, BytesHeld (frames whose decimals
	// await confirmation) and BytesPending (the beginning of a frame).
	BytesRead, BytesAccepted, BytesHeld, BytesPending uint64
	// BytesRejected and FramesRejected are indexed by Reason.
	BytesRejected, FramesRejected [ReasonCount]uint64
	// Readings counts frames with a position, NotValid frames with which the
	// readout declared its position not valid.
	Readings, NotValid uint64

	// LastReadingAt is the station clock (ns) of the last position, 0 before the
	// first.
	LastReadingAt int64
	// Silences counts the times that nothing valid came for the silence limit;
	// Silent says that this is so now.
	Silences uint64
	Silent   bool
	// GarbageEpisodes counts the times that bytes came but not one valid frame;
	// OnlyGarbage says that this is so now.
	GarbageEpisodes uint64
	OnlyGarbage     bool
	// StaleEpisodes counts the times that one and the same reading was repeated
	// for the stale limit; Stale says that this is so now. It may be a resting
	// bench with a coarse readout, a held display or a frozen interface: the
	// stream cannot tell which.
	StaleEpisodes uint64
	Stale         bool
	// UnchangedFrames counts the frames in a row that repeat the last reading,
	// UnchangedSince is the station clock (ns) of the first of them.
	UnchangedFrames uint64
	UnchangedSince  int64

	// PollsSent counts requests sent to a polled readout, PollsUnanswered those
	// after which no frame came within the answer limit.
	PollsSent, PollsUnanswered uint64

	// LastRejected holds the newest rejected frames, oldest first.
	LastRejected []FrameError
}

// RejectedBytes returns the sum of BytesRejected.
func (s SourceStats) RejectedBytes() uint64 { return sum(s.BytesRejected) }

// RejectedFrames returns the sum of FramesRejected.
func (s SourceStats) RejectedFrames() uint64 { return sum(s.FramesRejected) }

func sum(a [ReasonCount]uint64) (total uint64) {
	for _, n := range a {
		total += n
	}
	return total
}
