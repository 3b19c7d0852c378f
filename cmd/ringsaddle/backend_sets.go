package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"ringsaddle/api"
	"ringsaddle/calibrate"
	"ringsaddle/storage"
)

// folded is a set with its state.
type folded struct {
	storage.SetRecord
	state calibrate.State
	ended time.Time // zero while the set takes events
}

// fold returns a set as its events tell: from the session while it is open, else
// from the journal.
func (b backend) fold(ctx context.Context, set storage.SetRecord) (folded, error) {
	if s, ok := b.d.station(set.Station); ok {
		if state, open := s.session.State(); open && state.SetID == set.ID {
			return folded{SetRecord: set, state: state}, nil
		}
	}
	events, err := b.d.store.Events(ctx, set.ID)
	if err != nil {
		return folded{}, err
	}
	f := folded{SetRecord: set}
	if f.state, err = calibrate.Fold(set.ID, events); err != nil {
		return folded{}, err
	}
	if f.state.Ended() {
		f.ended = time.Unix(0, events[len(events)-1].WallNS)
	}
	return f, nil
}

func (b backend) foldByID(ctx context.Context, id string) (folded, error) {
	set, err := b.d.store.Set(ctx, id)
	if err != nil {
		return folded{}, err
	}
	return b.fold(ctx, set)
}

// Sets implements api.SetReader.
func (b backend) Sets(ctx context.Context, f api.SetFilter) ([]api.SetSummary, error) {
	limit := f.Limit
	if f.Status != "" {
		limit = 1000 // the status is folded, not stored
	}
	records, err := b.d.store.Sets(ctx, storage.SetFilter{Station: f.Station, RingID: f.RingID, Limit: limit})
	if err != nil {
		return nil, err
	}
	out := []api.SetSummary{}
	for _, r := range records {
		set, err := b.fold(ctx, r)
		if err != nil {
			return nil, err
		}
		if f.Status == "" || string(set.state.Status) == f.Status {
			out = append(out, set.summary())
		}
		if len(out) == f.Limit {
			break
		}
	}
	return out, nil
}

func (f folded) summary() api.SetSummary {
	s := f.state
	out := api.SetSummary{
		ID: f.ID, Station: f.Station, Technician: s.By, Status: string(s.Status), Closed: s.Closed,
		Started: time.Unix(0, s.WallNS), Ended: f.ended, Steps: len(s.Steps), WorkIdents: []string{},
	}
	for _, st := range s.Steps {
		if st.Done {
			out.StepsDone++
		}
	}
	for _, ring := range s.Rings {
		if ring.Kind == calibrate.Master {
			out.MasterIdent = ring.Ident
		} else {
			out.WorkIdents = append(out.WorkIdents, ring.Ident)
		}
	}
	return out
}

// Set implements api.SetReader.
func (b backend) Set(ctx context.Context, id string) (api.Set, error) {
	set, err := b.foldByID(ctx, id)
	if err != nil {
		return api.Set{}, err
	}
	captures, err := b.d.store.Captures(ctx, storage.CaptureFilter{SetID: id, Limit: 10_000})
	if err != nil {
		return api.Set{}, err
	}
	out := api.Set{ID: set.ID, Station: set.Station, Ended: set.ended, State: set.state}
	for _, c := range captures {
		out.Captures = append(out.Captures, captureOf(c, &set.state))
	}
	return out, nil
}

// Captures implements api.CaptureReader.
func (b backend) Captures(ctx context.Context, f api.CaptureFilter) ([]api.Capture, error) {
	limit := f.Limit
	if f.Outcome != "" {
		limit = 10_000 // the store does not select by outcome
	}
	records, err := b.d.store.Captures(ctx, storage.CaptureFilter{Station: f.Station, SetID: f.SetID, Limit: limit})
	if err != nil {
		return nil, err
	}
	sets := map[string]*calibrate.State{"": nil}
	out := []api.Capture{}
	for _, r := range records {
		if f.Outcome != "" && string(r.Capture.Outcome) != f.Outcome {
			continue
		}
		if len(out) == f.Limit {
			break
		}
		if _, known := sets[r.SetID]; !known {
			set, err := b.foldByID(ctx, r.SetID)
			if err != nil {
				return nil, err
			}
			sets[r.SetID] = &set.state
		}
		out = append(out, captureOf(r, sets[r.SetID]))
	}
	return out, nil
}

// Capture implements api.CaptureReader.
func (b backend) Capture(ctx context.Context, id string) (api.Capture, error) {
	r, err := b.d.store.Capture(ctx, id)
	if err != nil || r.SetID == "" {
		return captureOf(r, nil), err
	}
	set, err := b.foldByID(ctx, r.SetID)
	if err != nil {
		return api.Capture{}, err
	}
	return captureOf(r, &set.state), nil
}

// captureOf joins what is stored of a capture with what its set made of it; state
// is nil outside any set.
func captureOf(r storage.CaptureRecord, state *calibrate.State) api.Capture {
	c := r.Capture
	wallOf := func(at int64) int64 { return r.WallNS + (at - c.At) }
	out := api.Capture{
		Station: r.Station, SetID: r.SetID, FirstSeq: c.FirstSeq, LastSeq: c.LastSeq,
		StartNS: wallOf(c.StartAt), EndNS: wallOf(c.EndAt), Ending: c.Ending,
		Revision: c.Revision, ParamsDigest: c.ParamsDigest, Points: []api.CapturePoint{},
	}
	for _, p := range c.Points {
		out.Points = append(out.Points, api.CapturePoint{
			Adjustment: p.Adjustment, Sense: p.Sense, Seq: p.Last, WallNS: wallOf(p.At),
			Value: positionOf(r.Step, c.Origin, p.Value), U: lengthOf(r.Step, p.U), Crossings: p.Crossings,
		})
	}
	if state != nil {
		if rec, ok := state.Capture(r.ID); ok {
			out.CaptureRecord = rec
			return out
		}
	}
	out.Fact, out.Step = captureFact(r.ID, r.WallNS, r.StreamID, r.Step, c), -1
	out.Fact.Manual = r.Manual
	return out
}

// Result implements api.SetReader.
func (b backend) Result(ctx context.Context, setID string) (api.Result, error) {
	set, err := b.foldByID(ctx, setID)
	if err != nil {
		return api.Result{}, err
	}
	rec, err := b.d.store.Result(ctx, setID)
	if errors.Is(err, fs.ErrNotExist) {
		return api.Result{}, cmp.Or(b.whyNoResult(set.state), err)
	}
	if err != nil {
		return api.Result{}, err
	}
	return resultOf(rec, set.state)
}

// whyNoResult says why a set that waits for nothing more has no result; nil if it
// still waits.
func (b backend) whyNoResult(state calibrate.State) error {
	if !due(state) {
		return nil
	}
	s, err := b.station(state.Setup.StationID)
	if err != nil {
		return err
	}
	if _, err := evaluateState(state, s.cfg); err != nil {
		return fmt.Errorf("%w: the result of set %s could not be worked out; the captures are kept: %w", api.ErrConflict, state.SetID, err)
	}
	return nil
}
