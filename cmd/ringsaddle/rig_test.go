package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"ringsaddle/acquire"
	"ringsaddle/acquire/bench"
)

// testSpeed is how much faster than life the tests' benches run. Rules in seconds
// keep their meaning because the station clock runs as fast.
const testSpeed = 20

// shortScenario is the demo's with one work position and single entries.
func shortScenario(t testing.TB, workPositions, repeats int) bench.Scenario {
	t.Helper()
	sc, err := bench.LoadScenario("demo")
	if err != nil {
		t.Fatal(err)
	}
	tasks := append([]bench.Task{}, sc.Tasks[:1+workPositions]...)
	tasks = append(tasks, sc.Tasks[len(sc.Tasks)-1])
	for i := range tasks {
		tasks[i].Repeat = repeats
	}
	sc.Tasks = tasks
	return sc
}

// lines collects what the technician tells.
type lines struct {
	mu   sync.Mutex
	text []byte
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.text = append(l.text, p...)
	return len(p), nil
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return string(l.text)
}

// rig is a simulated bench on a pseudo-terminal with its technician, for daemons
// that a test starts and stops.
type rig struct {
	t      *testing.T
	bench  *bench.Bench
	tech   *technician
	cfg    *config
	told   lines
	ctx    context.Context
	cancel context.CancelFunc
	ended  chan error // of the bench
}

// newRig starts the bench; the technician works once begin has been called.
func newRig(t *testing.T, sc bench.Scenario, seed uint64) *rig {
	t.Helper()
	folder := t.TempDir()
	r := &rig{t: t, ended: make(chan error, 1)}
	r.ctx, r.cancel = context.WithCancel(context.Background())
	r.tech = &technician{
		out: &r.told, scenario: sc, speed: testSpeed, started: time.Now(),
		began: make(chan struct{}), ended: make(chan error, 1),
		// Tests share the machine with other tests: a late page is no lost entry.
		patience: 20 * time.Second,
	}
	device := filepath.Join(folder, "bench")
	var err error
	r.bench, err = bench.New(bench.Options{Scenario: sc, Seed: seed, Speed: testSpeed, Link: device, Instructor: r.tech})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := r.bench.Open(); err != nil {
		t.Fatal(err)
	}
	r.tech.bench = r.bench
	r.cfg = demoConfig(sc, device, filepath.Join(folder, "ringsaddle.db"), "127.0.0.1:0")
	// Tests share the machine with other tests: a stall of the scheduler is no
	// silence of the readout.
	r.cfg.Stations[0].Readout.SilenceAfter.Duration = 20 * time.Second
	go func() { r.ended <- r.bench.Run(r.ctx) }()
	t.Cleanup(func() {
		r.cancel()
		if err := <-r.ended; err != nil {
			t.Errorf("the bench: %v", err)
		}
		if t.Failed() {
			t.Logf("the technician's words:\n%s", r.told.String())
		}
	})
	return r
}

// begin registers the rings, starts the set and lets the hand work.
func (r *rig) begin(address string) {
	r.t.Helper()
	r.tech.api = &client{base: "http://" + address}
	if err := r.tech.register(r.ctx); err != nil {
		r.t.Fatal(err)
	}
	if err := r.tech.start(r.ctx); err != nil {
		r.t.Fatal(err)
	}
	close(r.tech.began)
}

// finish waits until the technician has closed the set.
func (r *rig) finish(limit time.Duration) *demoReport {
	r.t.Helper()
	select {
	case err := <-r.tech.ended:
		if err != nil {
			r.t.Fatal(err)
		}
	case err := <-r.ended:
		r.ended <- err
		r.t.Fatalf("the bench ended: %v", err)
	case <-time.After(limit):
		r.t.Fatalf("the set is not finished after %v", limit)
	}
	report, err := r.tech.report(r.ctx)
	if err != nil {
		r.t.Fatal(err)
	}
	return report
}

// inProcess runs a daemon of the rig's configuration in this process and returns
// its address and a function that stops it.
func (r *rig) inProcess() (d *daemon, address string, stop func()) {
	r.t.Helper()
	return startDaemon(r.t, r.cfg)
}

func startDaemon(t *testing.T, cfg *config) (d *daemon, address string, stop func()) {
	t.Helper()
	return startDaemonAt(t, cfg, testSpeed, nil)
}

// startDaemonAt is startDaemon at a speed, with a station clock of the caller's (nil:
// one that starts now).
func startDaemonAt(t testing.TB, cfg *config, speed float64, clock *stationClock) (d *daemon, address string, stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	addresses := make(chan net.Addr, 1)
	d = &daemon{
		cfg: cfg, log: zerolog.New(zerolog.NewTestWriter(t)).Level(zerolog.WarnLevel), speed: speed, clock: clock, simulated: true,
		listening: func(a net.Addr) { addresses <- a },
	}
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	var once sync.Once
	stop = func() {
		once.Do(func() {
			cancel()
			if err := <-done; err != nil {
				t.Errorf("the daemon: %v", err)
			}
		})
	}
	t.Cleanup(stop)
	select {
	case a := <-addresses:
		return d, a.String(), stop
	case err := <-done:
		done <- err
		t.Fatalf("the daemon did not start: %v", err)
	case <-time.After(30 * time.Second):
		t.Fatal("the daemon did not start within 30 s")
	}
	return nil, "", nil
}

// childEnv asks the test binary to be a daemon: its value is the device, the
// database, the address, the speed, and the boot-time clock (ns) and Unix time (ns) at
// which the station clock began, separated by newlines.
const childEnv = "RINGSADDLE_TEST_DAEMON"

// childDaemon is the daemon of a process of its own.
func childDaemon() int {
	var device, database, listen string
	clock := stationClock{boot: acquire.BootClock}
	if _, err := fmt.Sscanf(os.Getenv(childEnv), "%s\n%s\n%s\n%g\n%d\n%d", &device, &database, &listen, &clock.speed, &clock.boot0, &clock.wall0); err != nil {
		fmt.Fprintln(os.Stderr, childEnv, err)
		return 2
	}
	sc, err := bench.LoadScenario("demo")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 2
	}
	cfg := demoConfig(sc, device, database, listen)
	cfg.Stations[0].Readout.SilenceAfter.Duration = 20 * time.Second
	d := &daemon{cfg: cfg, log: zerolog.New(os.Stderr).Level(zerolog.WarnLevel), speed: clock.speed, clock: &clock, simulated: true}
	if err := d.Run(context.Background()); err != nil && !errors.Is(err, context.Canceled) {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return 0
}
