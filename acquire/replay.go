package acquire

import (
	"fmt"
	"time"
)

// ReplayConfig says how recorded bytes are read.
type ReplayConfig struct {
	// Decoder decodes the frames. Required.
	Decoder Decoder
	// SilenceAfter and StaleAfter as in SourceConfig.
	SilenceAfter, StaleAfter time.Duration
	// NewID makes the ids of streams; nil numbers them: "replay-1" and so on.
	NewID func() string
	// OnEvent, OnFrame and OnTemperature as in SourceConfig.
	OnEvent       func(Event)
	OnFrame       func(FrameReport)
	OnTemperature func(TemperatureSample)
}

// Replay decodes the recording and returns the entries that the tape had, or
// would have had, when it was made: the same bytes with their times make the
// same readings, streams and silences. Hints are not in a recording. The
// statistics are those of a Source at the end.
func (r Recording) Replay(cfg ReplayConfig) (Trace, SourceStats) {
	t := &traceSink{trace: Trace{Name: r.Name}}
	stats := r.replay(cfg, t)
	return t.trace, stats
}

// ReplayTo appends to a tape instead; at full speed, so that heads which are
// slower than the replay overrun unless the tape holds everything.
func (r Recording) ReplayTo(tape *Tape, cfg ReplayConfig) SourceStats {
	return r.replay(cfg, tape)
}

func (r Recording) replay(cfg ReplayConfig, to sink) SourceStats {
	anchor, wall := int64(0), int64(0)
	in := &intake{
		station: r.Station, bootID: r.BootID, portLabel: r.Port,
		decoder: cfg.Decoder, silenceAfter: int64(cfg.SilenceAfter), staleAfter: int64(cfg.StaleAfter),
		newID:   cfg.NewID,
		wall:    func(at int64) int64 { return wall + at - anchor },
		onFrame: cfg.OnFrame, onEvent: cfg.OnEvent, onTemperature: cfg.OnTemperature,
		sink: to, framer: framerFor(cfg.Decoder),
	}
	if in.newID == nil {
		n := 0
		in.newID = func() string { n++; return fmt.Sprintf("replay-%d", n) }
	}
	last := int64(0)
	for i, c := range r.Chunks {
		last = c.At
		if c.Kind != ChunkOpened && !in.open && c.Kind != ChunkLost {
			// A piece cut out of a longer recording.
			in.opened(c.At, "opened")
			in.work.Connected = true
		}
		switch c.Kind {
		case ChunkOpened:
			in.lost(c.At)
			anchor, wall = c.At, c.WallNS
			if i > 0 {
				in.work.Reconnects++
			}
			in.work.Connected = true
			in.opened(c.At, c.Text)
		case ChunkLost:
			in.work.Connected = false
			in.lost(c.At)
		case ChunkMissed:
			// Nobody knows what these bytes were: what comes is the middle of a
			// frame.
			in.missed(c.At)
		case ChunkBytes:
			in.feed(c.At, c.Bytes)
		}
	}
	if r.Complete {
		last = r.EndAt
	}
	in.tick(last)
	in.lost(last)
	in.work.Connected = false
	var s snapshot
	in.snapshot(&s)
	return s.stats()
}

// traceSink collects entries.
type traceSink struct{ trace Trace }

func (t *traceSink) Open(s Stream) uint64 {
	s.FirstSeq = t.Mark(Reading{At: s.OpenedAt, Flags: StreamStart | Gap})
	t.trace.Streams = append(t.trace.Streams, s)
	return s.FirstSeq
}

func (t *traceSink) Append(rs []Reading) {
	for _, r := range rs {
		t.Mark(r)
	}
}

func (t *traceSink) Mark(r Reading) uint64 {
	r.Seq = uint64(len(t.trace.Readings)) + 1
	t.trace.Readings = append(t.trace.Readings, r)
	return r.Seq
}
