package main

import (
	"context"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"ringsaddle/acquire"
	"ringsaddle/acquire/bench"
	"ringsaddle/api"
	"ringsaddle/calibrate"
	"ringsaddle/detect"
	"ringsaddle/storage"
)

// bareSession is a session on a real database, without port and detector. Its clock
// moves when the test moves it.
type bareSession struct {
	*session
	t            *testing.T
	clock        int64 // boot-time clock, ns; the station's runs twice as fast
	tape         *acquire.Tape
	stream       acquire.Stream
	master, work string
}

func newBareSession(t *testing.T) *bareSession {
	t.Helper()
	sc, err := bench.LoadScenario("demo")
	if err != nil {
		t.Fatal(err)
	}
	store, err := storage.Open(t.Context(), storage.Config{Path: filepath.Join(t.TempDir(), "s.db")}, time.Now, newID)
	if err != nil {
		t.Fatal(err)
	}
	running, stopStore := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- store.Run(running) }()
	t.Cleanup(func() {
		stopStore()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		_ = store.Close(context.Background())
	})
	b := &bareSession{t: t, clock: int64(time.Hour)}
	cfg := demoConfig(sc, "/dev/none", "none.db", "127.0.0.1:0").Stations[0]
	clock := stationClock{boot: func() int64 { return b.clock }, boot0: b.clock, wall0: time.Now().UnixNano(), speed: 2}
	b.session = newSession(cfg, clock, store, newID, zerolog.Nop(), func() {})
	stop := make(chan struct{})
	go func() { _ = b.session.Run(stop) }()
	t.Cleanup(func() { close(stop); <-b.session.ended })

	if _, err := store.UpsertStation(t.Context(), cfg.Name, []byte(`{}`)); err != nil {
		t.Fatal(err)
	}
	b.tape = acquire.NewTape(64)
	b.open()
	recorder, err := store.NewRecorder(storage.RecorderConfig{Station: cfg.Name, Streams: b.tape.StreamAt}, b.tape.NewHead("recorder"))
	if err != nil {
		t.Fatal(err)
	}
	recorded := make(chan error, 1)
	go func() { recorded <- recorder.Run(context.Background()) }()
	t.Cleanup(func() {
		b.tape.Close()
		if err := <-recorded; err != nil {
			t.Error(err)
		}
	})
	day := func(years int) string { return time.Now().AddDate(years, 0, 0).Format(time.DateOnly) }
	for _, r := range []struct {
		to   *string
		ring calibrate.Ring
	}{
		{&b.master, calibrate.Ring{
			Ident: "M-40", Kind: calibrate.Master, Nominal: 40 * calibrate.Millimetre, Material: "steel",
			Certificate: &calibrate.MasterCertificate{
				Number: "C-1", Diameter: 40 * calibrate.Millimetre, Expanded: 200_000, CoverageFactorMill: 2000,
				CalibratedOn: day(-1), DueOn: day(1),
			},
		}},
		{&b.work, calibrate.Ring{Ident: "W-7", Kind: calibrate.Work, Nominal: 40 * calibrate.Millimetre, Material: "steel"}},
	} {
		rec, err := store.AddRing(t.Context(), r.ring, storage.Note{Station: cfg.Name, By: "tester"})
		if err != nil {
			t.Fatal(err)
		}
		*r.to = rec.Ring.ID
	}
	return b
}

// open begins a new stream of readings.
func (b *bareSession) open() {
	b.stream = acquire.Stream{
		ID: newID(), Station: b.station, BootID: "boot", OpenedAt: b.now(), OpenedWallNS: b.session.clock.Wall(),
		Step: acquire.Step{Num: 10_000, Den: 1}, ResolutionPM: 10_000, Reason: "opened",
	}
	b.stream.FirstSeq = b.tape.Open(b.stream)
}

// now is the station clock, ns.
func (b *bareSession) now() int64 { return b.session.clock.Now() }

// begin starts a set with one position of the work ring.
func (b *bareSession) begin() {
	b.t.Helper()
	_, err := b.Start(b.t.Context(), api.SetOrder{
		Station: b.station, Technician: "tester", MasterID: b.master, Repeats: 1,
		Works: []api.WorkOrder{{RingID: b.work, Positions: []api.Position{{Height: 5 * calibrate.Millimetre}}}},
	}, func(ctx context.Context, id string) (calibrate.Ring, error) {
		rec, err := b.store.Ring(ctx, id)
		return rec.Ring, err
	})
	if err != nil {
		b.t.Fatal(err)
	}
}

func (b *bareSession) state() calibrate.State {
	b.t.Helper()
	state, open := b.State()
	if !open {
		b.t.Fatal("no set is open")
	}
	return state
}

func (b *bareSession) act(a api.Action) {
	b.t.Helper()
	a.By = "tester"
	if err := b.Act(b.t.Context(), b.state().SetID, a); err != nil {
		b.t.Fatal(err)
	}
}

// captured commits a diameter of a contact that ended at the given time. Its reading
// is that of one position of the readout, which is stored as its trace.
func (b *bareSession) captured(endedAt int64, mm float64) calibrate.CaptureRecord {
	b.t.Helper()
	counts := int64(mm * 1e9 / 10_000)
	b.tape.Append([]acquire.Reading{{At: endedAt, X: counts}})
	last, _ := b.tape.Latest()
	id, err := b.Captured(b.t.Context(), b.stream, detect.Capture{
		FirstSeq: last.Seq, LastSeq: last.Seq, StartAt: endedAt - int64(20*time.Second), EndAt: endedAt,
		At: endedAt - int64(time.Second), Origin: counts, Outcome: detect.OutcomeDiameter, U: 5,
		Ending: detect.EndWithdrawn, Revision: detect.Revision,
	}, detect.DefaultParams(b.stream.Step, b.stream.ResolutionPM))
	if err != nil {
		b.t.Fatal(err)
	}
	state := b.state()
	c, ok := state.Capture(id)
	if !ok {
		b.t.Fatalf("capture %s is not in the set", id)
	}
	return c
}

func (b *bareSession) withdrawn() {
	b.t.Helper()
	if err := b.Withdrawn(b.t.Context(), b.now()); err != nil {
		b.t.Fatal(err)
	}
}

// A capture is announced after the contacts have left the ring. What a person does
// in between must not give it to another ring or position without a question.
func TestCaptureOfAnEndedContactAsks(t *testing.T) {
	t.Parallel()
	opened := func(t *testing.T) *bareSession {
		b := newBareSession(t)
		b.begin()
		b.act(api.Action{Kind: api.ActConfirm, RingID: b.master})
		b.clock += int64(time.Minute)
		if c := b.captured(b.now(), 40); c.Standing != calibrate.StandingPending {
			t.Fatalf("the opening capture is %s: %s", c.Standing, c.Why)
		}
		b.clock += int64(2 * time.Second)
		b.withdrawn()
		if st := b.state(); st.ConfirmRing != b.work {
			t.Fatalf("%q is said; the work ring's confirmation is wanted", st.Sentence)
		}
		return b
	}
	t.Run("ended before the ring was confirmed", func(t *testing.T) {
		t.Parallel()
		b := opened(t)
		b.clock += int64(time.Minute)
		ended := b.now()
		b.clock += int64(300 * time.Millisecond)
		b.act(api.Action{Kind: api.ActConfirm, RingID: b.work})
		b.clock += int64(300 * time.Millisecond)
		c := b.captured(ended, 40.0005)
		if c.Standing != calibrate.StandingInQuestion || !strings.Contains(b.state().Sentence, "before W-7 was confirmed") {
			t.Fatalf("the capture is %s and %q is said; a question about ring W-7 is wanted", c.Standing, b.state().Sentence)
		}
		b.act(api.Action{Kind: api.ActAnswer, Accept: false})
		b.withdrawn()
		if st := b.state(); st.Status != calibrate.WalkRunning || st.Step != 1 || st.Steps[1].Got != 0 {
			t.Errorf("after the answer no: %s, step %d with %d captures; step 1 without any is wanted", st.Status, st.Step, st.Steps[1].Got)
		}
	})
	t.Run("confirmed while the ring is in contact", func(t *testing.T) {
		t.Parallel()
		b := opened(t)
		b.clock += int64(10 * time.Second)
		b.act(api.Action{Kind: api.ActConfirm, RingID: b.work})
		b.clock += int64(5 * time.Second)
		if c := b.captured(b.now(), 40.0005); c.Standing != calibrate.StandingPending {
			t.Errorf("the capture is %s: %s", c.Standing, c.Why)
		}
	})
	t.Run("began before the set went on by itself", func(t *testing.T) {
		t.Parallel()
		b := opened(t)
		b.act(api.Action{Kind: api.ActConfirm, RingID: b.work})
		b.clock += int64(time.Minute)
		b.captured(b.now(), 40.0005)
		b.clock += int64(40 * time.Second) // the disk is full: the hand has begun once more at this position
		b.withdrawn()
		c := b.captured(b.now()+int64(time.Second), 40.0005)
		if c.Standing != calibrate.StandingInQuestion || !strings.Contains(b.state().Sentence, "began before the set went on to the closing reference") {
			t.Errorf("the capture is %s and %q is said; a question is wanted", c.Standing, b.state().Sentence)
		}
	})
	t.Run("ended before a person moved on", func(t *testing.T) {
		t.Parallel()
		b := opened(t)
		b.act(api.Action{Kind: api.ActConfirm, RingID: b.work})
		b.clock += int64(time.Minute)
		ended := b.now()
		b.clock += int64(100 * time.Millisecond)
		b.act(api.Action{Kind: api.ActMove, Step: 2, Reason: "the master first"})
		c := b.captured(ended, 40.0005)
		if c.Standing != calibrate.StandingInQuestion || !strings.Contains(b.state().Sentence, "before the set went on to the closing reference") {
			t.Errorf("the capture is %s and %q is said; a question is wanted", c.Standing, b.state().Sentence)
		}
	})
}

// A finished set has its result after a restart, also when the daemon was killed
// after the last event and before the result was stored; and a set that cannot be
// evaluated says why.
func TestResultAfterAKill(t *testing.T) {
	t.Parallel()
	for _, clockBack := range []bool{false, true} {
		b := newBareSession(t)
		b.begin()
		for i, ring := range []string{b.master, b.work, b.master} {
			if st := b.state(); st.ConfirmRing == ring {
				b.act(api.Action{Kind: api.ActConfirm, RingID: ring})
			}
			b.clock += int64(time.Minute)
			if clockBack && i == 2 { // a new stream after a restart, and the system's time was set back
				b.session.clock.wall0 -= int64(time.Hour)
				b.open()
			}
			b.captured(b.now(), 40+0.0005*float64(i%2))
			b.clock += int64(2 * time.Second)
			if i == 2 { // as if killed before the result: the next event counts as evaluated
				b.evaluated = b.state().LastSeq + 1
			}
			b.withdrawn()
		}
		st := b.state()
		if st.Status != calibrate.WalkFinished {
			t.Fatalf("the set is %s: %s", st.Status, st.Sentence)
		}
		back := backend{d: &daemon{store: b.store, stations: []*station{{cfg: b.cfg, session: b.session}}}}
		if _, err := b.store.Result(t.Context(), st.SetID); err == nil {
			t.Fatal("the result is stored; the test wants a daemon that did not get so far")
		}
		again := newSession(b.cfg, b.session.clock, b.store, newID, zerolog.Nop(), func() {})
		if err := again.Resume(t.Context()); err != nil {
			t.Fatal(err)
		}
		result, err := back.Result(t.Context(), st.SetID)
		switch {
		case clockBack:
			if err == nil || !strings.Contains(err.Error(), "bracket of the master") {
				t.Errorf("a closing before the opening by the clock: %v; an error that says so is wanted", err)
			}
		case err != nil:
			t.Error(err)
		case result.Status != string(calibrate.Accepted) || len(result.Positions) != 1:
			t.Errorf("status %q with %d positions; accepted with one is wanted", result.Status, len(result.Positions))
		}
	}
}
