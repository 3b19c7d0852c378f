package acquiretest

import (
	"bytes"
	"slices"

	"ringsaddle/acquire"
)

// FaultKind names a fault that a line or a readout can have.
type FaultKind uint8

// The faults.
const (
	// Dead loses the port after the chunk and opens it again For nanoseconds
	// later; the chunks that fall into this time are not delivered.
	Dead FaultKind = iota
	// HalfFrame cuts the chunk in half and drops its end.
	HalfFrame
	// RepeatFrame delivers the chunk twice.
	RepeatFrame
	// Garbage puts the bytes of Bytes before the chunk.
	Garbage
	// Drop does not deliver the chunk.
	Drop
	// Mute delivers nothing for For nanoseconds from the chunk on.
	Mute
)

// Fault is a fault at a place of a recording.
type Fault struct {
	Kind FaultKind
	// Chunk is the index, among the chunks with bytes, where it happens.
	Chunk int
	// For is how long it lasts, ns.
	For int64
	// Bytes is what Garbage inserts.
	Bytes []byte
}

// Inject returns a copy of the recording with the faults in it.
func Inject(rec acquire.Recording, faults ...Fault) acquire.Recording {
	out := rec
	out.Chunks = nil
	index, muteUntil := -1, int64(-1<<63)
	var reopen *acquire.Chunk
	for _, c := range rec.Chunks {
		if reopen != nil && c.At >= reopen.At {
			out.Chunks = append(out.Chunks, *reopen)
			reopen = nil
		}
		if c.Kind != acquire.ChunkBytes {
			out.Chunks = append(out.Chunks, c)
			continue
		}
		index++
		copies, dead := 1, int64(-1)
		c.Bytes = bytes.Clone(c.Bytes)
		for _, f := range faults {
			if f.Chunk != index {
				continue
			}
			switch f.Kind {
			case Dead:
				dead = f.For
			case HalfFrame:
				c.Bytes = c.Bytes[:len(c.Bytes)/2]
			case RepeatFrame:
				copies = 2
			case Garbage:
				c.Bytes = slices.Concat(f.Bytes, c.Bytes)
			case Drop:
				copies = 0
			case Mute:
				muteUntil = c.At + f.For
			}
		}
		if reopen == nil && c.At >= muteUntil {
			for range copies {
				out.Chunks = append(out.Chunks, c)
			}
		}
		if dead >= 0 {
			out.Chunks = append(out.Chunks, acquire.Chunk{Kind: acquire.ChunkLost, At: c.At, Text: "fault on demand"})
			reopen = &acquire.Chunk{Kind: acquire.ChunkOpened, At: c.At + dead, Text: "reopened after the port was lost"}
		}
	}
	if reopen != nil {
		out.Chunks = append(out.Chunks, *reopen)
	}
	return out
}

// Frames makes a recording of frames that arrive one after the other, the first
// at start, every ns nanoseconds; the port opens with the first.
func Frames(start, every int64, frames ...string) acquire.Recording {
	rec := acquire.Recording{
		RecordingHeader: acquire.RecordingHeader{Station: "test", Port: "test port", BootID: "test-boot"},
		Chunks:          []acquire.Chunk{{Kind: acquire.ChunkOpened, At: start, WallNS: 1_764_000_000_000_000_000, Text: "opened"}},
		Complete:        true,
	}
	at := start
	for _, f := range frames {
		at += every
		rec.Chunks = append(rec.Chunks, acquire.Chunk{At: at, Bytes: []byte(f)})
	}
	rec.EndAt = at
	return rec
}
