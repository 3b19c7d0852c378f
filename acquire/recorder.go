package acquire

import (
	"context"
	"fmt"
	"io"
	"sync"
)

// recorderQueue bounds what a Recorder holds back for a slow disk, in bytes of
// the file: a minute of a fast readout.
const recorderQueue = 4 << 20

// Recorder writes a recording while a source runs: give its Tap to
// SourceConfig.OnBytes. Tap never waits; when the disk cannot keep up, the bytes
// that find no room are counted and the recording says how many are missing.
type Recorder struct {
	w    io.Writer
	wake chan struct{}
	now  func() int64

	mu      sync.Mutex
	queue   []byte
	missed  int64 // bytes not queued since the last that were
	lastAt  int64
	total   int64
	dropped int64
}

// NewRecorder returns a recorder that writes to w once Run is called. now is the
// station clock.
func NewRecorder(w io.Writer, h RecordingHeader, now func() int64) *Recorder {
	return &Recorder{w: w, wake: make(chan struct{}, 1), now: now, queue: appendHeader(nil, h)}
}

// Tap takes a chunk. Any goroutine may call it.
func (r *Recorder) Tap(c Chunk) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.lastAt = c.At
	if len(r.queue) > recorderQueue {
		r.missed += int64(len(c.Bytes))
		r.dropped += int64(len(c.Bytes))
		if c.Kind == ChunkBytes {
			return
		} // openings and losses are few, and always kept
	}
	if r.missed > 0 && len(r.queue) <= recorderQueue {
		r.queue = appendChunk(r.queue, Chunk{Kind: ChunkMissed, At: c.At, Missed: r.missed})
		r.missed = 0
	}
	r.queue = appendChunk(r.queue, c)
	r.total += int64(len(c.Bytes))
	select {
	case r.wake <- struct{}{}:
	default:
	}
}

// Counts returns how many bytes of the port were taken and how many were lost
// because the disk could not keep up.
func (r *Recorder) Counts() (recorded, lost int64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.total, r.dropped
}

// Run writes until the context ends, then writes what is left and the end of the
// recording. End the source first. A write error ends it at once.
func (r *Recorder) Run(ctx context.Context) error {
	var out []byte
	for {
		done := ctx.Err() != nil
		r.mu.Lock()
		out, r.queue = r.queue, out[:0]
		if done {
			if r.missed > 0 {
				out = appendChunk(out, Chunk{Kind: ChunkMissed, At: r.lastAt, Missed: r.missed})
				r.missed = 0
			}
			out = fmt.Appendf(out, "end %d\n", r.now())
		}
		r.mu.Unlock()
		if len(out) > 0 {
			if _, err := r.w.Write(out); err != nil {
				return fmt.Errorf("write the recording: %w", err)
			}
		}
		if done {
			return nil
		}
		select {
		case <-r.wake:
		case <-ctx.Done():
		}
	}
}
