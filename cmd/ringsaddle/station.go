package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"
	"golang.org/x/sync/errgroup"

	"ringsaddle/acquire"
	"ringsaddle/acquire/frame"
	"ringsaddle/acquire/serialport"
	"ringsaddle/api"
	"ringsaddle/calibrate"
	"ringsaddle/detect"
	"ringsaddle/storage"
)

// tapeCapacity is how many entries a station's tape holds: a minute at a thousand
// readings a second.
const tapeCapacity = 1 << 16

// station is one bench: source → tape → {recorder, detector, live page}, and the
// session that walks its plan.
type station struct {
	cfg      stationConfig
	clock    stationClock
	log      zerolog.Logger
	tape     *acquire.Tape
	source   *acquire.Source
	recorder *storage.Recorder
	session  *session
	cue      func(api.Cue)

	head     *acquire.Head
	stopping chan struct{} // closed when the source has ended
	sweep    atomic.Pointer[api.Sweep]
	temps    chan acquire.TemperatureSample

	problem problemText
	stats   stationStats
}

// problemText is the newest sentence about what is wrong with a port.
type problemText struct {
	mu   sync.Mutex
	text string
}

func (p *problemText) set(text string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.text = text
}

func (p *problemText) get() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.text
}

// stationDeps is what a station needs from the daemon.
type stationDeps struct {
	store     *storage.Store
	newID     func() string
	log       zerolog.Logger
	cue       func(api.Cue)
	committed func()
	previous  acquire.Stream
}

func newStation(cfg stationConfig, clock stationClock, deps stationDeps) (*station, error) {
	decoder, err := frame.New(cfg.Frame)
	if err != nil {
		return nil, err
	}
	opener, err := serialport.NewOpener(cfg.Serial, deps.log)
	if err != nil {
		return nil, err
	}
	s := &station{
		cfg: cfg, clock: clock, log: deps.log.With().Str("station", cfg.Name).Logger(),
		tape: acquire.NewTape(tapeCapacity), cue: deps.cue,
		temps: make(chan acquire.TemperatureSample, 16), stopping: make(chan struct{}),
		stats: newStationStats(),
	}
	bootID, err := acquire.BootID()
	if err != nil {
		return nil, err
	}
	s.source, err = acquire.NewSource(acquire.SourceConfig{
		Station: cfg.Name, PortLabel: cfg.Serial.Label(), Open: opener.Open, Decoder: decoder, Tape: s.tape,
		Now: clock.Now, WallNow: clock.Wall, BootID: bootID, NewID: deps.newID,
		SilenceAfter: cfg.Readout.SilenceAfter.Duration, StaleAfter: cfg.Readout.StaleAfter.Duration,
		PollRequest: decoder.Request(), PollInterval: cfg.pollInterval(),
		Previous: deps.previous, OnEvent: s.onSourceEvent, OnTemperature: s.onTemperature, Log: deps.log,
	})
	if err != nil {
		return nil, err
	}
	s.head = s.tape.NewHead("detector")
	s.recorder, err = deps.store.NewRecorder(storage.RecorderConfig{Station: cfg.Name, Streams: s.tape.StreamAt}, s.tape.NewHead("recorder"))
	if err != nil {
		return nil, err
	}
	s.session = newSession(cfg, clock, deps.store, deps.newID, s.log, deps.committed)
	return s, nil
}

// Run acquires until ctx ends, then lets every consumer read the tape to its end.
func (s *station) Run(ctx context.Context) error {
	stopSession := make(chan struct{})
	drain := context.WithoutCancel(ctx)
	var g errgroup.Group
	g.Go(func() error {
		defer close(s.stopping)
		defer s.tape.Close()
		return s.source.Run(ctx)
	})
	g.Go(func() error { return s.recorder.Run(drain) })
	g.Go(func() error { return s.session.Run(stopSession) })
	g.Go(func() error {
		defer close(stopSession)
		return s.detectLoop(drain)
	})
	g.Go(func() error { return s.temperatureLoop(ctx) })
	if err := g.Wait(); err != nil && !errors.Is(err, context.Canceled) {
		return fmt.Errorf("station %s: %w", s.cfg.Name, err)
	}
	return nil
}

// onSourceEvent notes what a person should know about the port. It runs in the
// goroutine that owns the port and does not wait.
func (s *station) onSourceEvent(e acquire.Event) {
	switch e.Kind {
	case acquire.PortLost, acquire.FellSilent, acquire.OnlyGarbage:
		s.problem.set(e.Text)
	case acquire.PortOpened, acquire.HeardAgain, acquire.StreamOpened:
		s.problem.set("")
	}
}

func (s *station) onTemperature(t acquire.TemperatureSample) {
	s.stats.temperature(t.Channel, float64(t.MicroCelsius)/1e6)
	select {
	case s.temps <- t:
	default: // the session is busy committing; the next sample is as good
	}
}

// temperatureEvery is how often a temperature from the frames is recorded in a set.
const temperatureEvery = 10 * time.Second

// temperatureLoop records temperatures that come in frames.
func (s *station) temperatureLoop(ctx context.Context) error {
	last := map[string]int64{}
	for {
		select {
		case <-ctx.Done():
			return nil
		case t := <-s.temps:
			if previous, known := last[t.Channel]; known && t.At-previous < int64(temperatureEvery) {
				continue
			}
			last[t.Channel] = t.At
			if err := s.recordTemperature(ctx, t); err != nil && !errors.Is(err, context.Canceled) {
				s.log.Error().Err(err).Str("channel", t.Channel).Msg("a temperature could not be recorded")
			}
		}
	}
}

// recordTemperature stores a sample, and notes it in the open set if it is that of
// the scale, the master, or the ring in hand.
func (s *station) recordTemperature(ctx context.Context, t acquire.TemperatureSample) error {
	err := s.session.store.PutTemperatures(ctx, storage.TemperatureRecord{
		TemperatureSample: t, Station: s.cfg.Name, WallNS: s.clock.WallOf(t.At),
		UMicroCelsius: int64(s.cfg.Instrument.ThermometerU.Temperature), Source: "frame",
	})
	if err != nil {
		return err
	}
	state, open := s.session.State()
	if !open {
		return nil
	}
	fact := calibrate.TemperatureFact{
		Value: calibrate.Temperature(t.MicroCelsius), U: s.cfg.Instrument.ThermometerU.Temperature,
		WallNS: s.clock.WallOf(t.At), Source: "frame",
	}
	switch t.Channel {
	case "scale":
	case "master":
		fact.RingID = state.Plan.Steps[0].RingID
	case "ring":
		if state.Step >= len(state.Plan.Steps) {
			return nil
		}
		fact.RingID = state.Plan.Steps[state.Step].RingID
	default:
		return nil // air: shown, not used
	}
	return s.session.Temperature(ctx, fact)
}

// detectLoop reads the tape and makes captures until the tape ends.
func (s *station) detectLoop(ctx context.Context) error {
	run := &detectRun{station: s}
	buf := make([]acquire.Reading, 512)
	for {
		n, err := s.head.Read(ctx, buf)
		var overrun *acquire.Overrun
		switch {
		case err == nil:
		case errors.As(err, &overrun):
			s.log.Warn().Uint64("from", overrun.From).Uint64("to", overrun.To).Msg("the detector fell behind; the capture in progress is given up")
			if run.detector != nil {
				if err := run.handle(ctx, run.detector.Lost(overrun.From, overrun.To)); err != nil {
					return err
				}
			}
			continue
		case errors.Is(err, io.EOF):
			if run.detector != nil {
				return run.handle(ctx, run.detector.Flush())
			}
			return nil
		default:
			return err
		}
		for i := range buf[:n] {
			if err := run.push(ctx, buf[i]); err != nil {
				return err
			}
		}
		run.publish(buf[n-1])
	}
}

// detectRun is the detector of a station with the stream it reads.
type detectRun struct {
	station  *station
	detector *detect.Detector
	stream   acquire.Stream
}

func (d *detectRun) push(ctx context.Context, r acquire.Reading) error {
	if r.Flags&acquire.StreamStart != 0 {
		if err := d.newStream(ctx, r); err != nil {
			return err
		}
	}
	if d.detector == nil {
		return nil
	}
	return d.handle(ctx, d.detector.Push(r))
}

// newStream ends an entry in progress in the old stream and begins with a fresh
// detector, so that a capture depends on the readings of one stream alone.
func (d *detectRun) newStream(ctx context.Context, r acquire.Reading) error {
	s := d.station
	if d.detector != nil {
		// Its capture must not reach into the new stream.
		if err := d.handle(ctx, d.detector.Lost(r.Seq, r.Seq)); err != nil {
			return err
		}
	}
	stream, ok := s.tape.StreamAt(r.Seq)
	if !ok {
		return nil // forgotten: more than a thousand streams ago
	}
	again := d.detector != nil
	params := s.cfg.detectParams(stream)
	detector, err := detect.New(params)
	if err != nil {
		return fmt.Errorf("stream %s: %w", stream.ID, err)
	}
	d.detector, d.stream = detector, stream
	if again || stream.UnitChanged {
		return s.session.StreamOpened(ctx, stream)
	}
	return nil
}

// detectParams returns the detector's settings for a stream of this station.
func (c stationConfig) detectParams(stream acquire.Stream) detect.Params {
	p := detect.DefaultParams(stream.Step, stream.ResolutionPM)
	if c.Readout.Sign < 0 { // the reading falls with the diameter: the extrema change sides
		for i := range p.Seeks {
			p.Seeks[i].Sense = -p.Seeks[i].Sense
		}
	}
	return p
}

// handle acts on what the detector announces.
func (d *detectRun) handle(ctx context.Context, events []detect.Event) error {
	s := d.station
	for _, e := range events {
		switch e.Kind {
		case detect.EventCaptured:
			c := *e.Capture
			id, err := d.commit(ctx, c)
			if errors.Is(err, storage.ErrTraceNotStored) {
				s.log.Error().Err(err).Msg("a capture without stored readings is not kept")
				continue
			}
			if err != nil {
				return fmt.Errorf("commit a capture: %w", err)
			}
			s.stats.captured(string(c.Outcome), s.delaysOf(c))
			s.log.Info().Str("capture", id).Str("outcome", string(c.Outcome)).Strs("reasons", reasonTexts(c.Reasons)).Msg("captured")
		case detect.EventWithdrawn:
			if err := s.session.Withdrawn(ctx, e.At); err != nil {
				return fmt.Errorf("record a withdrawal: %w", err)
			}
		}
		s.cue(d.cueOf(e))
		if e.Kind == detect.EventCaptured && e.Capture.Outcome != detect.OutcomeDiameter {
			s.cue(api.AgainCue(s.cfg.Name, e.Capture, d.detector.Params().Seeks))
		}
	}
	return nil
}

// commitLimit bounds one attempt to commit a capture, so that the session can do
// other things in between while the disk is full.
const commitLimit = 5 * time.Second

// commit stores a capture. While the disk is full it tries again: the tape keeps the
// readings meanwhile, and what it cannot keep is counted as lost.
func (d *detectRun) commit(ctx context.Context, c detect.Capture) (id string, err error) {
	s := d.station
	for attempt := 0; ; attempt++ {
		limited, cancel := context.WithTimeout(ctx, commitLimit)
		id, err = s.session.Captured(limited, d.stream, c, d.detector.Params())
		late := limited.Err() != nil
		cancel()
		full := storage.IsFull(err) || late && s.recorder.Stats().Failing
		if err == nil || !full {
			return id, err
		}
		if attempt == 0 {
			s.log.Error().Err(err).Msg("a capture waits for room on the disk of the database")
		}
		s.problem.set("The disk of the database is full: a capture waits to be stored. Free some space.")
		select {
		case <-time.After(time.Second):
		case <-s.stopping:
			return "", fmt.Errorf("the daemon stops with a capture that could not be stored: %w", err)
		}
	}
}

// delaysOf returns the seconds from each turning point of a capture to now.
func (s *station) delaysOf(c detect.Capture) []float64 {
	now := s.clock.Now()
	var out []float64
	for _, p := range c.Points {
		out = append(out, math.Max(0, float64(now-p.At)/1e9))
	}
	return out
}

func reasonTexts(reasons []detect.Reason) []string {
	out := make([]string, len(reasons))
	for i, r := range reasons {
		out[i] = r.Text
	}
	return out
}

// cueOf is an announcement for the page.
func (d *detectRun) cueOf(e detect.Event) api.Cue {
	cue := api.Cue{Station: d.station.cfg.Name, Kind: e.Kind}
	seeks := d.detector.Params().Seeks
	switch e.Kind {
	case detect.EventCaught, detect.EventRefined, detect.EventRevoked:
		cue.Adjustment = seeks[e.Seek].Adjustment
	}
	return cue
}

// publish puts a snapshot of the detector where the page finds it.
func (d *detectRun) publish(newest acquire.Reading) {
	if d.detector == nil {
		return
	}
	state := d.detector.State()
	state.Points = slices.Clone(state.Points) // the page keeps it
	params := d.detector.Params()
	sweep := &api.Sweep{State: state, Seeks: params.Seeks, CountMM: params.StepMM}
	d.station.sweep.Store(sweep)
	if newest.IsPosition() {
		d.station.session.Newest(d.stream, newest, state.Stage == detect.StageContact)
	}
}
