package acquiretest

import (
	"context"
	"errors"
	"io"
	"io/fs"
	"sync"
	"sync/atomic"
	"time"

	"ringsaddle/acquire"
)

// ErrOver is returned by Player.Open when the recording is over.
var ErrOver = errors.New("the recording is over")

// Options say how a recording is played.
type Options struct {
	// Speed is how many times faster than recorded the bytes come; 0 plays as
	// fast as they are read. A test within testing/synctest plays at 1 and takes
	// no time.
	Speed float64
	// ReadSize returns the most bytes that the next Read delivers; nil delivers
	// as much as the reader has room for. It never joins what was recorded apart.
	ReadSize func() int
	// Writes takes what the source writes; nil drops it.
	Writes io.Writer
}

// Player plays a recording as a port. Its Open and Now are what
// acquire.SourceConfig wants: a loss of the port in the recording is a loss of
// the port for the source, and the next Open goes on behind it. So is a place
// where the recorder missed bytes.
type Player struct {
	opt  Options
	now  atomic.Int64 // the station clock: the time of what was delivered last
	wall atomic.Int64 // Unix time minus station clock

	mu     sync.Mutex // between Open, Read and Finished
	chunks []acquire.Chunk
	next   int
	rest   []byte // of the chunk being delivered
	open   bool
	endAt  int64 // when recording ended
	ended  bool  // the clock shows it
	done   chan struct{}
	over   bool
}

// NewPlayer returns a player. Reading a recording that lacks its opening is
// legal.
func NewPlayer(rec acquire.Recording, opt Options) *Player {
	p := &Player{opt: opt, chunks: rec.Chunks, done: make(chan struct{})}
	if n := len(rec.Chunks); n > 0 {
		p.now.Store(rec.Chunks[0].At)
		p.endAt = rec.Chunks[n-1].At
	}
	if rec.Complete {
		p.endAt = rec.EndAt
	}
	return p
}

// Now is the station clock of the recording.
func (p *Player) Now() int64 { return p.now.Load() }

// WallNow is the Unix time of the recording.
func (p *Player) WallNow() int64 { return p.now.Load() + p.wall.Load() }

// Done is closed when everything was delivered and the source asked for more.
func (p *Player) Done() <-chan struct{} { return p.done }

// Open opens the port: it returns ErrOver at the end of the recording.
func (p *Player) Open(ctx context.Context) (acquire.Port, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.open {
		return nil, errors.New("the port is open already: a source must close it first")
	}
	for p.next < len(p.chunks) && p.chunks[p.next].Kind == acquire.ChunkLost {
		p.next++
	}
	if p.next >= len(p.chunks) {
		p.finish()
		return nil, ErrOver // the port was lost at the end
	}
	if c := p.chunks[p.next]; c.Kind == acquire.ChunkOpened {
		if err := p.until(ctx, c.At); err != nil {
			return nil, err
		}
		p.now.Store(c.At)
		p.wall.Store(c.WallNS - c.At)
		p.next++
	}
	p.open = true
	return &port{player: p}, nil
}

// until waits for the time of a chunk, at the speed of the player.
func (p *Player) until(ctx context.Context, at int64) error {
	wait := p.realTime(at - p.now.Load())
	if wait <= 0 {
		return ctx.Err()
	}
	t := time.NewTimer(wait)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// realTime returns how long a time of the recording takes to play.
func (p *Player) realTime(ns int64) time.Duration {
	if p.opt.Speed <= 0 {
		return 0
	}
	return time.Duration(float64(ns) / p.opt.Speed)
}

// finish puts the clock to the end of the recording and, once the source has
// had the chance to see it, is over.
func (p *Player) finish() {
	if !p.ended {
		p.ended = true
		p.now.Store(p.endAt)
		return
	}
	if !p.over {
		p.over = true
		close(p.done)
	}
}

// port is the open player.
type port struct {
	player  *Player
	timeout time.Duration
	closed  bool
}

func (o *port) SetReadTimeout(d time.Duration) error {
	o.timeout = d
	return nil
}

// Read delivers at most one chunk, and sets the clock to its time.
func (o *port) Read(b []byte) (int, error) {
	p := o.player
	p.mu.Lock()
	defer p.mu.Unlock()
	if o.closed {
		return 0, fs.ErrClosed
	}
	if len(p.rest) == 0 {
		for p.next < len(p.chunks) && p.chunks[p.next].Kind == acquire.ChunkBytes && len(p.chunks[p.next].Bytes) == 0 {
			p.next++
		}
		if p.next >= len(p.chunks) {
			if wait := p.realTime(p.endAt - p.now.Load()); wait > 0 && !p.ended {
				time.Sleep(wait)
			}
			p.finish()
			time.Sleep(o.timeout)
			return 0, nil
		}
		c := p.chunks[p.next]
		if wait := p.realTime(c.At - p.now.Load()); wait > o.timeout {
			time.Sleep(o.timeout)
			p.now.Add(int64(float64(o.timeout) * p.opt.Speed))
			return 0, nil
		} else if wait > 0 {
			time.Sleep(wait)
		}
		p.now.Store(c.At)
		switch c.Kind {
		case acquire.ChunkOpened: // a loss that was not recorded
			return 0, io.EOF
		case acquire.ChunkLost:
			p.next++
			return 0, io.EOF
		case acquire.ChunkMissed:
			// The halves of two frames must not be joined into one.
			p.next++
			return 0, io.ErrUnexpectedEOF
		}
		p.rest = c.Bytes
		p.next++
	}
	n := len(b)
	if p.opt.ReadSize != nil {
		n = min(n, max(p.opt.ReadSize(), 1))
	}
	n = copy(b[:n], p.rest)
	p.rest = p.rest[n:]
	return n, nil
}

func (o *port) Write(b []byte) (int, error) {
	if o.player.opt.Writes == nil {
		return len(b), nil
	}
	return o.player.opt.Writes.Write(b)
}

func (o *port) Close() error {
	o.player.mu.Lock()
	defer o.player.mu.Unlock()
	if o.closed {
		return errors.New("the port was closed twice")
	}
	o.closed = true
	o.player.open = false
	o.player.rest = nil
	return nil
}
