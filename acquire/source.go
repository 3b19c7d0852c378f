package acquire

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"github.com/cenkalti/backoff/v5"
	"github.com/rs/zerolog"
)

// Port is an open serial line as the Source needs it. One goroutine uses it.
type Port interface {
	// Read waits for bytes until the read timeout. It returns 0 and nil when
	// none came; that is no fault. Any error means that the port is dead.
	Read(p []byte) (int, error)
	// Write sends a whole request, or returns an error within a bounded time:
	// a write that is stuck means that the port is dead.
	Write(p []byte) (int, error)
	// SetReadTimeout bounds the Reads that follow.
	SetReadTimeout(d time.Duration) error
	// Close gives the port back. The Source calls it exactly once.
	Close() error
}

// SourceConfig says how a station is read. Durations of the station (silence,
// stale, polling) run on the station clock Now; the read timeout and the pauses
// between attempts to open run on the real clock.
type SourceConfig struct {
	// Station names the bench. Required.
	Station string
	// PortLabel names port and line settings in messages, such as
	// "/dev/ttyUSB0, 9600 baud 8N1".
	PortLabel string
	// Open opens the port. Required. It is called again at every reconnect.
	Open func(ctx context.Context) (Port, error)
	// Decoder decodes frames. Nil: bytes are counted and given to OnBytes, and
	// nothing reaches the tape.
	Decoder Decoder
	// Tape takes the readings. Required with a Decoder.
	Tape *Tape

	// Now is the station clock in ns; nil means BootClock. WallNow is the Unix
	// time in ns; nil means WallClock. BootID identifies the boot whose clock Now
	// counts.
	Now, WallNow func() int64
	BootID       string
	// NewID makes the ids of streams; nil means UUIDv7.
	NewID func() string
	// Previous is the last stream of this station that was stored, or zero. Only
	// its Step matters: with it a restart of the program notices that the readout
	// changed its unit or decimals meanwhile, as a reconnect does.
	Previous Stream

	// SilenceAfter is the time without a valid frame after which a Silence is
	// marked; 0 means never.
	SilenceAfter time.Duration
	// StaleAfter is the time of one unchanged reading after which it is called
	// stale; 0 means never.
	StaleAfter time.Duration

	// PollRequest is sent every PollInterval to a readout that only answers;
	// empty for one that streams by itself. The next request goes out when the
	// answer has come or PollAnswer (0: one second) has passed.
	PollRequest              []byte
	PollInterval, PollAnswer time.Duration

	// ReadTimeout bounds one Read, and so the time to notice silence and the end
	// of the context; 0 means 50 ms.
	ReadTimeout time.Duration
	// BackoffMin and BackoffMax bound the pauses between attempts to open the
	// port; 0 means 250 ms and 5 s. The pause doubles from the one to the other,
	// with a random part of ±20 %.
	BackoffMin, BackoffMax time.Duration
	// LogInterval is the least time between two log lines about a port that
	// stays away; 0 means one minute. The line tells the attempts in between.
	LogInterval time.Duration

	// OnEvent, OnFrame, OnTemperature and OnBytes are called from the goroutine
	// of Run and must not block: what they do delays the next Read. They may call
	// Stats. OnBytes gets the bytes of every Read and, with nil bytes, every
	// opening and loss of the port; the bytes are valid during the call only.
	OnEvent       func(Event)
	OnFrame       func(FrameReport)
	OnTemperature func(TemperatureSample)
	OnBytes       func(Chunk)

	// Log takes events and connection trouble; never a line per reading.
	Log zerolog.Logger
}

// Validate reports all faults of the configuration at once.
func (c SourceConfig) Validate() error {
	var errs []error
	fault := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if c.Station == "" {
		fault("station: a name is missing")
	}
	if c.Open == nil {
		fault("open: a function that opens the port is missing")
	}
	if c.Decoder != nil && c.Tape == nil {
		fault("tape: missing; decoded readings have nowhere to go")
	}
	if c.Decoder != nil && len(c.Decoder.Terminator()) == 0 {
		fault("decoder: the terminator is empty; at least one byte is needed")
	}
	for _, d := range []struct {
		name string
		v    time.Duration
	}{
		{"silence_after", c.SilenceAfter},
		{"stale_after", c.StaleAfter},
		{"poll_interval", c.PollInterval},
		{"poll_answer", c.PollAnswer},
		{"read_timeout", c.ReadTimeout},
		{"backoff_min", c.BackoffMin},
		{"backoff_max", c.BackoffMax},
		{"log_interval", c.LogInterval},
	} {
		if d.v < 0 {
			fault("%s: %s is negative; permitted: 0 (the default) and above", d.name, d.v)
		}
	}
	if c.BackoffMin > 0 && c.BackoffMax > 0 && c.BackoffMin > c.BackoffMax {
		fault("backoff_min: %s is above backoff_max %s", c.BackoffMin, c.BackoffMax)
	}
	if len(c.PollRequest) > 0 && c.PollInterval <= 0 {
		fault("poll_interval: missing; a polled readout needs the time between two requests")
	}
	if len(c.PollRequest) > maxRequest {
		fault("poll request: %d bytes; permitted: at most %d", len(c.PollRequest), maxRequest)
	}
	if len(c.PollRequest) == 0 && c.PollInterval > 0 {
		fault("poll_interval: %s is given but no request to send", c.PollInterval)
	}
	if len(c.PollRequest) > 0 && c.SilenceAfter > 0 && c.SilenceAfter <= c.PollInterval {
		fault("silence_after: %s is not above poll_interval %s: every reading would be followed by a silence",
			c.SilenceAfter, c.PollInterval)
	}
	return errors.Join(errs...)
}

const (
	maxRequest       = 256 // bytes; fits any line's output buffer
	readBuffer       = 4096
	emptyReadsInARow = 1000 // Reads that return at once with nothing: a dead port
)

// Source owns the port of one station from open to close: it reads, frames,
// decodes and appends to the tape, and opens the port again, with growing
// pauses, whenever it is lost.
type Source struct {
	cfg    SourceConfig
	intake *intake

	// of Run's goroutine
	openings uint64
	buf      []byte

	mu   sync.Mutex
	snap snapshot
}

// NewSource checks the configuration and returns a source. It does no I/O.
func NewSource(cfg SourceConfig) (*Source, error) {
	if err := cfg.Validate(); err != nil {
		return nil, fmt.Errorf("source %q: %w", cfg.Station, err)
	}
	cfg = cfg.withDefaults()
	s := &Source{cfg: cfg, buf: make([]byte, readBuffer)}
	in := &intake{
		station: cfg.Station, bootID: cfg.BootID, portLabel: cfg.PortLabel,
		decoder: cfg.Decoder, silenceAfter: int64(cfg.SilenceAfter), staleAfter: int64(cfg.StaleAfter),
		newID:   cfg.NewID,
		wall:    func(at int64) int64 { return cfg.WallNow() - (cfg.Now() - at) },
		onFrame: cfg.OnFrame, onEvent: s.event, onTemperature: cfg.OnTemperature,
		step: cfg.Previous.Step, hasStep: cfg.Previous.Step.Valid(),
	}
	if cfg.Tape != nil {
		in.sink = cfg.Tape
	} else {
		in.silenceAfter = 0 // no tape to mark it on
	}
	in.framer = framerFor(cfg.Decoder)
	s.intake = in
	in.snapshot(&s.snap)
	return s, nil
}

func framerFor(d Decoder) *Framer {
	if d == nil {
		return NewFramer(nil, 1)
	}
	return NewFramer(d.Terminator(), d.MaxFrame())
}

func (c SourceConfig) withDefaults() SourceConfig {
	set := func(d *time.Duration, v time.Duration) {
		if *d == 0 {
			*d = v
		}
	}
	set(&c.PollAnswer, time.Second)
	set(&c.ReadTimeout, 50*time.Millisecond)
	set(&c.BackoffMin, min(250*time.Millisecond, max(c.BackoffMax, 0)))
	set(&c.BackoffMin, 250*time.Millisecond)
	set(&c.BackoffMax, max(5*time.Second, c.BackoffMin))
	set(&c.LogInterval, time.Minute)
	if c.Now == nil {
		c.Now = BootClock
	}
	if c.WallNow == nil {
		c.WallNow = WallClock
	}
	if c.NewID == nil {
		c.NewID = newUUID
	}
	if c.PortLabel == "" {
		c.PortLabel = "the port"
	}
	return c
}

// Stats returns a snapshot. Any goroutine may call it.
func (s *Source) Stats() SourceStats {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.snap.stats()
}

func (s *Source) publish() {
	s.mu.Lock()
	s.intake.snapshot(&s.snap)
	s.mu.Unlock()
}

// Run reads the port until the context ends, and then returns nil. It closes
// the port, and leaves the tape open. A port that is missing or lost is no
// error: it is tried again for as long as the context lives.
func (s *Source) Run(ctx context.Context) error {
	pause := &backoff.ExponentialBackOff{
		InitialInterval: s.cfg.BackoffMin, MaxInterval: s.cfg.BackoffMax,
		Multiplier: 2, RandomizationFactor: 0.2,
	}
	trouble := trouble{every: s.cfg.LogInterval, log: s.cfg.Log.With().
		Str("station", s.cfg.Station).Str("port", s.cfg.PortLabel).Logger()}
	why := "opened"
	for ctx.Err() == nil {
		port, err := s.cfg.Open(ctx)
		if err != nil {
			if ctx.Err() != nil {
				return nil
			}
			s.intake.work.OpenFailures++
			if trouble.note(err) {
				s.event(Event{Kind: PortLost, At: s.cfg.Now(), Text: fmt.Sprintf("%s: %v", s.cfg.Station, err)})
			}
			s.publish()
			s.wait(ctx, pause.NextBackOff())
			continue
		}
		s.opened(why)
		openedAt := time.Now()
		err = s.read(ctx, port, func() { // bytes came
			trouble.over()
			if time.Since(openedAt) >= s.cfg.BackoffMax {
				pause.Reset() // not a port that comes and goes
			}
		})
		s.closed(port, err)
		if ctx.Err() != nil {
			return nil
		}
		if trouble.note(err) {
			s.event(Event{Kind: PortLost, At: s.cfg.Now(), Text: fmt.Sprintf("%s: the port was lost: %v", s.cfg.Station, err)})
		}
		why = "reopened after the port was lost"
		s.wait(ctx, pause.NextBackOff())
	}
	return nil
}

func (s *Source) opened(why string) {
	at := s.cfg.Now()
	s.openings++
	if s.openings > 1 {
		s.intake.work.Reconnects++
	}
	s.intake.work.Connected = true
	s.intake.opened(at, why)
	if s.cfg.OnBytes != nil {
		s.cfg.OnBytes(Chunk{Kind: ChunkOpened, At: at, WallNS: s.cfg.WallNow(), Text: why})
	}
	s.event(Event{Kind: PortOpened, At: at, Text: fmt.Sprintf("%s: %s %s", s.cfg.Station, s.cfg.PortLabel, why)})
	s.publish()
}

func (s *Source) closed(port Port, why error) {
	at := s.cfg.Now()
	s.intake.work.Connected = false
	s.intake.lost(at)
	if s.cfg.OnBytes != nil {
		text := "closed"
		if why != nil {
			text = why.Error()
		}
		s.cfg.OnBytes(Chunk{Kind: ChunkLost, At: at, Text: text})
	}
	if err := port.Close(); err != nil {
		// Nothing can be lost with it: the port is not used again.
		s.cfg.Log.Debug().Err(err).Str("station", s.cfg.Station).Msg("closing the port")
	}
	s.publish()
}

// wait pauses on the real clock and keeps the watch for silence.
func (s *Source) wait(ctx context.Context, d time.Duration) {
	for d > 0 && ctx.Err() == nil {
		slice := min(d, s.cfg.ReadTimeout)
		d -= slice
		t := time.NewTimer(slice)
		select {
		case <-t.C:
		case <-ctx.Done():
			t.Stop()
		}
		s.intake.tick(s.cfg.Now())
		s.publish()
	}
}

// read reads the open port until it dies (an error) or the context ends (nil).
// sound is called when bytes arrived.
func (s *Source) read(ctx context.Context, port Port, sound func()) error {
	if err := port.SetReadTimeout(s.cfg.ReadTimeout); err != nil {
		return fmt.Errorf("set the read timeout: %w", err)
	}
	poll := poller{
		request: s.cfg.PollRequest, interval: int64(s.cfg.PollInterval), answer: int64(s.cfg.PollAnswer),
		next: s.cfg.Now(),
	}
	timeout, empty := s.cfg.ReadTimeout, 0
	for ctx.Err() == nil {
		if len(poll.request) > 0 {
			if err := poll.send(port, s.cfg.Now(), &s.intake.work); err != nil {
				return err
			}
			if t := poll.timeout(s.cfg.Now(), s.cfg.ReadTimeout); t != timeout {
				timeout = t
				if err := port.SetReadTimeout(t); err != nil {
					return fmt.Errorf("set the read timeout: %w", err)
				}
			}
		}
		begun := time.Now()
		n, err := port.Read(s.buf)
		at := s.cfg.Now()
		if n > 0 {
			empty = 0
			sound()
			if s.cfg.OnBytes != nil {
				s.cfg.OnBytes(Chunk{Kind: ChunkBytes, At: at, Bytes: s.buf[:n]})
			}
			frames := s.intake.frames
			s.intake.feed(at, s.buf[:n])
			if s.intake.frames != frames {
				poll.answered()
			}
		} else if err == nil {
			s.intake.tick(at)
			if time.Since(begun) < timeout/10 {
				if empty++; empty >= emptyReadsInARow {
					return errors.New("reads return at once without bytes: the port is hung up")
				}
				time.Sleep(time.Millisecond)
			} else {
				empty = 0
			}
		}
		s.publish()
		if err != nil {
			if errors.Is(err, io.EOF) {
				return errors.New("the port hung up (end of file)")
			}
			return fmt.Errorf("read: %w", err)
		}
	}
	return nil
}

// event logs an event and passes it on.
func (s *Source) event(e Event) {
	switch e.Kind {
	case FellSilent, OnlyGarbage:
		s.cfg.Log.Warn().Str("station", s.cfg.Station).Str("event", e.Kind.String()).Msg(e.Text)
	case PortLost: // logged by trouble
	case PortOpened:
		s.cfg.Log.Debug().Str("station", s.cfg.Station).Str("event", e.Kind.String()).Msg(e.Text)
	case StreamOpened:
		line := s.cfg.Log.Info()
		if e.Stream.UnitChanged {
			line = s.cfg.Log.Warn()
		}
		line.Str("station", s.cfg.Station).Str("event", e.Kind.String()).Str("stream", e.Stream.ID).Msg(e.Text)
	default:
		s.cfg.Log.Info().Str("station", s.cfg.Station).Str("event", e.Kind.String()).Msg(e.Text)
	}
	if s.cfg.OnEvent != nil {
		s.cfg.OnEvent(e)
	}
}
