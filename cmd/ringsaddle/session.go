package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"ringsaddle/acquire"
	"ringsaddle/api"
	"ringsaddle/calibrate"
	"ringsaddle/detect"
	"ringsaddle/storage"
)

// session walks the plan of the set that is open on one station. One goroutine
// (Run) owns the state; everybody else asks it through do and reads snapshots. It
// commits first and announces afterwards.
type session struct {
	station  string
	cfg      stationConfig
	clock    stationClock
	store    *storage.Store
	newID    func() string
	log      zerolog.Logger
	announce func() // the journal has grown
	requests chan request
	ended    chan struct{} // closed when Run returns

	open atomic.Pointer[calibrate.State] // nil: no set is open
	now  atomic.Pointer[manualSource]

	// owned by Run
	evaluated int64 // LastSeq of the state that was evaluated last
	acted     act
}

// act is the last thing that changed where the next capture goes.
type act struct {
	at int64 // station clock, ns; 0: none since the daemon started
	// person: it was a person's word about what is on the contacts now. Else the set
	// went on by itself, and who was in contact already could not know.
	person   bool
	question string
}

// doubt returns the question to put for a capture that may have been made before the
// act; empty if there is none.
func (a act) doubt(c detect.Capture) string {
	if c.EndAt < a.at || !a.person && c.StartAt < a.at {
		return a.question
	}
	return ""
}

// manualSource is what a manual capture takes: the newest reading in contact.
type manualSource struct {
	stream  acquire.Stream
	reading acquire.Reading
	contact bool
}

type request struct {
	ctx  context.Context
	run  func(context.Context) error
	done chan error
}

var errSessionEnded = errors.New("the daemon is shutting down")

func newSession(cfg stationConfig, clock stationClock, store *storage.Store, newID func() string, log zerolog.Logger, announce func()) *session {
	return &session{
		station: cfg.Name, cfg: cfg, clock: clock, store: store, newID: newID, log: log, announce: announce,
		requests: make(chan request), ended: make(chan struct{}),
	}
}

// Resume loads the set that was open when the daemon stopped, if there is one.
func (s *session) Resume(ctx context.Context) error {
	sets, err := s.store.OpenSets(ctx, s.station)
	if err != nil {
		return err
	}
	for _, set := range sets {
		events, err := s.store.Events(ctx, set.ID)
		if err != nil {
			return err
		}
		state, err := calibrate.Fold(set.ID, events)
		if err != nil {
			return fmt.Errorf("station %s: set %s cannot be resumed: %w", s.station, set.ID, err)
		}
		if state.Ended() {
			continue
		}
		s.open.Store(&state)
		s.log.Info().Str("set", set.ID).Str("status", string(state.Status)).Msg("resumed a set: " + state.Sentence)
		// The daemon may have been killed between the last capture and its result.
		if err := s.evaluateIfDue(ctx, state); err != nil {
			s.log.Error().Err(err).Str("set", state.SetID).Msg(notWorkedOut)
		}
		return nil
	}
	return nil
}

// Run serves requests until stop is closed.
func (s *session) Run(stop <-chan struct{}) error {
	defer close(s.ended)
	for {
		select {
		case r := <-s.requests:
			r.done <- r.run(r.ctx)
		case <-stop:
			return nil
		}
	}
}

// do runs f in the goroutine of Run and waits for it.
func (s *session) do(ctx context.Context, f func(context.Context) error) error {
	r := request{ctx: ctx, run: f, done: make(chan error, 1)}
	select {
	case s.requests <- r:
		return <-r.done
	case <-s.ended:
		return errSessionEnded
	case <-ctx.Done():
		return ctx.Err()
	}
}

// State returns a snapshot of the open set.
func (s *session) State() (calibrate.State, bool) {
	state := s.open.Load()
	if state == nil {
		return calibrate.State{}, false
	}
	return *state, true
}

// event returns an event at this moment.
func (s *session) event(kind calibrate.EventKind) calibrate.Event {
	return calibrate.Event{Kind: kind, At: s.clock.Now(), WallNS: s.clock.Wall()}
}

// record checks that ev is legal, commits it, and applies it.
func (s *session) record(ctx context.Context, ev calibrate.Event) error {
	state := s.open.Load()
	if _, err := calibrate.Apply(*state, ev); err != nil {
		return conflict(err)
	}
	committed, err := s.store.AppendEvent(ctx, state.SetID, ev)
	if err != nil {
		return err
	}
	return s.adopt(ctx, committed)
}

// observe records what the daemon itself has seen. A set that cannot take it now
// (paused, closed) refuses it, which is no fault of the daemon.
func (s *session) observe(ctx context.Context, ev calibrate.Event) (refusal, err error) {
	if err = s.record(ctx, ev); errors.Is(err, api.ErrConflict) {
		return err, nil
	}
	return nil, err
}

// adopt applies committed events and announces them.
func (s *session) adopt(ctx context.Context, events ...calibrate.Event) error {
	before := *s.open.Load()
	state := before
	for _, ev := range events {
		next, err := calibrate.Apply(state, ev)
		if err != nil {
			return fmt.Errorf("set %s: a committed event does not apply: %w", state.SetID, err)
		}
		if next.Status != state.Status || next.Step != state.Step {
			s.log.Info().Str("set", next.SetID).Str("status", string(next.Status)).Int("step", next.Step+1).Msg(next.Sentence)
		}
		state = next
	}
	if n := state.Step; n != before.Step && n < len(state.Steps) {
		s.acted = act{at: s.clock.Now(), question: fmt.Sprintf("This contact began before the set went on to the %s. Was this position measured?", state.Steps[n].Title)}
	}
	s.open.Store(&state)
	if err := s.evaluateIfDue(ctx, state); err != nil {
		s.log.Error().Err(err).Str("set", state.SetID).Msg(notWorkedOut)
	}
	if state.Ended() {
		s.open.Store(nil)
	}
	s.announce()
	return nil
}

const notWorkedOut = "the result could not be worked out; the captures are kept"

// conflict marks a refusal of the walker as such for the client.
func conflict(err error) error {
	var refused *calibrate.RefusedError
	if errors.As(err, &refused) {
		return fmt.Errorf("%w: %w", api.ErrConflict, err)
	}
	return err
}

// Captured commits a capture of the detector, with its event in the open set.
func (s *session) Captured(ctx context.Context, stream acquire.Stream, c detect.Capture, params detect.Params) (id string, err error) {
	err = s.do(ctx, func(ctx context.Context) error {
		id = s.newID()
		paramsJSON, err := json.Marshal(params)
		if err != nil {
			return err
		}
		rec := storage.CaptureRecord{
			ID: id, Station: s.station, StreamID: stream.ID, PlanStep: -1, Capture: c,
			Step: stream.Step, WallNS: s.clock.WallOf(c.At), Params: paramsJSON,
		}
		fact := captureFact(id, rec.WallNS, stream.ID, stream.Step, c)
		state := s.open.Load()
		if state == nil || c.Ending == detect.EndOfStream && c.Outcome != detect.OutcomeDiameter {
			return s.commitOutside(ctx, rec)
		}
		if fact.Outcome == string(detect.OutcomeDiameter) {
			fact.Question = implausible(*state, fact.Reading, s.cfg.Limits.Plausible.Length)
			fact.Question = cmp.Or(fact.Question, s.acted.doubt(c))
		}
		ev := s.event(calibrate.CaptureStored)
		ev.Capture, ev.CaptureID = &fact, id
		if _, err := calibrate.Apply(*state, ev); err != nil {
			s.log.Warn().Err(err).Str("capture", id).Msg("a capture is kept outside the set")
			return s.commitOutside(ctx, rec)
		}
		rec.SetID, rec.PlanStep = state.SetID, state.Step
		if rec.PlanStep >= len(state.Plan.Steps) {
			rec.PlanStep = -1
		}
		committed, err := s.store.CommitCapture(ctx, rec, []calibrate.Event{ev})
		if err != nil {
			return err
		}
		return s.adopt(ctx, committed...)
	})
	return id, err
}

func (s *session) commitOutside(ctx context.Context, rec storage.CaptureRecord) error {
	if _, err := s.store.CommitCapture(ctx, rec, nil); err != nil {
		return err
	}
	s.announce()
	return nil
}

// captureFact turns a detector's capture into what the walker needs of it.
func captureFact(id string, wallNS int64, streamID string, step acquire.Step, c detect.Capture) calibrate.CaptureFact {
	f := calibrate.CaptureFact{
		ID: id, StreamID: streamID, At: c.At, WallNS: wallNS, Outcome: string(c.Outcome),
		ReasonCodes: []string{}, Reasons: []string{},
	}
	for _, r := range c.Reasons {
		f.ReasonCodes = append(f.ReasonCodes, string(r.Code))
		f.Reasons = append(f.Reasons, r.Text)
	}
	if c.Outcome == detect.OutcomeDiameter {
		f.Reading = positionOf(step, c.Origin, c.Saddle)
		f.U = max(1, lengthOf(step, c.U))
	}
	return f
}

// positionOf returns origin + offset counts as a length, rounded to a picometre.
func positionOf(step acquire.Step, origin int64, offset float64) calibrate.Length {
	l, _ := calibrate.LengthFromMM(step.PositionMM(origin))
	return l + lengthOf(step, offset)
}

func lengthOf(step acquire.Step, counts float64) calibrate.Length {
	l, _ := calibrate.LengthFromMM(counts * step.MM())
	return l
}

// implausible says why a reading cannot be that of the step in hand, as far as the
// nominal diameters and the opening reference tell; empty if it can.
func implausible(state calibrate.State, reading, window calibrate.Length) string {
	ring, expected, known := state.Expected()
	if !known {
		return "" // nothing to compare with before the reference
	}
	off := reading - expected
	if off > -window && off < window {
		return ""
	}
	return fmt.Sprintf("The reading lies %[1]s mm from what ring %[2]s of %[3]g mm lets expect: look for another ring on the table, a preset pressed, changed contacts. Does this capture belong to ring %[2]s all the same?",
		strings.Replace(fmt.Sprintf("%+.3f", off.MM()), "-", "−", 1), ring.Ident, ring.Nominal.MM())
}

// Withdrawn records the deliberate withdrawal that followed the last capture.
func (s *session) Withdrawn(ctx context.Context, at int64) error {
	return s.do(ctx, func(ctx context.Context) error {
		if s.open.Load() == nil {
			return nil
		}
		ev := s.event(calibrate.WithdrawnAfter)
		ev.At, ev.WallNS = at, s.clock.WallOf(at)
		_, err := s.observe(ctx, ev) // refused when paused, or with nothing to withdraw from: no news
		return err
	})
}

// StreamOpened records that the readings come from a new stream.
func (s *session) StreamOpened(ctx context.Context, stream acquire.Stream) error {
	return s.do(ctx, func(ctx context.Context) error {
		state := s.open.Load()
		if state == nil || len(state.Captures) == 0 && !stream.UnitChanged {
			return nil
		}
		ev := s.event(calibrate.StreamChanged)
		ev.Reason, ev.VoidsReference = stream.Reason, stream.UnitChanged
		refusal, err := s.observe(ctx, ev)
		if refusal != nil {
			s.log.Warn().Err(refusal).Msg("a new stream is not noted in the set")
		}
		return err
	})
}

// Temperature records a temperature that came in a frame.
func (s *session) Temperature(ctx context.Context, fact calibrate.TemperatureFact) error {
	return s.do(ctx, func(ctx context.Context) error {
		if s.open.Load() == nil {
			return nil
		}
		ev := s.event(calibrate.Conditions)
		ev.Temperatures = []calibrate.TemperatureFact{fact}
		_, err := s.observe(ctx, ev)
		return err
	})
}

// Start begins a set.
func (s *session) Start(ctx context.Context, o api.SetOrder, rings ringSource) (id string, err error) {
	err = s.do(ctx, func(ctx context.Context) error {
		if state := s.open.Load(); state != nil {
			return fmt.Errorf("%w: set %s is open on station %s; close or abort it first", api.ErrConflict, state.SetID, s.station)
		}
		plan, involved, err := planOf(ctx, o, rings)
		if err != nil {
			return err
		}
		day := time.Unix(0, s.clock.Wall()).Format(time.DateOnly)
		check := calibrate.PlanContext{
			RangeLow: s.cfg.Instrument.RangeMin.Length, RangeHigh: s.cfg.Instrument.RangeMax.Length,
			Day: day, OverdueReason: o.OverdueReason,
		}
		if err := plan.Validate(involved, check); err != nil {
			return api.Refuse(err)
		}
		ev := s.event(calibrate.SetStarted)
		ev.By, ev.Reason, ev.Plan, ev.Rings = o.Technician, o.OverdueReason, &plan, involved
		setup := s.setup(day, involved)
		ev.Setup, ev.Checks = &setup, o.Checks
		id = s.newID()
		if _, err := calibrate.Apply(calibrate.NewState(id), ev); err != nil {
			return api.Refuse(err)
		}
		_, committed, err := s.store.CreateSet(ctx, storage.SetRecord{ID: id, Station: s.station, By: o.Technician}, ev)
		if err != nil {
			return err
		}
		fresh := calibrate.NewState(id)
		s.open.Store(&fresh)
		s.evaluated = 0
		if err := s.adopt(ctx, committed); err != nil {
			return err
		}
		if len(o.Temperatures) > 0 {
			t := s.event(calibrate.Conditions)
			t.By, t.Temperatures = o.Technician, stampTemperatures(o.Temperatures, t.WallNS)
			return s.record(ctx, t)
		}
		return nil
	})
	return id, err
}

func (s *session) setup(day string, rings []calibrate.Ring) calibrate.Setup {
	scale := s.cfg.Instrument.ScaleMaterial
	return calibrate.Setup{
		StationID: s.station, ReadingSign: int64(s.cfg.Readout.Sign), ScaleMaterial: scale,
		Expansions: calibrate.ExpansionsOf(rings, scale, nil),
		Day:        day, AssumedTemperature: s.cfg.Instrument.AssumedTemperatureU.Temperature,
	}
}

// stampTemperatures gives facts without a time that of now.
func stampTemperatures(facts []calibrate.TemperatureFact, wallNS int64) []calibrate.TemperatureFact {
	out := make([]calibrate.TemperatureFact, len(facts))
	for i, f := range facts {
		if f.WallNS == 0 {
			f.WallNS = wallNS
		}
		if f.Source == "" {
			f.Source = "typed"
		}
		out[i] = f
	}
	return out
}

// ringSource looks rings up; absent ones wrap fs.ErrNotExist.
type ringSource func(ctx context.Context, id string) (calibrate.Ring, error)

// planOf makes the plan that a person asked for.
func planOf(ctx context.Context, o api.SetOrder, rings ringSource) (calibrate.Plan, []calibrate.Ring, error) {
	var errs []error
	find := func(field, id string) calibrate.Ring {
		r, err := rings(ctx, id)
		if errors.Is(err, fs.ErrNotExist) {
			err = &api.Refusal{Field: field, Value: id, Permitted: "the id of a ring in the register", Text: "this ring is not known; register it first"}
		}
		errs = append(errs, err)
		return r
	}
	master := find("master_id", o.MasterID)
	involved := []calibrate.Ring{master}
	plan := calibrate.Plan{ClosingLimit: o.ClosingLimit}
	reference := calibrate.PlanStep{Role: calibrate.Opening, RingID: master.ID, Repeats: o.Repeats}
	if c := master.Certificate; c != nil {
		reference.Height, reference.Direction = c.Height, c.Direction
	}
	plan.Steps = append(plan.Steps, reference)
	for i, w := range o.Works {
		ring := find(fmt.Sprintf("works[%d].ring_id", i), w.RingID)
		involved = append(involved, ring)
		for _, p := range w.Positions {
			plan.Steps = append(plan.Steps, calibrate.PlanStep{
				Role: calibrate.Working, RingID: ring.ID, Height: p.Height, Direction: p.Direction, Repeats: o.Repeats,
			})
		}
	}
	reference.Role = calibrate.Closing
	plan.Steps = append(plan.Steps, reference)
	return plan, involved, errors.Join(errs...)
}
