package storage

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"github.com/cenkalti/backoff/v5"

	"ringsaddle/acquire"
)

// ReadingReader is the recorder's own head on the tape (an *acquire.Head).
//
// Read waits for readings, copies the next ones into buf and returns how many.
// It returns *acquire.Overrun, once, when readings were lost; io.EOF when the
// tape is closed and everything was delivered; the context's error when ctx ends
// first, without losing a reading.
type ReadingReader interface {
	Read(ctx context.Context, buf []acquire.Reading) (int, error)
}

// ErrRecorderEnded says that the recorder has returned and will store no more.
var ErrRecorderEnded = errors.New("the recorder has ended")

// RecorderConfig says what a recorder records. Zero values of the last three are
// defaults.
type RecorderConfig struct {
	Station string
	// Settings is the station's settings as JSON, recorded with each stream; nil
	// stands for the newest recorded ones.
	Settings []byte
	// Streams tells the stream of an entry (Tape.StreamAt).
	Streams func(seq uint64) (acquire.Stream, bool)
	// TailAfter is how long a reading may wait before it is written; default 1 s.
	TailAfter time.Duration
	// BlockReadings is the size of a full block before folding, 1 to
	// MaxBlockReadings; default 1024.
	BlockReadings int
	// DrainFor bounds what Run still does after its context has ended; default 2 s.
	DrainFor time.Duration
}

// Recorder writes everything that comes over one head of the tape into trace
// blocks. It may wait for the disk; the tape does not wait for it. What it loses
// becomes a gap entry.
type Recorder struct {
	store *Store
	cfg   RecorderConfig
	head  ReadingReader

	// of the goroutine in Run
	stream       acquire.Stream // of the newest reading; zero when unknown
	pending      []acquire.Reading
	pendingSince time.Time
	ready        []item

	mu        sync.Mutex
	wake      context.CancelFunc // ends the Read in progress
	want      uint64
	committed uint64
	changed   chan struct{} // closed when committed grows or Run ends
	ended     bool
	stats     RecorderStats
}

// RecorderStats is a snapshot of a recorder.
type RecorderStats struct {
	Station, StreamID string
	// Readings, Blocks and Bytes count what was committed; Bytes are encoded.
	Readings, Blocks, Bytes uint64
	// Gaps counts gap entries, Lost the readings in them, Unplaced entries that
	// belonged to no stream and could not be stored.
	Gaps, Lost, Unplaced uint64
	// SeenSeq is the newest reading received, CommittedSeq the newest committed.
	SeenSeq, CommittedSeq uint64
	// WriteErrors counts failed attempts. Failing says that the newest attempt
	// failed: nothing is being stored now. LastError says why.
	WriteErrors uint64
	Failing     bool
	LastError   string
}

// item is one thing to be written, in the order of the tape.
type item struct {
	open   bool // record the stream
	stream acquire.Stream
	// first to last is a gap if there are no readings
	first, last uint64
	readings    []acquire.Reading
}

// NewRecorder returns the recorder of a station; CommitCapture waits for it from
// now on. Run starts it.
func (s *Store) NewRecorder(cfg RecorderConfig, head ReadingReader) (*Recorder, error) {
	var errs []error
	if cfg.Station == "" {
		errs = append(errs, errors.New("station: empty"))
	}
	if cfg.Streams == nil || head == nil {
		errs = append(errs, errors.New("streams and head: both are needed"))
	}
	if cfg.BlockReadings < 0 || cfg.BlockReadings > MaxBlockReadings {
		errs = append(errs, fmt.Errorf("block readings: %d, permitted 1 to %d", cfg.BlockReadings, MaxBlockReadings))
	}
	if cfg.TailAfter < 0 || cfg.DrainFor < 0 {
		errs = append(errs, fmt.Errorf("tail after %v, drain for %v: must not be negative", cfg.TailAfter, cfg.DrainFor))
	}
	if err := errors.Join(errs...); err != nil {
		return nil, fmt.Errorf("recorder: %w", err)
	}
	if cfg.BlockReadings == 0 {
		cfg.BlockReadings = 1024
	}
	if cfg.TailAfter == 0 {
		cfg.TailAfter = time.Second
	}
	if cfg.DrainFor == 0 {
		cfg.DrainFor = 2 * time.Second
	}
	r := &Recorder{store: s, cfg: cfg, head: head, changed: make(chan struct{})}
	r.stats.Station = cfg.Station
	s.recMu.Lock()
	defer s.recMu.Unlock()
	s.recorders[cfg.Station] = r
	return r, nil
}

func (s *Store) recorder(station string) *Recorder {
	s.recMu.Lock()
	defer s.recMu.Unlock()
	return s.recorders[station]
}

// Stats returns a snapshot.
func (r *Recorder) Stats() RecorderStats {
	r.mu.Lock()
	defer r.mu.Unlock()
	st := r.stats
	st.CommittedSeq = r.committed
	return st
}

// Flush returns once all readings up to seq are committed or named by a gap
// entry; it makes the recorder write at once. When ctx ends first the error also
// tells why the disk was not written, if that is known.
func (r *Recorder) Flush(ctx context.Context, seq uint64) error {
	for {
		r.mu.Lock()
		if r.committed >= seq {
			r.mu.Unlock()
			return nil
		}
		if r.ended {
			r.mu.Unlock()
			return ErrRecorderEnded
		}
		r.want = max(r.want, seq)
		if r.wake != nil {
			r.wake()
		}
		changed := r.changed
		r.mu.Unlock()
		select {
		case <-changed:
		case <-ctx.Done():
			if st := r.Stats(); st.Failing {
				return fmt.Errorf("%w; the recorder cannot write: %s", ctx.Err(), st.LastError)
			}
			return ctx.Err()
		}
	}
}

// Run records until the tape ends (io.EOF) or ctx does. In both cases it then
// writes what it holds; after ctx has ended it takes at most Config.DrainFor to
// fetch and write what is still on the tape. It returns nil if everything that it
// received is committed.
func (r *Recorder) Run(ctx context.Context) error {
	defer func() {
		r.mu.Lock()
		r.ended, r.wake = true, nil
		close(r.changed)
		r.changed = make(chan struct{})
		r.mu.Unlock()
	}()
	buf := make([]acquire.Reading, 4096)
	for {
		n, err := r.read(ctx, buf)
		r.take(buf[:n])
		var lost *acquire.Overrun
		switch {
		case errors.As(err, &lost):
			r.takeOverrun(lost)
		case errors.Is(err, io.EOF):
			return r.finish(ctx)
		case ctx.Err() != nil:
			return r.drain(ctx, buf)
		case err != nil && !errors.Is(err, context.Canceled) && !errors.Is(err, context.DeadlineExceeded):
			return errors.Join(fmt.Errorf("read the tape: %w", err), r.finish(ctx))
		}
		if r.due() {
			r.cut()
		}
		if err := r.writeReady(ctx); err != nil && ctx.Err() == nil {
			return err
		}
	}
}

// read waits for readings, until the tail is due, or until Flush wants it written.
func (r *Recorder) read(ctx context.Context, buf []acquire.Reading) (int, error) {
	var cancel context.CancelFunc
	if len(r.pending) > 0 {
		ctx, cancel = context.WithDeadline(ctx, r.pendingSince.Add(r.cfg.TailAfter))
	} else {
		ctx, cancel = context.WithCancel(ctx)
	}
	defer cancel()
	r.mu.Lock()
	if r.want > r.committed && r.want <= r.stats.SeenSeq {
		r.mu.Unlock()
		return 0, nil
	}
	r.wake = cancel
	r.mu.Unlock()
	n, err := r.head.Read(ctx, buf)
	r.mu.Lock()
	r.wake = nil
	r.mu.Unlock()
	return n, err
}

// due reports whether what is pending must be written now.
func (r *Recorder) due() bool {
	if len(r.pending) == 0 {
		return false
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.want > r.committed && r.want <= r.stats.SeenSeq || time.Since(r.pendingSince) >= r.cfg.TailAfter
}

// take sorts readings into blocks.
func (r *Recorder) take(readings []acquire.Reading) {
	for _, x := range readings {
		last := r.seen()
		if last != 0 && x.Seq > last+1 { // a head reports losses itself; never a silent gap all the same
			r.takeOverrun(&acquire.Overrun{From: last + 1, To: x.Seq - 1})
		}
		if x.Flags&acquire.StreamStart != 0 || r.stream.ID == "" {
			r.cut()
			st, ok := r.cfg.Streams(x.Seq)
			if !ok {
				r.note(x.Seq, func(s *RecorderStats) { s.Unplaced++ })
				continue
			}
			r.stream = st
			r.ready = append(r.ready, item{open: true, stream: st})
		}
		if len(r.pending) == 0 {
			r.pendingSince = time.Now()
		}
		r.pending = append(r.pending, x)
		r.note(x.Seq, func(s *RecorderStats) { s.StreamID = r.stream.ID })
		if len(r.pending) >= r.cfg.BlockReadings {
			r.cut()
		}
	}
}

func (r *Recorder) seen() uint64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.stats.SeenSeq
}

func (r *Recorder) note(seq uint64, f func(*RecorderStats)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.stats.SeenSeq = seq
	f(&r.stats)
}

// cut makes blocks of what is pending.
func (r *Recorder) cut() {
	for len(r.pending) > 0 {
		n := cutByTime(r.pending)
		r.ready = append(r.ready, item{
			stream: r.stream, first: r.pending[0].Seq, last: r.pending[n-1].Seq, readings: r.pending[:n:n],
		})
		r.pending = r.pending[n:]
	}
	r.pending = nil
}

// takeOverrun notes the lost entries, split where one stream ends and the next
// begins.
func (r *Recorder) takeOverrun(o *acquire.Overrun) {
	r.cut()
	for from := o.From; from <= o.To; {
		st, ok := r.cfg.Streams(from)
		if !ok {
			st = r.stream
		}
		// The largest seq up to o.To of the same stream.
		lo, hi := from, o.To
		for lo < hi {
			mid := hi - (hi-lo)/2
			if other, found := r.cfg.Streams(mid); found && other.ID != st.ID {
				hi = mid - 1
			} else {
				lo = mid
			}
		}
		if st.ID != "" {
			r.ready = append(r.ready, item{open: true, stream: st}, item{stream: st, first: from, last: lo})
		}
		from = lo + 1
	}
	r.stream = acquire.Stream{} // ask again: its beginning may be among the lost
	r.note(o.To, func(*RecorderStats) {})
}

// itemsPerWrite bounds one transaction.
const itemsPerWrite = 16

// writeReady commits what is ready, in order, and tries again until it succeeds
// or ctx ends.
func (r *Recorder) writeReady(ctx context.Context) error {
	for len(r.ready) > 0 {
		n := min(len(r.ready), itemsPerWrite)
		if err := r.commit(ctx, r.ready[:n]); err != nil {
			return err
		}
		r.ready = r.ready[n:]
	}
	r.ready = nil
	if len(r.pending) == 0 {
		r.settled()
	}
	return nil
}

// settled notes that everything seen is committed or could not be placed, so that
// nobody waits for an entry of no stream.
func (r *Recorder) settled() {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.committed < r.stats.SeenSeq {
		r.committed = r.stats.SeenSeq
		close(r.changed)
		r.changed = make(chan struct{})
	}
}

func (r *Recorder) commit(ctx context.Context, items []item) error {
	blocks := make([]block, len(items))
	var readings, stored, size, gaps, lost, last uint64
	for i, it := range items {
		switch {
		case it.readings != nil:
			b, err := r.store.makeBlock(it.stream, it.readings)
			if err != nil {
				return fmt.Errorf("encode readings %d to %d: %w", it.first, it.last, err)
			}
			blocks[i] = b
			readings += uint64(len(it.readings))
			stored++
			size += uint64(len(b.data))
			last = it.last
		case !it.open:
			gaps++
			lost += it.last - it.first + 1
			last = it.last
		}
	}
	wait := backoff.NewExponentialBackOff()
	wait.InitialInterval, wait.MaxInterval = 100*time.Millisecond, 2*time.Second
	for {
		err := r.store.write(ctx, false, func(t *tx) error { return r.put(t, items, blocks) })
		r.mu.Lock()
		if err == nil {
			s := &r.stats
			s.Readings += readings
			s.Blocks += stored
			s.Bytes += size
			s.Gaps += gaps
			s.Lost += lost
			s.Failing = false
			r.committed = max(r.committed, last)
			close(r.changed)
			r.changed = make(chan struct{})
			r.mu.Unlock()
			return nil
		}
		r.stats.WriteErrors++
		r.stats.Failing, r.stats.LastError = true, err.Error()
		r.mu.Unlock()
		if ctx.Err() != nil || errors.Is(err, ErrClosed) || errors.Is(err, ErrReadOnly) {
			return fmt.Errorf("write the trace of station %s: %w", r.cfg.Station, err)
		}
		select {
		case <-time.After(wait.NextBackOff()):
		case <-ctx.Done():
		}
	}
}

func (r *Recorder) put(t *tx, items []item, blocks []block) error {
	for i, it := range items {
		var err error
		switch {
		case it.open:
			err = t.putStream(r.store, it.stream, r.cfg.Settings)
		case it.readings != nil:
			err = t.putBlock(blocks[i], false)
		default:
			err = t.putGap(it.stream, it.first, it.last, GapOverrun)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// finish writes what is held, within DrainFor.
func (r *Recorder) finish(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), r.cfg.DrainFor)
	defer cancel()
	r.cut()
	return r.writeReady(ctx)
}

// drain fetches what is still on the tape after ctx has ended, and finishes.
func (r *Recorder) drain(ctx context.Context, buf []acquire.Reading) error {
	until := time.Now().Add(r.cfg.DrainFor / 2)
	for time.Now().Before(until) {
		once, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Millisecond)
		n, err := r.head.Read(once, buf)
		cancel()
		r.take(buf[:n])
		var lost *acquire.Overrun
		if errors.As(err, &lost) {
			r.takeOverrun(lost)
		} else if err != nil {
			break
		}
	}
	return r.finish(ctx)
}
