package main

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"ringsaddle/acquire"
	"ringsaddle/acquire/bench"
)

// operator is the hand of a person who does what the bench page shows and touches
// neither page nor API: the ring that it brings is the one whose ident stands on
// the page. It may slip.
type operator struct {
	api   *client
	page  *watcher // nil: the operator reads the set instead
	speed float64
	// slip may alter a task, having seen the set; nil for a hand without slips.
	slip func(set remoteSet, task *bench.Task)

	began chan struct{} // closed when there is a page to look at
	once  sync.Once
	known int // captures when the entry in hand began
}

func newOperator(speed float64) *operator {
	return &operator{speed: speed, began: make(chan struct{})}
}

// watch tells the operator where to look. A nil page makes it read the set alone.
func (o *operator) watch(address string, page *watcher) {
	o.api, o.page = &client{base: "http://" + address}, page
	o.once.Do(func() { close(o.began) })
}

// watched is the page that the operator looks at; nil if there is none (yet).
func (o *operator) watched() *watcher {
	select {
	case <-o.began:
		return o.page
	default:
		return nil
	}
}

// Next implements bench.Instructor.
func (o *operator) Next(ctx context.Context, done *bench.Entry) (bench.Task, error) {
	select {
	case <-o.began:
	case <-ctx.Done():
		return bench.Task{}, ctx.Err()
	}
	ended := time.Now()
	for ctx.Err() == nil {
		task, ready, err := o.look(ctx, done, time.Since(ended) > o.real(30*time.Second))
		if ready || err != nil {
			return task, err
		}
		select {
		case <-time.After(25 * time.Millisecond):
		case <-ctx.Done():
		}
	}
	return bench.Task{}, ctx.Err()
}

// look reads what is asked for; ready is false while there is nothing for the hand
// to do. late: the last entry ended long ago.
func (o *operator) look(ctx context.Context, done *bench.Entry, late bool) (task bench.Task, ready bool, err error) {
	set, open, err := o.openSet(ctx)
	if err != nil || !open {
		return task, false, nil // no set, or the daemon is away: wait
	}
	switch set.Waits {
	case "close", "nothing":
		return task, false, io.EOF
	case "capture":
		if done != nil && len(set.Captures) <= o.known && !late {
			return task, false, nil // the last entry is still being worked on
		}
	case "withdrawal":
		if !late {
			return task, false, nil
		}
	default: // a person at the page is asked
		return task, false, nil
	}
	step := set.Steps[set.Step]
	task = bench.Task{Ring: step.Ident, HeightMM: step.HeightMM, DirectionDeg: step.DirectionDeg, Label: fmt.Sprint(set.Step)}
	// Who looks at the page alone has nothing to do before the page has come so far.
	if o.page != nil && o.page.text("#now-ident strong") != step.Ident {
		return task, false, nil
	}
	o.known = len(set.Captures)
	if o.slip != nil {
		o.slip(set, &task)
	}
	return task, true, nil
}

// openSet returns the set that the bench works on, if there is one.
func (o *operator) openSet(ctx context.Context) (set remoteSet, open bool, err error) {
	var st struct {
		SetID string `json:"set_id"`
	}
	if err := o.api.call(ctx, "GET", "/stations/bench-1", nil, &st); err != nil || st.SetID == "" {
		return set, false, err
	}
	set, err = o.api.set(ctx, st.SetID)
	return set, err == nil, err
}

// real is a duration of the simulated bench as it takes on the clock.
func (o *operator) real(simulated time.Duration) time.Duration {
	return time.Duration(float64(simulated) / o.speed)
}

// pacedBench is a simulated bench on a pseudo-terminal with an operator's hand, for
// daemons in this process. Its time is the station clock's, and stands still until
// the daemon has taken what was sent and, now and then, until the page has been
// drawn: a busy machine makes the bench slow and leaves the readings, their times
// and what there is to be seen as they would have been.
type pacedBench struct {
	*bench.Bench
	t     testing.TB
	speed float64
	base  int64 // boot-time clock at the start of the bench, ns
	clock stationClock
	cfg   *config
	hand  *operator

	looked float64 // simulated time when the page was waited for, s; of pace

	mu     sync.Mutex
	daemon *daemon // nil while none runs
	taken  uint64  // frames that it had taken when last looked at
}

// startBench runs a bench; its configuration has an empty database.
func startBench(t testing.TB, sc bench.Scenario, seed uint64, o *operator) *pacedBench {
	t.Helper()
	folder := t.TempDir()
	device := filepath.Join(folder, "bench")
	b := &pacedBench{t: t, speed: o.speed, base: acquire.BootClock(), hand: o}
	var err error
	b.Bench, err = bench.New(bench.Options{Scenario: sc, Seed: seed, Speed: o.speed, Link: device, Instructor: o, Pace: b.pace})
	if err != nil {
		t.Fatal(err)
	}
	b.clock = newStationClock(b.speed, b.boot)
	if _, err := b.Open(); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- b.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("the bench: %v", err)
		}
	})
	b.cfg = demoConfig(sc, device, filepath.Join(folder, "ringsaddle.db"), "127.0.0.1:0")
	// A stall of a busy machine is no silence of the readout.
	b.cfg.Stations[0].Readout.SilenceAfter.Duration = 20 * time.Second
	return b
}

// startDaemon starts a daemon on the bench. A second one comes up at the address of
// the first.
func (b *pacedBench) startDaemon() (address string, stop func()) {
	b.t.Helper()
	d, address, stopIt := startDaemonAt(b.t, b.cfg, b.speed, &b.clock)
	b.cfg.HTTP.Listen = address
	b.mu.Lock()
	b.daemon, b.taken = d, framesTaken(d)
	b.mu.Unlock()
	return address, func() {
		b.mu.Lock()
		b.daemon = nil
		b.mu.Unlock()
		stopIt()
	}
}

// boot stands for the boot-time clock. All daemons of the bench share one station
// clock, so that the order of what they stamp is that of the bench.
func (b *pacedBench) boot() int64 { return b.base + int64(b.Stats().SimulatedS*1e9/b.speed) }

func framesTaken(d *daemon) uint64 {
	s := d.stations[0].source.Stats()
	return s.Readings + s.NotValid + s.RejectedFrames()
}

// pace waits until the daemon has taken the frames just sent; not for ever, as some
// of them may have been lost while the port was being opened.
func (b *pacedBench) pace(ctx context.Context, frames int) {
	b.paceByDaemon(ctx, frames)
	now := b.Stats().SimulatedS
	if page := b.hand.watched(); page != nil && now-b.looked >= pageLookS {
		b.looked = now
		page.drawn()
	}
}

// pageLookS is after how much simulated time a paced bench waits for its page, s.
const pageLookS = 0.4

func (b *pacedBench) paceByDaemon(ctx context.Context, frames int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.daemon == nil {
		return
	}
	want := b.taken + uint64(frames)
	for until := time.Now().Add(time.Second); ctx.Err() == nil; time.Sleep(200 * time.Microsecond) {
		if b.taken = framesTaken(b.daemon); b.taken >= want || time.Now().After(until) {
			return
		}
	}
}

// briskScenario is the demo's bench with a hand that loses no time, one work
// position and single entries; ring W-4218 is of another nominal size.
func briskScenario(t testing.TB) bench.Scenario {
	t.Helper()
	sc := shortScenario(t, 1, 1)
	h := &sc.Hand
	h.SweepS, h.PauseS = bench.Range{1.2, 2.2}, bench.Range{0.3, 0.6}
	h.RestS, h.FinalRestS = bench.Range{1.2, 1.6}, bench.Range{1.5, 2}
	h.BetweenS, h.ChangeS = bench.Range{2, 3}, bench.Range{1, 2}
	h.First.Passes, h.Second.Passes = bench.Count{3, 3}, bench.Count{3, 3}
	other := sc.Rings[1]
	other.Ident, other.NominalMM = "W-4218", 42
	sc.Rings = append(sc.Rings, other)
	return sc
}

func formatCelsius(c float64) string { return fmt.Sprintf("%.2f", c) }

func formatMM(mm float64) string { return fmt.Sprintf("%.5f", mm) }
