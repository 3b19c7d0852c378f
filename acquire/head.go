package acquire

import (
	"context"
	"io"
	"slices"
)

// Head reads a tape from its own place, independently of all other heads. One
// goroutine reads a head; Stats and Close may be called from any.
type Head struct {
	tape *Tape
	name string
	wake chan struct{} // one slot; closed when the tape or the head is closed

	// under tape.mu
	next      uint64 // Seq to be delivered next
	delivered uint64
	lost      uint64
	overruns  uint64
	closed    bool
}

// NewHead returns a head that begins with the next entry to be written. The name
// appears in Overrun and in the statistics.
func (t *Tape) NewHead(name string) *Head {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.newHead(name, t.next)
}

// NewHeadAt returns a head that begins with the entry seq (0 is taken as 1). If
// that entry is no longer held the first Read says so with an Overrun; if it is
// yet to be written Read waits for it.
func (t *Tape) NewHeadAt(name string, seq uint64) *Head {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.newHead(name, max(seq, 1))
}

func (t *Tape) newHead(name string, seq uint64) *Head {
	h := &Head{tape: t, name: name, wake: make(chan struct{}, 1), next: seq}
	if t.closed {
		close(h.wake)
	}
	t.heads = append(t.heads, h)
	return h
}

// Name returns the name given to NewHead.
func (h *Head) Name() string { return h.name }

// Read copies the next entries into buf and returns how many; it waits while
// there are none. It never returns 0 with a nil error for a buf that is not
// empty.
//
// Errors: *Overrun, once, when the head fell a whole ring behind; it names the
// entries lost, and the head goes on a quarter of a ring past the oldest entry
// still held, so that it does not fall behind again at once. io.EOF when the
// tape is closed and everything was delivered, or when the head is closed.
// The context's error when ctx ends first; entries already written are
// delivered even then only by a later call with a live context.
func (h *Head) Read(ctx context.Context, buf []Reading) (int, error) {
	if len(buf) == 0 {
		return 0, nil
	}
	for {
		if err := ctx.Err(); err != nil {
			return 0, err
		}
		n, err := h.take(buf)
		if n > 0 || err != nil {
			return n, err
		}
		select {
		case <-h.wake:
		case <-ctx.Done():
			return 0, ctx.Err()
		}
	}
}

// take copies what is there. Zero and nil mean: nothing yet.
func (h *Head) take(buf []Reading) (int, error) {
	t := h.tape
	t.mu.Lock()
	defer t.mu.Unlock()
	if h.closed {
		return 0, io.EOF
	}
	if oldest := t.oldest(); h.next < oldest {
		from := h.next
		h.next = min(oldest+uint64(len(t.ring))/4, t.next)
		h.lost += h.next - from
		h.overruns++
		return 0, &Overrun{Head: h.name, From: from, To: h.next - 1}
	}
	if h.next >= t.next {
		if t.closed {
			return 0, io.EOF
		}
		return 0, nil
	}
	n := int(min(uint64(len(buf)), t.next-h.next))
	i := int((h.next - 1) % uint64(len(t.ring)))
	copied := copy(buf[:n], t.ring[i:])
	copy(buf[copied:n], t.ring)
	h.next += uint64(n)
	h.delivered += uint64(n)
	return n, nil
}

// Stats returns a snapshot.
func (h *Head) Stats() HeadStats {
	h.tape.mu.Lock()
	defer h.tape.mu.Unlock()
	return h.stats()
}

func (h *Head) stats() HeadStats {
	s := HeadStats{Name: h.name, Delivered: h.delivered, Lost: h.lost, Overruns: h.overruns}
	if h.tape.next > h.next {
		s.Lag = h.tape.next - h.next
	}
	return s
}

// Close takes the head off the tape: a Read that waits returns io.EOF. A head
// that lives as long as its tape need not be closed.
func (h *Head) Close() {
	t := h.tape
	t.mu.Lock()
	defer t.mu.Unlock()
	if h.closed {
		return
	}
	h.closed = true
	t.heads = slices.DeleteFunc(t.heads, func(other *Head) bool { return other == h })
	if !t.closed { // else it is closed already
		close(h.wake)
	}
}
