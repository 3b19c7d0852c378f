package main

import (
	"context"
	"fmt"
	"io/fs"

	"ringsaddle/acquire"
	"ringsaddle/api"
	"ringsaddle/calibrate"
	"ringsaddle/detect"
	"ringsaddle/storage"
)

// Act applies one action of a person to the open set.
func (s *session) Act(ctx context.Context, setID string, a api.Action) error {
	return s.do(ctx, func(ctx context.Context) error {
		state := s.open.Load()
		if state == nil || state.SetID != setID {
			if _, err := s.store.Set(ctx, setID); err != nil {
				return err
			}
			return fmt.Errorf("%w: the set has ended; what was recorded stays as it is", api.ErrConflict)
		}
		before := *state
		if err := s.act(ctx, before, a); err != nil {
			return err
		}
		if after, open := s.State(); open && a.Kind != api.ActManual {
			s.noteAct(before, after)
		}
		return nil
	})
}

func (s *session) act(ctx context.Context, state calibrate.State, a api.Action) error {
	switch a.Kind {
	case api.ActManual:
		return s.manual(ctx, state, a)
	case api.ActRedo:
		return s.redo(ctx, state, a)
	}
	ev, err := s.eventOf(state, a)
	if err != nil {
		return err
	}
	return s.record(ctx, ev)
}

// noteAct remembers an act by which the next capture goes elsewhere. A contact that
// had ended before is announced some tenths of a second late, or much later if its
// capture waits for room on the disk; it may then belong to the ring or position
// before.
func (s *session) noteAct(before, after calibrate.State) {
	if after.Step >= len(after.Steps) {
		return
	}
	step := after.Steps[after.Step]
	switch {
	case before.ConfirmRing != "" && before.ConfirmRing != after.ConfirmRing && before.Step == after.Step:
		s.acted = act{s.clock.Now(), true, fmt.Sprintf("The contacts had left the ring before %[1]s was confirmed. Was it ring %[1]s that was measured?", step.Ident)}
	case before.Step != after.Step:
		s.acted = act{s.clock.Now(), true, fmt.Sprintf("The contacts had left the ring before the set went on to the %s. Was this position measured?", step.Title)}
	}
}

// eventOf translates an action that is a single event.
func (s *session) eventOf(state calibrate.State, a api.Action) (calibrate.Event, error) {
	kinds := map[api.ActionKind]calibrate.EventKind{
		api.ActPause: calibrate.Paused, api.ActResume: calibrate.Resumed, api.ActAbort: calibrate.Aborted,
		api.ActClose: calibrate.SetClosed, api.ActConfirm: calibrate.RingConfirmed, api.ActAnswer: calibrate.Answered,
		api.ActAgain: calibrate.SameAgain, api.ActMove: calibrate.MovedTo, api.ActRelabel: calibrate.Relabelled,
		api.ActTemperatures: calibrate.Conditions, api.ActReject: calibrate.Rejected,
	}
	kind, known := kinds[a.Kind]
	if !known {
		return calibrate.Event{}, &api.Refusal{Field: "kind", Value: string(a.Kind), Text: "this action is not known"}
	}
	ev := s.event(kind)
	ev.By, ev.Reason, ev.Step, ev.CaptureID, ev.RingID, ev.Accept = a.By, a.Reason, a.Step, a.CaptureID, a.RingID, a.Accept
	if a.Kind == api.ActAgain && a.Step < 0 {
		ev.Step = min(state.Step, len(state.Plan.Steps)-1)
	}
	if a.Kind == api.ActAnswer && state.Asking != nil && ev.CaptureID == "" {
		ev.CaptureID = state.Asking.CaptureID
	}
	if a.Kind == api.ActTemperatures {
		ev.Temperatures = stampTemperatures(a.Temperatures, ev.WallNS)
	}
	if ev.CaptureID != "" {
		if _, ok := state.Capture(ev.CaptureID); !ok {
			return ev, fmt.Errorf("capture %s in set %s: %w", ev.CaptureID, state.SetID, fs.ErrNotExist)
		}
	}
	return ev, nil
}

// redo asks for one more capture at the step of a capture, and goes there.
func (s *session) redo(ctx context.Context, state calibrate.State, a api.Action) error {
	c, ok := state.Capture(a.CaptureID)
	if !ok {
		return fmt.Errorf("capture %s in set %s: %w", a.CaptureID, state.SetID, fs.ErrNotExist)
	}
	if c.Step < 0 {
		return fmt.Errorf("%w: the capture belongs to no step; relabel it first", api.ErrConflict)
	}
	ev := s.event(calibrate.SameAgain)
	ev.By, ev.Reason, ev.Step, ev.CaptureID = a.By, a.Reason, c.Step, a.CaptureID
	return s.record(ctx, ev)
}

// manual commits the reading as it is now, taken by a person.
func (s *session) manual(ctx context.Context, state calibrate.State, a api.Action) error {
	source := s.now.Load()
	if source == nil || !source.contact {
		return fmt.Errorf("%w: nothing rests on the contacts; bring the ring into settled contact first", api.ErrConflict)
	}
	u := a.U
	if u == 0 {
		u = manualU
	}
	step, r := source.stream.Step, source.reading
	id := s.newID()
	reading, _ := calibrate.LengthFromMM(step.PositionMM(r.X))
	fact := calibrate.CaptureFact{
		ID: id, StreamID: source.stream.ID, At: r.At, WallNS: s.clock.WallOf(r.At), Outcome: calibrate.OutcomeManual,
		Reading: reading, U: u, Manual: true, ReasonCodes: []string{}, Reasons: []string{},
	}
	fact.Question = implausible(state, reading, s.cfg.Limits.Plausible.Length)
	ev := s.event(calibrate.CaptureStored)
	ev.By, ev.Reason, ev.CaptureID, ev.Capture = a.By, a.Reason, id, &fact
	if _, err := calibrate.Apply(state, ev); err != nil {
		return conflict(err)
	}
	rec := storage.CaptureRecord{
		ID: id, Station: s.station, StreamID: source.stream.ID, SetID: state.SetID, PlanStep: min(state.Step, len(state.Plan.Steps)-1),
		Step: step, WallNS: fact.WallNS, Manual: true, By: a.By,
		Capture: detect.Capture{
			FirstSeq: r.Seq, LastSeq: r.Seq, StartAt: r.At, EndAt: r.At, At: r.At, Origin: r.X,
			Outcome: calibrate.OutcomeManual, U: u.MM() / step.MM(),
			Reasons: []detect.Reason{{Code: "manual", Text: "The person took this reading: " + a.Reason}},
		},
	}
	committed, err := s.store.CommitCapture(ctx, rec, []calibrate.Event{ev})
	if err != nil {
		return err
	}
	return s.adopt(ctx, committed...)
}

// manualU is the standard uncertainty of a reading taken by eye: half a micrometre
// covers the last twitch of the hand (common practice, no source).
const manualU = calibrate.Micrometre / 2

// Newest tells the session what a manual capture would take.
func (s *session) Newest(stream acquire.Stream, r acquire.Reading, contact bool) {
	s.now.Store(&manualSource{stream: stream, reading: r, contact: contact})
}

// evaluateIfDue works out the result of a set that waits for nothing more, and
// stores it as a new revision. It does so once for each such state.
func (s *session) evaluateIfDue(ctx context.Context, state calibrate.State) error {
	if !due(state) || s.evaluated == state.LastSeq || state.Closed && s.evaluated != 0 {
		return nil
	}
	outcome, err := evaluateState(state, s.cfg)
	if err != nil {
		return err
	}
	s.evaluated = state.LastSeq
	return putResult(ctx, s.store, state, outcome)
}

// due reports whether a set waits for nothing more, so that it has a result.
func due(state calibrate.State) bool {
	return state.Status == calibrate.WalkFinished || state.Status == calibrate.WalkNotAccepted
}
