package bench

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"ringsaddle/acquire"
)

// Options set up a Bench.
type Options struct {
	Scenario Scenario
	Seed     uint64
	// Speed is how many simulated seconds pass in a second, 0.01 to 100; zero means 1.
	Speed float64
	// Link is the path of a symbolic link kept pointing at the device, through
	// unplugging too; empty for none.
	Link string
	// Instructor tells the hand what to do; nil gives the scenario's tasks in order.
	Instructor Instructor
	// Adviser, if set, tells the hand in mid-entry what to do, and Follow says how the
	// hand follows it. Its Advise is called with the bench's lock held.
	Adviser Adviser
	Follow  Follow
	// Pace, if set, is called after frames have been sent and returns when the
	// other side has taken them; the simulated time stands still meanwhile. A bench
	// with a pace sends at most paceS seconds of frames in one go and never catches
	// up on time that it lost, so that a busy machine makes it slow and leaves its
	// readings as they would have been. It is called from one goroutine.
	Pace func(ctx context.Context, frames int)
}

// paceS is how much simulated time one go of a bench with a pace covers, s.
const paceS = 0.02

// Stats counts what a Bench has sent.
type Stats struct {
	Frames     uint64 // frames sent
	Bytes      uint64
	BytesLost  uint64 // nobody read them, or the device was unplugged
	Requests   uint64 // requests answered (polled readout)
	Entries    int    // entries finished
	Unplugged  bool
	InContact  bool
	SimulatedS float64 // simulated time since the start, s
}

// Bench runs a Session against the clock on a pseudo-terminal. Open, then Run.
type Bench struct {
	opt   Options
	tasks Instructor

	mu    sync.Mutex // guards everything below
	ses   *Session
	line  *line
	spare *line // while unplugged: the device that will come back
	stats Stats
	last  acquire.Reading
	have  bool

	orders chan Fault
	asked  chan int // requests seen on the line
}

// New checks the options. It opens nothing.
func New(opt Options) (*Bench, error) {
	if opt.Speed == 0 {
		opt.Speed = 1
	}
	if !(opt.Speed >= 0.01 && opt.Speed <= 100) {
		return nil, fmt.Errorf("speed %g: permitted 0.01 to 100", opt.Speed)
	}
	ses, err := NewSession(opt.Scenario, opt.Seed)
	if err != nil {
		return nil, err
	}
	if opt.Adviser != nil {
		ses.Advise(opt.Adviser, opt.Follow)
	}
	b := &Bench{opt: opt, ses: ses, orders: make(chan Fault), asked: make(chan int, 16), tasks: opt.Instructor}
	if b.tasks == nil {
		b.tasks = InOrder(opt.Scenario.Tasks)
	}
	return b, nil
}

// Open opens the pseudo-terminal and returns the path under which a program
// opens it: the link when one was asked for, else the device itself.
func (b *Bench) Open() (string, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.line != nil {
		return "", errors.New("the bench is open already")
	}
	l, err := openLine()
	if err != nil {
		return "", err
	}
	if b.opt.Link != "" {
		if err := setLink(b.opt.Link, l.path()); err != nil {
			return "", errors.Join(err, l.close())
		}
	}
	b.line = l
	return b.path(), nil
}

func (b *Bench) path() string {
	switch {
	case b.opt.Link != "":
		return b.opt.Link
	case b.line != nil:
		return b.line.path()
	}
	return ""
}

// Path returns the path under which a program opens the bench now; empty while
// there is none.
func (b *Bench) Path() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.path()
}

// Device returns the pseudo-terminal behind the path; empty while unplugged.
func (b *Bench) Device() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.line == nil {
		return ""
	}
	return b.line.path()
}

// Entries returns the truth of the entries made so far.
func (b *Bench) Entries() []Entry {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]Entry(nil), b.ses.entries...)
}

// Stats returns what has been sent so far.
func (b *Bench) Stats() Stats {
	b.mu.Lock()
	defer b.mu.Unlock()
	s := b.stats
	s.Entries, s.InContact, s.Unplugged = len(b.ses.entries), b.ses.contact, b.spare != nil
	s.SimulatedS = float64(b.ses.Now()) * 1e-9
	return s
}

// Advised returns how often the hand did what its adviser said instead of what it
// would have done, and how often it did not.
func (b *Bench) Advised() (followed, ignored int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.ses.Advised()
}

// Thermometer returns what a thermometer shows now on the ring with the given
// ident, or on the scale for an empty ident, in °C.
func (b *Bench) Thermometer(ident string) float64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.ses.Thermometer(ident)
}

// Run sends until the context ends, an instruction fails or the line breaks, and
// closes the line and removes the link before it returns. The end of the context
// is no error.
func (b *Bench) Run(ctx context.Context) error {
	if b.Path() == "" {
		return errors.New("the bench is not open")
	}
	g, ctx := errgroup.WithContext(ctx)
	todo := make(chan Task)
	done := make(chan *Entry)
	b.mu.Lock()
	b.listen(ctx, g, b.line)
	b.mu.Unlock()
	g.Go(func() error { return b.instruct(ctx, todo, done) })
	g.Go(func() error {
		err := b.loop(ctx, g, todo, done)
		// Closing the line also ends the goroutine that reads it.
		return errors.Join(err, b.close())
	})
	return g.Wait()
}

func (b *Bench) close() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	var errs []error
	if b.opt.Link != "" {
		errs = append(errs, removeLink(b.opt.Link))
	}
	for _, l := range []*line{b.line, b.spare} {
		if l != nil {
			errs = append(errs, l.close())
		}
	}
	b.line, b.spare = nil, nil
	return errors.Join(errs...)
}

// instruct asks for the next task whenever the hand is free.
func (b *Bench) instruct(ctx context.Context, todo chan<- Task, done <-chan *Entry) error {
	var last *Entry
	for {
		task, err := b.tasks.Next(ctx, last)
		if errors.Is(err, io.EOF) || ctx.Err() != nil {
			return nil
		}
		if err != nil {
			return err
		}
		select {
		case todo <- task:
		case <-ctx.Done():
			return nil
		}
		select {
		case last = <-done:
		case <-ctx.Done():
			return nil
		}
	}
}

// listen reads what the other side sends. A streaming readout ignores it.
func (b *Bench) listen(ctx context.Context, g *errgroup.Group, l *line) {
	request := []byte(b.opt.Scenario.Frame.Request)
	g.Go(func() error {
		var pending []byte
		buf := make([]byte, 256)
		for {
			n, err := l.master.Read(buf)
			if len(request) > 0 && n > 0 {
				pending = append(pending, buf[:n]...)
				asked := bytes.Count(pending, request)
				if i := bytes.LastIndex(pending, request); i >= 0 {
					pending = pending[i+len(request):]
				}
				if keep := len(request) - 1; len(pending) > keep {
					pending = pending[len(pending)-keep:]
				}
				if asked > 0 {
					select {
					case b.asked <- asked:
					case <-ctx.Done():
						return nil
					}
				}
			}
			if err != nil {
				return nil // closed: unplugged, or the end
			}
		}
	})
}

// maxBehind is how far the simulation may lag behind the clock (a suspended
// machine) before it lets the time go instead of catching up.
const maxBehind = 2 * time.Second

// loop owns the session: it steps it against the clock and writes the frames.
func (b *Bench) loop(ctx context.Context, g *errgroup.Group, todo <-chan Task, done chan<- *Entry) error {
	start := time.Now()
	timer := time.NewTimer(0)
	defer timer.Stop()
	var plug <-chan time.Time
	var stalled time.Time
	var frames []byte
	tasks := todo
	for {
		select {
		case <-ctx.Done():
			return nil
		case task := <-tasks:
			b.mu.Lock()
			err := b.ses.Begin(task)
			b.mu.Unlock()
			if err != nil {
				return fmt.Errorf("task %q: %w", task.Label, err)
			}
			tasks = nil
			continue
		case n := <-b.asked:
			if err := b.answer(n); err != nil {
				return err
			}
			continue
		case f := <-b.orders:
			wait, err := b.inject(f)
			if err != nil {
				return err
			}
			switch f.Kind {
			case FaultUnplug:
				plug = nil
				if wait > 0 {
					plug = time.After(wait)
				}
			case FaultPlug:
				plug = nil
				if err := b.replug(ctx, g); err != nil {
					return err
				}
			case FaultStall:
				stalled = time.Now().Add(wait)
			}
			continue
		case <-plug:
			plug = nil
			if err := b.replug(ctx, g); err != nil {
				return err
			}
			continue
		case <-timer.C:
		}
		now := time.Now()
		limit := maxBehind
		if b.opt.Pace != nil {
			limit = time.Duration(paceS / b.opt.Speed * 1e9)
		}
		if behind := now.Sub(start) - b.clock(); behind > limit {
			start = start.Add(behind - limit/2)
		}
		var err error
		var ended *Entry
		sent := b.Stats().Frames
		frames, ended, err = b.step(now, start, frames[:0], now.Before(stalled))
		if err != nil {
			return err
		}
		if n := int(b.Stats().Frames - sent); n > 0 && b.opt.Pace != nil {
			b.opt.Pace(ctx, n)
		}
		if ended != nil {
			select {
			case done <- ended:
			case <-ctx.Done():
				return nil
			}
			tasks = todo
		}
		timer.Reset(max(time.Millisecond, time.Until(start.Add(b.clock()))))
	}
}

// clock is the real time since the start at which the next sampling instant is due.
func (b *Bench) clock() time.Duration {
	b.mu.Lock()
	defer b.mu.Unlock()
	return time.Duration(float64(b.ses.Now()) / b.opt.Speed)
}

// step takes all sampling instants that are due and sends their frames. It stops
// early when an entry ends.
func (b *Bench) step(now, start time.Time, frames []byte, stalled bool) (_ []byte, ended *Entry, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	target := int64(math.Round(float64(now.Sub(start)) * b.opt.Speed))
	if b.opt.Pace != nil {
		target = min(target, b.ses.Now()+ns(paceS))
	}
	for b.ses.Now() <= target {
		busy := b.ses.Busy()
		r, ok := b.ses.Next()
		if ok {
			b.last, b.have = r, true
			if b.opt.Scenario.Frame.Request == "" && !stalled {
				frames = b.opt.Scenario.Frame.Append(frames, r, b.opt.Scenario.Readout.Decimals)
				b.stats.Frames++
			}
		}
		if busy && !b.ses.Busy() {
			e := b.ses.entries[len(b.ses.entries)-1]
			ended = &e
			break
		}
	}
	return frames, ended, b.write(frames, now)
}

func (b *Bench) write(frames []byte, now time.Time) error {
	if b.line == nil {
		b.stats.BytesLost += uint64(len(frames))
		return nil
	}
	b.stats.BytesLost += uint64(b.line.discard(now))
	if len(frames) == 0 {
		return nil
	}
	lost, err := b.line.send(frames)
	b.stats.Bytes += uint64(len(frames) - lost)
	b.stats.BytesLost += uint64(lost)
	if err != nil {
		return fmt.Errorf("write to %s: %w", b.line.path(), err)
	}
	return nil
}

// answer answers n requests with the newest reading.
func (b *Bench) answer(n int) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.have {
		return nil
	}
	var frames []byte
	for range n {
		frames = b.opt.Scenario.Frame.Append(frames, b.last, b.opt.Scenario.Readout.Decimals)
	}
	b.stats.Requests += uint64(n)
	b.stats.Frames += uint64(n)
	return b.write(frames, time.Now())
}

// replug brings the device back behind the same link, under another number.
func (b *Bench) replug(ctx context.Context, g *errgroup.Group) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.spare == nil {
		return nil
	}
	b.line, b.spare = b.spare, nil
	b.listen(ctx, g, b.line)
	if b.opt.Link == "" {
		return nil
	}
	return setLink(b.opt.Link, b.line.path())
}
