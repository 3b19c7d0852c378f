package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"strings"
	"time"

	"ringsaddle/acquire"
	"ringsaddle/api"
	"ringsaddle/calibrate"
	"ringsaddle/detect"
	"ringsaddle/storage"
)

// backend is what the pages stand on: it joins the stations and the store, which
// do not know the api.
type backend struct{ d *daemon }

var (
	_ api.StationReader  = backend{}
	_ api.LiveSource     = backend{}
	_ api.JournalReader  = backend{}
	_ api.SetReader      = backend{}
	_ api.SetRunner      = backend{}
	_ api.CaptureReader  = backend{}
	_ api.TraceReader    = backend{}
	_ api.RingRegister   = backend{}
	_ api.MaterialReader = backend{}
	_ api.Readiness      = backend{}
)

func (d *daemon) deps(metrics http.Handler) api.Deps {
	b := backend{d}
	return api.Deps{
		Stations: b, Live: b, Journal: b, Sets: b, Runner: b, Captures: b, Traces: b, Rings: b,
		Materials: b, Readiness: b, History: b, Metrics: metrics, Log: d.log, Version: version(),
	}
}

func (b backend) station(name string) (*station, error) {
	if s, ok := b.d.station(name); ok {
		return s, nil
	}
	return nil, fmt.Errorf("station %q: %w", name, fs.ErrNotExist)
}

// Stations implements api.StationReader.
func (b backend) Stations(ctx context.Context) ([]api.Station, error) {
	out := []api.Station{}
	for _, s := range b.d.stations {
		st, err := b.Station(ctx, s.cfg.Name)
		if err != nil {
			return nil, err
		}
		out = append(out, st)
	}
	return out, nil
}

// Station implements api.StationReader.
func (b backend) Station(_ context.Context, name string) (api.Station, error) {
	s, err := b.station(name)
	if err != nil {
		return api.Station{}, err
	}
	source := s.source.Stats()
	out := api.Station{
		Name: s.cfg.Name, Title: s.cfg.Title, Connected: source.Connected, Problem: s.problem.get(),
		Simulated: b.d.simulated, Speed: b.d.speed, Readings: source.Readings, Reconnects: source.Reconnects,
		FrameErrors: map[string]uint64{}, Lost: map[string]uint64{},
	}
	for reason, n := range source.FramesRejected {
		if n > 0 {
			out.FrameErrors[acquire.Reason(reason).String()] = n
		}
	}
	for _, head := range s.tape.Stats().Heads {
		out.Lost[head.Name] += head.Lost
	}
	if stream, ok := s.tape.Stream(); ok {
		out.Stream = &stream
	}
	if r, ok := s.tape.Latest(); ok && r.IsPosition() {
		out.Last = &r
		out.SinceLast = time.Duration(s.clock.Now() - r.At)
	}
	if state, open := s.session.State(); open {
		out.SetID = state.SetID
	}
	return out, nil
}

// Follow implements api.LiveSource.
func (b backend) Follow(name string) (api.ReadingHead, error) {
	s, err := b.station(name)
	if err != nil {
		return nil, err
	}
	return s.tape.NewHead("page"), nil
}

// StreamAt implements api.LiveSource.
func (b backend) StreamAt(name string, seq uint64) (acquire.Stream, bool) {
	s, ok := b.d.station(name)
	if !ok {
		return acquire.Stream{}, false
	}
	return s.tape.StreamAt(seq)
}

// Sweep implements api.LiveSource.
func (b backend) Sweep(name string) (api.Sweep, error) {
	s, err := b.station(name)
	if err != nil {
		return api.Sweep{}, err
	}
	if sweep := s.sweep.Load(); sweep != nil {
		return *sweep, nil
	}
	return api.Sweep{State: detect.State{Stage: detect.StageIdle, Sought: -1}}, nil
}

// EventsAfter implements api.JournalReader.
func (b backend) EventsAfter(ctx context.Context, after int64, limit int) ([]api.JournalEvent, error) {
	entries, err := b.d.store.EventsAfter(ctx, after, limit)
	if err != nil {
		return nil, err
	}
	out := make([]api.JournalEvent, len(entries))
	for i, e := range entries {
		out[i] = api.JournalEvent{Seq: e.Seq, WallNS: e.WallNS, Kind: e.Kind, Station: e.Station, SetID: e.SetID, Step: -1}
		ev, ofSet, err := e.Event()
		if err != nil {
			return nil, err
		}
		if ofSet {
			out[i].By, out[i].Reason, out[i].RingID, out[i].CaptureID = ev.By, ev.Reason, ev.RingID, ev.CaptureID
			switch ev.Kind {
			case calibrate.SameAgain, calibrate.Relabelled, calibrate.MovedTo:
				out[i].Step = ev.Step
			case calibrate.CaptureStored:
				out[i].CaptureID = ev.Capture.ID
			}
		} else if e.Subject == storage.AboutRing {
			out[i].RingID = e.SubjectID
		}
	}
	return out, nil
}

// LastSeq implements api.JournalReader.
func (b backend) LastSeq(ctx context.Context) (int64, error) { return b.d.store.LastSeq(ctx) }

// StartSet implements api.SetRunner.
func (b backend) StartSet(ctx context.Context, o api.SetOrder) (string, error) {
	s, ok := b.d.station(o.Station)
	if !ok {
		return "", &api.Refusal{Field: "station", Value: o.Station, Permitted: "a station of the configuration", Text: "this station is not known"}
	}
	return s.session.Start(ctx, o, b.Ring)
}

// Act implements api.SetRunner.
func (b backend) Act(ctx context.Context, setID string, a api.Action) error {
	set, err := b.d.store.Set(ctx, setID)
	if err != nil {
		return err
	}
	s, ok := b.d.station(set.Station)
	if !ok {
		return fmt.Errorf("%w: station %s of this set is not in the configuration", api.ErrConflict, set.Station)
	}
	return s.session.Act(ctx, setID, a)
}

// CaptureTrace implements api.TraceReader.
func (b backend) CaptureTrace(ctx context.Context, captureID string, fn api.TraceFunc) error {
	return captureTrace(ctx, b.d.store, captureID, fn)
}

// RangeTrace implements api.TraceReader.
func (b backend) RangeTrace(ctx context.Context, name string, from, to time.Time, fn api.TraceFunc) error {
	if _, err := b.station(name); err != nil {
		return err
	}
	return rangeTrace(ctx, b.d.store, name, from, to, fn)
}

// Rings implements api.RingRegister.
func (b backend) Rings(ctx context.Context, kind calibrate.RingKind) ([]calibrate.Ring, error) {
	records, err := b.d.store.Rings(ctx)
	if err != nil {
		return nil, err
	}
	out := []calibrate.Ring{}
	for _, r := range records {
		if kind == "" || r.Kind == kind {
			out = append(out, r.Ring)
		}
	}
	return out, nil
}

// Ring implements api.RingRegister.
func (b backend) Ring(ctx context.Context, id string) (calibrate.Ring, error) {
	r, err := b.d.store.Ring(ctx, id)
	return r.Ring, err
}

// Register implements api.RingRegister.
func (b backend) Register(ctx context.Context, r calibrate.Ring, by string) (calibrate.Ring, error) {
	r.ID = newID()
	if err := checkRing(r); err != nil {
		return calibrate.Ring{}, err
	}
	rec, err := b.d.store.AddRing(ctx, r, storage.Note{By: by})
	if errors.Is(err, storage.ErrExists) {
		return calibrate.Ring{}, fmt.Errorf("%w: a ring with the ident %s is in the register already", api.ErrConflict, r.Ident)
	}
	if err != nil {
		return calibrate.Ring{}, err
	}
	b.d.server.Committed()
	return rec.Ring, nil
}

// Amend implements api.RingRegister.
func (b backend) Amend(ctx context.Context, r calibrate.Ring, by, reason string) (calibrate.Ring, error) {
	if _, err := b.d.store.Ring(ctx, r.ID); err != nil {
		return calibrate.Ring{}, err
	}
	if err := checkRing(r); err != nil {
		return calibrate.Ring{}, err
	}
	rec, err := b.d.store.AmendRing(ctx, r, storage.Note{By: by, Reason: reason})
	if errors.Is(err, storage.ErrExists) {
		return calibrate.Ring{}, fmt.Errorf("%w: another ring has the ident %s", api.ErrConflict, r.Ident)
	}
	if err != nil {
		return calibrate.Ring{}, err
	}
	b.d.server.Committed()
	return rec.Ring, nil
}

func checkRing(r calibrate.Ring) error {
	errs := []error{api.Refuse(r.Validate())}
	known := false
	var permitted []string
	for _, m := range calibrate.Materials() {
		known = known || m.ID == r.Material
		permitted = append(permitted, m.ID)
	}
	if !known && r.Material != "" {
		errs = append(errs, &api.Refusal{Field: "material", Value: r.Material, Permitted: strings.Join(permitted, ", "), Text: fmt.Sprintf("material %q is not in the register", r.Material)})
	}
	return errors.Join(errs...)
}

// Materials implements api.MaterialReader.
func (b backend) Materials(context.Context) ([]api.Material, error) {
	out := []api.Material{}
	for _, m := range calibrate.Materials() {
		out = append(out, api.Material{
			ID: m.ID, Name: m.Name, Source: m.Source,
			ExpansionPerK: m.ExpansionPerK.Value, ExpansionPerKU: m.ExpansionPerK.StandardUncertainty(),
			YoungModulusGPa: m.YoungModulusGPa.Value, YoungModulusGPaU: m.YoungModulusGPa.StandardUncertainty(),
			PoissonRatio: m.PoissonRatio.Value, PoissonRatioU: m.PoissonRatio.StandardUncertainty(),
		})
	}
	return out, nil
}

// diskReserve is the free space below which the daemon calls itself not ready.
const diskReserve = 64 << 20

// Ready implements api.Readiness.
func (b backend) Ready(ctx context.Context) []api.Check {
	_, err := b.d.store.LastSeq(ctx)
	checks := []api.Check{{Name: "database", Err: err}}
	stats := b.d.store.Stats()
	var space error
	if stats.DiskFreeBytes >= 0 && stats.DiskFreeBytes < diskReserve {
		space = fmt.Errorf("%d MB left on the disk of the database; free some space, captures cannot be kept on a full disk", stats.DiskFreeBytes>>20)
	}
	checks = append(checks, api.Check{Name: "disk", Err: space})
	for _, s := range b.d.stations {
		var err error
		if st := s.source.Stats(); !st.Connected {
			err = fmt.Errorf("the readout is not connected: %s", s.problem.get())
		}
		checks = append(checks, api.Check{Name: "station " + s.cfg.Name, Err: err})
		var rec error
		if st := s.recorder.Stats(); st.Failing {
			rec = fmt.Errorf("readings are not being stored: %s", st.LastError)
		}
		checks = append(checks, api.Check{Name: "recorder " + s.cfg.Name, Err: rec})
	}
	return checks
}
