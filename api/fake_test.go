package api

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"sync"
	"testing"
	"time"

	"ringsaddle/acquire"
	"ringsaddle/calibrate"
	"ringsaddle/detect"
)

// fake is a whole program behind the interfaces of deps.go, in memory: a real
// tape, the real walker of the plan, and an invented register. Its detector says
// what the test tells it to.
type fake struct {
	mu       sync.Mutex
	server   *Server // told of commits, if set
	clock    time.Time
	stations []Station
	tape     *acquire.Tape
	at       int64
	sweep    detect.State
	rings    []calibrate.Ring
	order    []string // ids of sets, oldest first
	sets     map[string]*fakeSet
	journal  []JournalEvent
	results  map[string]Result
	loose    []Capture // outside any set
	traces   map[string][]acquire.Reading
	checks   []Check
	ids      int
	found    map[string][]RingCalibration // by ring, newest first
	closings map[string][]Closing         // by master, newest first
	turns    map[string][]CaptureTurnBack // by capture; one without an entry was made by another revision
	broken   error                        // returned by every reading method if set
}

type fakeSet struct {
	station string
	state   calibrate.State
	details []Capture
	ended   time.Time
}

const fakeStep = 10_000 // picometres per count: 0.01 µm

var fakeDay = time.Date(2026, 11, 25, 9, 30, 0, 123456789, time.UTC)

// The rings are invented.
func fakeRings() []calibrate.Ring {
	master := func(id, ident string, nominal calibrate.Length, due string) calibrate.Ring {
		return calibrate.Ring{
			ID: id, Ident: ident, Kind: calibrate.Master, Nominal: nominal * calibrate.Millimetre, Material: "steel",
			Certificate: &calibrate.MasterCertificate{
				Number: "C-1041", Diameter: nominal*calibrate.Millimetre + 420_000, Expanded: 200_000, CoverageFactorMill: 2000,
				DriftHalfWidth: 100_000, Height: 10 * calibrate.Millimetre, CalibratedOn: "2025-12-01", DueOn: due,
			},
		}
	}
	work := func(id, ident string, nominal calibrate.Length) calibrate.Ring {
		return calibrate.Ring{
			ID: id, Ident: ident, Kind: calibrate.Work, Nominal: nominal * calibrate.Millimetre, Material: "steel",
			Owner: "Tool room", LowerLimit: -1_000_000, UpperLimit: 1_000_000,
		}
	}
	return []calibrate.Ring{
		master("m30", "M-30-07", 30, "2027-06-30"), master("m50", "M-50-02", 50, "2026-02-28"),
		work("w32", "W-32-118", 32), work("w33", "W-33-5", 33), work("w400", "W-400-1", 400),
	}
}

func newFake(t testing.TB) *fake {
	t.Helper()
	f := &fake{
		clock: fakeDay, tape: acquire.NewTape(8192), rings: fakeRings(),
		sets: map[string]*fakeSet{}, results: map[string]Result{}, traces: map[string][]acquire.Reading{}, turns: map[string][]CaptureTurnBack{},
		sweep:  detect.State{Stage: detect.StageIdle, Sought: -1},
		checks: []Check{{Name: "database"}, {Name: "station bench-1"}},
	}
	f.at = 5_000_000_000
	f.tape.Open(acquire.Stream{
		ID: "stream-1", Station: "bench-1", BootID: "boot", OpenedAt: f.at, OpenedWallNS: fakeDay.UnixNano(),
		Step: acquire.Step{Num: fakeStep, Den: 1}, ResolutionPM: fakeStep, Reason: "opened",
	})
	stream, _ := f.tape.Stream()
	f.stations = []Station{
		{Name: "bench-1", Title: "Bench 1", Connected: true, Stream: &stream, Simulated: true, Speed: 4, FrameErrors: map[string]uint64{"pattern": 3}},
		{Name: "bench-2", Problem: "No such port: plug in the adapter of bench 2."},
	}
	return f
}

func (f *fake) deps() Deps {
	return Deps{
		Stations: f, Live: f, Journal: f, Sets: f, Runner: f, Captures: f, Traces: f, Rings: f, Materials: f, Readiness: f, History: f,
		Version: "test", Now: f.now,
	}
}

func (f *fake) now() time.Time {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.clock
}

// tellCommits lets s hear of what is committed from now on.
func (f *fake) tellCommits(s *Server) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.server = s
}

func missing(what string) error { return fmt.Errorf("%s: %w", what, fs.ErrNotExist) }

func (f *fake) Stations(context.Context) ([]Station, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.stations), f.broken
}

func (f *fake) Station(_ context.Context, name string) (Station, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.broken != nil {
		return Station{}, f.broken
	}
	for _, s := range f.stations {
		if s.Name != name {
			continue
		}
		if s.Stream != nil {
			if r, ok := f.tape.Latest(); ok {
				s.Last = &r
			}
		}
		return s, nil
	}
	return Station{}, missing("station " + name)
}

func (f *fake) Follow(station string) (ReadingHead, error) {
	if station != "bench-1" {
		return nil, missing("tape of " + station)
	}
	return f.tape.NewHead("live"), nil
}

func (f *fake) StreamAt(_ string, seq uint64) (acquire.Stream, bool) { return f.tape.StreamAt(seq) }

func (f *fake) Sweep(string) (Sweep, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	s := f.sweep
	s.Points = slices.Clone(s.Points)
	return Sweep{State: s, Seeks: detect.BoreSeeks()}, nil
}

// read appends readings 10 ms apart, in counts, and returns the last entry.
func (f *fake) read(counts ...int64) acquire.Reading {
	f.mu.Lock()
	defer f.mu.Unlock()
	var last acquire.Reading
	for _, c := range counts {
		f.at += 10_000_000
		batch := []acquire.Reading{{At: f.at, X: c}}
		f.tape.Append(batch)
		last = batch[0]
	}
	return last
}

// detector sets what the detector says.
func (f *fake) detector(change func(*detect.State)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	change(&f.sweep)
}

func (f *fake) EventsAfter(_ context.Context, after int64, limit int) ([]JournalEvent, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.broken != nil {
		return nil, f.broken
	}
	var out []JournalEvent
	for _, e := range f.journal {
		if e.Seq > after && len(out) < limit {
			out = append(out, e)
		}
	}
	return out, nil
}

func (f *fake) LastSeq(context.Context) (int64, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return int64(len(f.journal)), f.broken
}

func (f *fake) Sets(_ context.Context, filter SetFilter) ([]SetSummary, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []SetSummary
	for _, id := range slices.Backward(f.order) {
		set := f.sets[id]
		if filter.Station != "" && filter.Station != set.station || filter.Status != "" && filter.Status != string(set.state.Status) || len(out) == filter.Limit {
			continue
		}
		out = append(out, SetSummary{
			ID: id, Station: set.station, Technician: set.state.By, Status: string(set.state.Status), Closed: set.state.Closed,
			Started: time.Unix(0, set.state.WallNS), Ended: set.ended, MasterIdent: "M-30-07", WorkIdents: []string{"W-32-118"}, Steps: len(set.state.Steps),
		})
	}
	return out, f.broken
}

func (f *fake) Set(_ context.Context, id string) (Set, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	set, ok := f.sets[id]
	if !ok {
		return Set{}, missing("set " + id)
	}
	return Set{ID: id, Station: set.station, Ended: set.ended, State: set.state, Captures: slices.Clone(set.details)}, nil
}

func (f *fake) Result(_ context.Context, id string) (Result, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	r, ok := f.results[id]
	if !ok {
		return Result{}, missing("result of " + id)
	}
	return r, nil
}

func (f *fake) ring(id string) (calibrate.Ring, bool) {
	i := slices.IndexFunc(f.rings, func(r calibrate.Ring) bool { return r.ID == id })
	if i < 0 {
		return calibrate.Ring{}, false
	}
	return f.rings[i], true
}

func (f *fake) StartSet(_ context.Context, o SetOrder) (string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	i := slices.IndexFunc(f.stations, func(s Station) bool { return s.Name == o.Station })
	if i < 0 {
		return "", &Refusal{Field: "station", Value: o.Station, Permitted: "bench-1 or bench-2", Text: "This bench is not configured"}
	}
	if f.stations[i].SetID != "" {
		return "", fmt.Errorf("the set of %s is still open: close or abort it first: %w", o.Station, ErrConflict)
	}
	var errs []error
	use := func(field, id string) calibrate.Ring {
		r, ok := f.ring(id)
		if !ok {
			errs = append(errs, &Refusal{Field: field, Value: id, Permitted: "a ring of the register", Text: "This ring is not in the register"})
		}
		return r
	}
	master := use("master_id", o.MasterID)
	reference := calibrate.PlanStep{Role: calibrate.Opening, RingID: o.MasterID, Repeats: o.Repeats}
	if c := master.Certificate; c != nil {
		reference.Height, reference.Direction = c.Height, c.Direction
	}
	plan := calibrate.Plan{Steps: []calibrate.PlanStep{reference}, ClosingLimit: o.ClosingLimit}
	rings := []calibrate.Ring{master}
	for i, w := range o.Works {
		rings = append(rings, use(fmt.Sprintf("works[%d].ring_id", i), w.RingID))
		for _, p := range w.Positions {
			plan.Steps = append(plan.Steps, calibrate.PlanStep{Role: calibrate.Working, RingID: w.RingID, Height: p.Height, Direction: p.Direction, Repeats: o.Repeats})
		}
	}
	reference.Role = calibrate.Closing
	plan.Steps = append(plan.Steps, reference)
	if err := errors.Join(errs...); err != nil {
		return "", err
	}
	if err := plan.Validate(rings, calibrate.PlanContext{
		RangeHigh: 150 * calibrate.Millimetre, Day: f.clock.Format(time.DateOnly), OverdueReason: o.OverdueReason,
	}); err != nil {
		return "", Refuse(err)
	}
	f.ids++
	id := fmt.Sprintf("set-%d", f.ids)
	f.sets[id] = &fakeSet{station: o.Station, state: calibrate.NewState(id)}
	f.order = append(f.order, id)
	f.stations[i].SetID = id
	if err := f.append(id, calibrate.Event{Kind: calibrate.SetStarted, By: o.Technician, Reason: o.OverdueReason, Plan: &plan, Rings: rings, Setup: &calibrate.Setup{
		StationID: o.Station, ReadingSign: 1, ScaleMaterial: "steel", Expansions: []calibrate.Expansion{{Material: "steel", PerKelvinPPB: 11_500}},
	}}); err != nil {
		return "", err
	}
	if len(o.Temperatures) > 0 {
		return id, f.append(id, calibrate.Event{Kind: calibrate.Conditions, By: o.Technician, Temperatures: stamp(o.Temperatures, f.clock)})
	}
	return id, nil
}

func stamp(list []calibrate.TemperatureFact, at time.Time) []calibrate.TemperatureFact {
	out := slices.Clone(list)
	for i := range out {
		out[i].WallNS = at.UnixNano()
	}
	return out
}

// append applies an event and writes the journal. The lock is held.
func (f *fake) append(id string, e calibrate.Event) error {
	set := f.sets[id]
	f.clock = f.clock.Add(7 * time.Second)
	e.Seq, e.At, e.WallNS = int64(len(f.journal)+1), f.at, f.clock.UnixNano()
	next, err := calibrate.Apply(set.state, e)
	if err != nil {
		return err
	}
	set.state = next
	f.journal = append(f.journal, JournalEvent{
		Seq: e.Seq, WallNS: e.WallNS, Kind: string(e.Kind), Station: set.station, SetID: id,
		CaptureID: e.CaptureID, RingID: e.RingID, Step: e.Step, By: e.By, Reason: e.Reason,
	})
	if next.Ended() {
		set.ended = f.clock
		for i := range f.stations {
			if f.stations[i].SetID == id {
				f.stations[i].SetID = ""
			}
		}
	}
	if f.server != nil {
		f.server.Committed()
	}
	return nil
}

func (f *fake) Act(_ context.Context, id string, a Action) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	set, ok := f.sets[id]
	if !ok {
		return missing("set " + id)
	}
	e := calibrate.Event{By: a.By, Reason: a.Reason, Step: a.Step, CaptureID: a.CaptureID, RingID: a.RingID, Accept: a.Accept}
	if e.Step < 0 {
		e.Step = set.state.Step
	}
	switch a.Kind {
	case ActPause:
		e.Kind = calibrate.Paused
	case ActResume:
		e.Kind = calibrate.Resumed
	case ActAbort:
		e.Kind = calibrate.Aborted
	case ActClose:
		e.Kind = calibrate.SetClosed
	case ActConfirm:
		e.Kind = calibrate.RingConfirmed
	case ActAnswer:
		e.Kind = calibrate.Answered
	case ActAgain:
		e.Kind = calibrate.SameAgain
	case ActMove:
		e.Kind = calibrate.MovedTo
	case ActRelabel:
		e.Kind = calibrate.Relabelled
	case ActReject:
		e.Kind = calibrate.Rejected
	case ActTemperatures:
		e.Kind, e.Temperatures = calibrate.Conditions, stamp(a.Temperatures, f.clock)
	case ActRedo:
		e.Kind = calibrate.SameAgain
		if rec, ok := set.state.Capture(a.CaptureID); ok {
			e.Step = rec.Step
		}
	case ActManual:
		if f.sweep.Stage != detect.StageContact {
			return fmt.Errorf("nothing rests on the contacts: %w", ErrConflict)
		}
		f.ids++
		e.Kind = calibrate.CaptureStored
		e.Capture = &calibrate.CaptureFact{
			ID: fmt.Sprintf("cap-%d", f.ids), StreamID: "stream-1", At: f.at, WallNS: f.clock.UnixNano(),
			Outcome: calibrate.OutcomeManual, Reading: 500_000, U: a.U, Manual: true,
		}
	}
	return f.append(id, e)
}

// capture stores a capture in the open set of bench-1, followed by a withdrawal if
// it is good, and returns its id. um is the reading in micrometres.
func (f *fake) capture(t testing.TB, um float64, change func(*calibrate.CaptureFact)) string {
	t.Helper()
	f.mu.Lock()
	defer f.mu.Unlock()
	id := f.stations[0].SetID
	f.ids++
	fact := calibrate.CaptureFact{
		ID: fmt.Sprintf("cap-%d", f.ids), StreamID: "stream-1", At: f.at, WallNS: f.clock.Add(6 * time.Second).UnixNano(),
		Outcome: "diameter", Reading: calibrate.Length(um * 1e6), U: 32_000,
	}
	if change != nil {
		change(&fact)
	}
	if err := f.append(id, calibrate.Event{Kind: calibrate.CaptureStored, CaptureID: fact.ID, Capture: &fact}); err != nil {
		t.Fatal(err)
	}
	detail := Capture{
		CaptureRecord: calibrate.CaptureRecord{Fact: fact}, Station: "bench-1", FirstSeq: 1, LastSeq: 9,
		StartNS: f.clock.Add(-30 * time.Second).UnixNano(), EndNS: f.clock.UnixNano(), Ending: detect.EndWithdrawn, Revision: "r1", ParamsDigest: "d1",
	}
	if fact.Outcome == "diameter" {
		detail.Points = []CapturePoint{
			{Adjustment: detect.Tilt, Sense: detect.Minimum, Seq: 4, WallNS: f.clock.Add(-20 * time.Second).UnixNano(), Value: fact.Reading - 2_310_000, U: 30_000, Crossings: 2},
			{Adjustment: detect.Cross, Sense: detect.Maximum, Seq: 7, WallNS: f.clock.Add(-6 * time.Second).UnixNano(), Value: fact.Reading + 120_000, U: 30_000, Crossings: 3},
		}
	}
	set := f.sets[id]
	set.details = append(set.details, detail)
	if fact.Outcome == "diameter" && fact.Question == "" {
		if err := f.append(id, calibrate.Event{Kind: calibrate.WithdrawnAfter, CaptureID: fact.ID}); err != nil {
			t.Fatal(err)
		}
	}
	return fact.ID
}

func (f *fake) Captures(_ context.Context, filter CaptureFilter) ([]Capture, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []Capture
	for _, c := range f.all() {
		if (filter.SetID == "" || c.SetID == filter.SetID) && (filter.Outcome == "" || c.Fact.Outcome == filter.Outcome) {
			out = append(out, c)
		}
	}
	slices.Reverse(out)
	return out[:min(len(out), filter.Limit)], f.broken
}

func (f *fake) all() []Capture {
	out := slices.Clone(f.loose)
	for _, id := range f.order {
		set := f.sets[id]
		for _, c := range set.details {
			c.CaptureRecord, _ = set.state.Capture(c.Fact.ID)
			c.SetID = id
			out = append(out, c)
		}
	}
	return out
}

func (f *fake) Capture(_ context.Context, id string) (Capture, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, c := range f.all() {
		if c.Fact.ID == id {
			return c, nil
		}
	}
	return Capture{}, missing("capture " + id)
}

func (f *fake) TurnBacks(_ context.Context, id string) ([]CaptureTurnBack, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	list, ok := f.turns[id]
	if !ok {
		return nil, fmt.Errorf("another revision of the detector made this capture: %w", ErrConflict)
	}
	return list, nil
}

func (f *fake) CaptureTrace(_ context.Context, id string, fn TraceFunc) error {
	if f.broken != nil {
		return f.broken
	}
	stream, _ := f.tape.Stream()
	for batch := range slices.Chunk(f.traces[id], 3) {
		if err := fn(stream, batch); err != nil {
			return err
		}
	}
	return nil
}

func (f *fake) RangeTrace(ctx context.Context, station string, _, _ time.Time, fn TraceFunc) error {
	return f.CaptureTrace(ctx, station, fn)
}

func (f *fake) Rings(_ context.Context, kind calibrate.RingKind) ([]calibrate.Ring, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []calibrate.Ring
	for _, r := range f.rings {
		if kind == "" || r.Kind == kind {
			out = append(out, r)
		}
	}
	return out, f.broken
}

func (f *fake) Ring(_ context.Context, id string) (calibrate.Ring, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	r, ok := f.ring(id)
	if !ok {
		return r, missing("ring " + id)
	}
	return r, nil
}

func (f *fake) Register(_ context.Context, r calibrate.Ring, _ string) (calibrate.Ring, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if slices.ContainsFunc(f.rings, func(o calibrate.Ring) bool { return o.Ident == r.Ident }) {
		return r, fmt.Errorf("the ident %s is taken: %w", r.Ident, ErrConflict)
	}
	if r.Material != "steel" {
		return r, &Refusal{Field: "material", Value: r.Material, Permitted: "steel", Text: "This material is not in the register"}
	}
	f.ids++
	r.ID = fmt.Sprintf("ring-%d", f.ids)
	f.rings = append(f.rings, r)
	return r, nil
}

func (f *fake) Amend(_ context.Context, r calibrate.Ring, _, _ string) (calibrate.Ring, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for i := range f.rings {
		if f.rings[i].ID == r.ID {
			f.rings[i] = r
			return r, nil
		}
	}
	return r, missing("ring " + r.ID)
}

func (f *fake) Materials(context.Context) ([]Material, error) {
	return []Material{{ID: "steel", Name: "Gauge steel", ExpansionPerK: 11.5e-6, ExpansionPerKU: 0.6e-6, YoungModulusGPa: 206, PoissonRatio: 0.28, Source: "common practice, no source"}}, f.broken
}

func (f *fake) Ready(context.Context) []Check {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.checks
}
