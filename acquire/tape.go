package acquire

import (
	"fmt"
	"slices"
	"sync"
)

// MinTapeCapacity is the smallest ring that NewTape makes.
const MinTapeCapacity = 16

// streamsKept bounds the streams that a tape remembers beyond those whose
// readings it still holds.
const streamsKept = 1024

// Tape is a ring of the most recent entries with one writer and any number of
// independent reading heads.
//
// The writer never waits for a head: Append copies a batch into the ring under
// a lock that is held for the copy alone. A head that falls a whole ring behind
// is told exactly which entries it lost (see Head.Read). All methods are safe
// for use by several goroutines; by convention only the Source of the station
// calls Open, Append and Close, and anybody may call Mark.
//
// The zero value is not usable; call NewTape.
type Tape struct {
	mu      sync.Mutex
	ring    []Reading // entry with Seq s lies at ring[(s-1) % len(ring)]
	next    uint64    // Seq of the entry to be written next; the first is 1
	closed  bool
	refused uint64 // entries offered after Close
	streams []Stream
	latest  Reading // newest entry that came from the readout
	heard   bool    // latest is set
	heads   []*Head
}

// NewTape returns an empty tape that holds the given number of entries; less
// than MinTapeCapacity is raised to that. A head can be as many entries late as
// the tape holds before it loses any: at 1000 readings a second a capacity of
// 65,536 forgives about a minute.
func NewTape(capacity int) *Tape {
	return &Tape{ring: make([]Reading, max(capacity, MinTapeCapacity)), next: 1}
}

// Open begins a new stream: it writes one entry flagged StreamStart|Gap whose At
// is stream.OpenedAt, notes the stream with FirstSeq set to that entry's Seq, and
// returns that Seq. After Close it does nothing and returns 0.
func (t *Tape) Open(stream Stream) uint64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.closed {
		t.refused++
		return 0
	}
	seq := t.put(Reading{At: stream.OpenedAt, Flags: StreamStart | Gap})
	stream.FirstSeq = seq
	t.streams = append(t.streams, stream)
	t.pruneStreams()
	t.wake()
	return seq
}

// Append writes the readings in order and sets their Seq, in the slice of the
// caller too. It allocates nothing and waits for nobody but a head that is
// copying at that moment. After Close the readings are refused and counted.
func (t *Tape) Append(rs []Reading) {
	if len(rs) == 0 {
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.closed {
		t.refused += uint64(len(rs))
		return
	}
	for i := range rs {
		rs[i].Seq = t.next + uint64(i)
	}
	at := int((t.next - 1) % uint64(len(t.ring)))
	for rest := rs; len(rest) > 0; at = 0 { // once, or twice around the end of the ring
		rest = rest[copy(t.ring[at:], rest):]
	}
	t.next += uint64(len(rs))
	for _, r := range slices.Backward(rs) {
		if !r.IsMark() {
			t.latest, t.heard = r, true
			break
		}
	}
	t.wake()
}

// Mark writes one entry, normally a Silence or a Hint, and returns its Seq, or 0
// after Close. Goroutines other than the source may call it: an entry lands
// between two batches of readings, never within one.
func (t *Tape) Mark(r Reading) uint64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.closed {
		t.refused++
		return 0
	}
	seq := t.put(r)
	t.wake()
	return seq
}

// put stores one entry under the next Seq. The lock is held.
func (t *Tape) put(r Reading) uint64 {
	seq := t.next
	r.Seq = seq
	t.ring[(seq-1)%uint64(len(t.ring))] = r
	t.next++
	if !r.IsMark() {
		t.latest, t.heard = r, true
	}
	return seq
}

// oldest returns the Seq of the oldest entry held. The lock is held.
func (t *Tape) oldest() uint64 {
	if n := uint64(len(t.ring)); t.next > n {
		return t.next - n
	}
	return 1
}

// wake tells every head that there is something to read. The lock is held.
func (t *Tape) wake() {
	for _, h := range t.heads {
		select {
		case h.wake <- struct{}{}:
		default:
		}
	}
}

// pruneStreams forgets streams that ended before the oldest entry held, once
// there are more than streamsKept of them: a loose cable must not eat memory.
func (t *Tape) pruneStreams() {
	oldest, drop := t.oldest(), 0
	for len(t.streams)-drop > streamsKept && t.streams[drop+1].FirstSeq <= oldest {
		drop++
	}
	if drop > 0 {
		t.streams = append(t.streams[:0], t.streams[drop:]...)
	}
}

// StreamAt returns the stream to which the entry with the given Seq belongs: the
// one whose FirstSeq is the largest that is not above seq. It reports false
// before the first stream, for a Seq not yet written, and for streams so old
// that they were forgotten (more than a thousand streams ago and no longer held).
func (t *Tape) StreamAt(seq uint64) (Stream, bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if seq >= t.next {
		return Stream{}, false
	}
	return streamAt(t.streams, seq)
}

// streamAt finds the stream of seq among streams in order of FirstSeq.
func streamAt(streams []Stream, seq uint64) (Stream, bool) {
	for i := len(streams) - 1; i >= 0; i-- {
		if streams[i].FirstSeq <= seq {
			return streams[i], true
		}
	}
	return Stream{}, false
}

// Stream returns the newest stream, and false before the first.
func (t *Tape) Stream() (Stream, bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.streams) == 0 {
		return Stream{}, false
	}
	return t.streams[len(t.streams)-1], true
}

// Latest returns the newest entry that came from the readout: a position, or a
// frame with which the readout declared its position not valid. Marks are passed
// over.
func (t *Tape) Latest() (Reading, bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.latest, t.heard
}

// Close ends the tape. Heads deliver what is left and then io.EOF. Closing
// twice is harmless.
func (t *Tape) Close() {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.closed {
		return
	}
	t.closed = true
	for _, h := range t.heads {
		close(h.wake)
	}
}

// TapeStats is a snapshot of a tape.
type TapeStats struct {
	// Capacity is the number of entries that the ring holds.
	Capacity int
	// Written counts all entries ever written; it is also the newest Seq.
	Written uint64
	// Oldest is the Seq of the oldest entry held, 0 while there is none.
	Oldest uint64
	// Refused counts entries offered after Close.
	Refused uint64
	Closed  bool
	Heads   []HeadStats
}

// HeadStats is a snapshot of one head.
type HeadStats struct {
	Name string
	// Delivered and Lost count entries. Delivered + Lost + Lag is what was
	// written since the place at which the head began.
	Delivered, Lost uint64
	// Overruns counts the times that the head fell a whole ring behind.
	Overruns uint64
	// Lag is the number of entries written and not yet delivered.
	Lag uint64
}

// Stats returns a snapshot of the tape and of its open heads.
func (t *Tape) Stats() TapeStats {
	t.mu.Lock()
	defer t.mu.Unlock()
	s := TapeStats{
		Capacity: len(t.ring), Written: t.next - 1, Refused: t.refused, Closed: t.closed,
	}
	if t.next > 1 {
		s.Oldest = t.oldest()
	}
	for _, h := range t.heads {
		s.Heads = append(s.Heads, h.stats())
	}
	return s
}

// Overrun says which entries a head lost because it fell a whole ring behind.
type Overrun struct {
	// Head is the name of the head.
	Head string
	// From and To are the first and the last Seq lost.
	From, To uint64
}

// Lost returns the number of entries lost.
func (o *Overrun) Lost() uint64 { return o.To - o.From + 1 }

func (o *Overrun) Error() string {
	return fmt.Sprintf("%s fell behind and lost %d entries of the tape (%d to %d)", o.Head, o.Lost(), o.From, o.To)
}
