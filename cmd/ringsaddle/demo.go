package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"ringsaddle/acquire/bench"
	"ringsaddle/acquire/frame"
	"ringsaddle/acquire/serialport"
	"ringsaddle/calibrate"
)

type demoOptions struct {
	seed     uint64
	speed    float64
	exit     bool
	practise bool
	scenario string
	folder   string
	listen   string
	logLevel string
}

// maxDemoSpeed keeps the frames at a rate that a serial line could carry.
const maxDemoSpeed = 10

func newDemoCommand() *cobra.Command {
	var o demoOptions
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Measure a whole set on a simulated bench, through a real serial device",
		Long: `Starts a simulated bench on a pseudo-terminal and the daemon on it, with a fresh
database, and measures an invented set: a master, a work ring at three heights in
two directions, each position by two entries, and the master again. Nothing is
touched but the simulated knobs. It ends with a table that has the simulated truth
beside what was found. Without --exit the bench page stays up with the finished set,
and the simulated hand goes on to serve any set that is started there. With
--practise it does nothing else: the register is empty, and a person registers the
rings, starts the set and confirms the idents at the page, at life's speed unless
--speed says otherwise.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if !(o.speed >= 0.1 && o.speed <= maxDemoSpeed) {
				return &exitError{code: 2, err: fmt.Errorf("--speed %g: permitted 0.1 to %d", o.speed, maxDemoSpeed)}
			}
			if o.practise && o.exit {
				return &exitError{code: 2, err: errors.New("--practise and --exit exclude each other: a set that a person starts ends when that person closes it")}
			}
			if o.practise && !cmd.Flags().Changed("speed") {
				o.speed = 1
			}
			return runDemo(cmd.Context(), cmd.OutOrStdout(), o)
		},
	}
	f := cmd.Flags()
	f.Uint64Var(&o.seed, "seed", 1, "which hand and which disturbances")
	f.Float64Var(&o.speed, "speed", maxDemoSpeed, "how many simulated seconds pass in a second, 0.1 to 10; the station clock runs as fast")
	f.BoolVar(&o.exit, "exit", false, "end after the table: status 0 only if every position was captured and agrees with the truth")
	f.BoolVar(&o.practise, "practise", false, "leave the page to a person: empty register, no set; the simulated hand serves what is started there")
	f.StringVar(&o.scenario, "scenario", "demo", "ready scenario or scenario file (ringsaddle simulate --list)")
	f.StringVar(&o.folder, "folder", "", "folder for the database and the device link; default a new temporary one")
	f.StringVar(&o.listen, "listen", "127.0.0.1:0", "address of the bench page")
	f.StringVar(&o.logLevel, "log-level", "warn", "what the daemon logs: debug, info, warn, error")
	return cmd
}

// runDemo starts bench and daemon, lets the technician measure, prints the table.
func runDemo(ctx context.Context, out io.Writer, o demoOptions) error {
	scenario, err := bench.OpenScenario(o.scenario)
	if err != nil {
		return &exitError{code: 2, err: err}
	}
	if o.folder == "" {
		if o.folder, err = os.MkdirTemp("", "ringsaddle-demo-"); err != nil {
			return err
		}
	}
	tech := &technician{out: out, scenario: scenario, speed: o.speed, started: time.Now(), began: make(chan struct{}), ended: make(chan error, 1), patience: 2 * time.Second, stays: !o.exit, serves: o.practise}
	device := filepath.Join(o.folder, "bench")
	look := &glance{}
	simulated, err := bench.New(bench.Options{
		Scenario: scenario, Seed: o.seed, Speed: o.speed, Link: device, Instructor: tech, Adviser: look, Follow: bench.DefaultFollow(),
	})
	if err != nil {
		return err
	}
	if _, err := simulated.Open(); err != nil {
		return err
	}
	tech.bench = simulated

	cfg := demoConfig(scenario, device, filepath.Join(o.folder, "ringsaddle.db"), o.listen)
	level, err := zerolog.ParseLevel(o.logLevel)
	if err != nil {
		return &exitError{code: 2, err: fmt.Errorf("--log-level %q: permitted debug, info, warn, error", o.logLevel)}
	}
	address := make(chan net.Addr, 1)
	d := &daemon{
		cfg: cfg, log: newLogger(os.Stderr, logConfig{Level: level.String(), Format: "auto"}), speed: o.speed, simulated: true,
		listening: func(a net.Addr) { address <- a },
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	g, runCtx := errgroup.WithContext(ctx)
	g.Go(func() error { return d.Run(runCtx) })
	g.Go(func() error { return simulated.Run(runCtx) })
	var verdict error
	reachable := make(chan struct{})
	g.Go(func() error {
		select {
		case <-reachable:
			return look.Run(runCtx, tech.api)
		case <-runCtx.Done():
			return nil
		}
	})
	g.Go(func() error {
		select {
		case a := <-address:
			tech.api = &client{base: "http://" + a.String()}
			close(reachable)
		case <-runCtx.Done():
			return nil
		}
		fmt.Fprintf(out, "Simulated bench %s, seed %d, speed %g. Database %s\nBench page: %s/\n\n", device, o.seed, o.speed, cfg.Storage.Path, tech.api.base)
		if o.practise {
			tech.invite()
			close(tech.began)
			return nil
		}
		report, err := tech.measure(runCtx)
		if err != nil {
			if runCtx.Err() != nil {
				return nil
			}
			return err
		}
		report.print(out)
		followed, ignored := simulated.Advised()
		fmt.Fprintf(out, "In mid-entry the hand did %d times what the page said instead of what it had in mind, and passed over it %d times.\n", followed, ignored)
		verdict = report.verdict()
		if o.exit {
			stop()
			return nil
		}
		fmt.Fprintf(out, "\nThe bench page stays up at %s/ (Ctrl-C ends).\n", tech.api.base)
		return nil
	})
	if err := g.Wait(); err != nil {
		return err
	}
	if o.exit && verdict != nil {
		return &exitError{code: 1, err: verdict}
	}
	return nil
}

// demoConfig is the configuration of the simulated bench.
func demoConfig(sc bench.Scenario, device, database, listen string) *config {
	cfg := defaultConfig()
	cfg.HTTP.Listen, cfg.Storage.Path = listen, database
	s := stationConfig{
		Name: "bench-1", Title: "Simulated bench",
		Serial: serialport.Config{Port: device, Baud: 115200},
		Frame:  frame.Config{Form: "signed-decimal-mm-crlf", Decimals: sc.Readout.Decimals},
	}
	s.fillDefaults(func(key string) bool {
		return slices.Contains([]string{"station[0].serial.baud", "station[0].frame.decimals"}, key)
	}, "station[0]")
	s.Readout.Sign = sc.Instrument.Sign
	s.Instrument.ScaleMaterial = "glass"
	// Master and work have one nominal size: only a few micrometres of the scale
	// are used.
	s.Instrument.ScaleErrorU.Length = 20_000 * calibrate.Picometre
	cfg.Stations = []stationConfig{s}
	return cfg
}

// technician measures a set as the bench page asks. He reads the page, not the
// detector: what he knows comes through the API. He also is the hand's instructor.
type technician struct {
	out      io.Writer
	api      *client
	bench    *bench.Bench
	scenario bench.Scenario
	speed    float64
	started  time.Time
	began    chan struct{} // closed when the set has been started
	ended    chan error    // one value when there is nothing more to measure

	stays  bool // after its own set the hand serves those that a person starts
	serves bool // it does so now

	served string // the set of a person's that it serves; empty if none
	setID  string
	ids    map[string]string // ring ident → id
	told   int               // captures printed
	known  int               // captures on the page when the entry in hand began

	onTable string // ident of the ring on the table

	// patience is how much longer he waits for a page that does not follow.
	patience time.Duration
}

const technicianName = "A. Demo"

// measure registers the rings, starts the set, and waits until it has ended.
func (t *technician) measure(ctx context.Context) (*demoReport, error) {
	if err := t.register(ctx); err != nil {
		return nil, err
	}
	if err := t.start(ctx); err != nil {
		return nil, err
	}
	close(t.began)
	select {
	case err := <-t.ended:
		if err != nil {
			return nil, err
		}
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	return t.report(ctx)
}

// register enters the scenario's rings with what their certificates say.
func (t *technician) register(ctx context.Context) error {
	t.ids = map[string]string{}
	for _, r := range t.scenario.Rings {
		in := map[string]any{"by": technicianName, "ident": r.Ident, "kind": r.Role, "nominal_mm": r.NominalMM, "material": "steel"}
		if r.Role == "master" {
			in["certificate"] = t.certificateOf(r)
		}
		var ring remoteRing
		if err := t.api.call(ctx, http.MethodPost, "/rings", in, &ring); err != nil {
			return err
		}
		t.ids[r.Ident] = ring.ID
	}
	return nil
}

// demoCertificate is a certificate as the page asks for it.
type demoCertificate struct {
	Number       string  `json:"number"`
	DiameterMM   float64 `json:"diameter_20c_mm"`
	ExpandedMM   float64 `json:"expanded_uncertainty_mm"`
	K            float64 `json:"coverage_factor"`
	HeightMM     float64 `json:"height_mm"`
	DirectionDeg float64 `json:"direction_deg"`
	CalibratedOn string  `json:"calibrated_on"`
	DueOn        string  `json:"due_on"`
}

// certificateOf is the invented certificate of the scenario's master.
func (t *technician) certificateOf(r bench.Ring) demoCertificate {
	day := func(years int) string { return time.Now().AddDate(years, 0, 0).Format(time.DateOnly) }
	at := t.scenario.Tasks[0]
	return demoCertificate{
		Number: "DEMO-1", DiameterMM: r.NominalMM + r.CertifiedUM*1e-3, ExpandedMM: r.ExpandedUM * 1e-3, K: 2,
		HeightMM: at.HeightMM, DirectionDeg: at.DirectionDeg, CalibratedOn: day(-1), DueOn: day(1),
	}
}

// start orders the set that the scenario's tasks describe.
func (t *technician) start(ctx context.Context) error {
	first := t.scenario.Tasks[0]
	repeats := max(1, first.Repeat)
	type position struct {
		HeightMM     float64 `json:"height_mm"`
		DirectionDeg float64 `json:"direction_deg"`
	}
	type work struct {
		RingID    string     `json:"ring_id"`
		Positions []position `json:"positions"`
	}
	var works []work
	for _, task := range t.scenario.Tasks {
		if task.Ring == first.Ring {
			continue
		}
		id := t.ids[task.Ring]
		if n := len(works); n == 0 || works[n-1].RingID != id {
			works = append(works, work{RingID: id})
		}
		w := &works[len(works)-1]
		w.Positions = append(w.Positions, position{task.HeightMM, task.DirectionDeg})
	}
	var set remoteSet
	err := t.api.call(ctx, http.MethodPost, "/sets", map[string]any{
		"station": "bench-1", "technician": technicianName, "master_id": t.ids[first.Ring], "works": works, "repeats": repeats,
	}, &set)
	t.setID = set.ID
	return err
}

// Next is called whenever the hand is free: it reads the page and says what to
// measure. It implements bench.Instructor.
func (t *technician) Next(ctx context.Context, done *bench.Entry) (bench.Task, error) {
	select {
	case <-t.began:
	case <-ctx.Done():
		return bench.Task{}, ctx.Err()
	}
	if t.serves {
		return t.serve(ctx, done)
	}
	task, err := t.next(ctx, done)
	for away := time.Now(); unreachable(err) && time.Since(away) < time.Minute; {
		// The page is away: wait for it to come back, as a person would.
		if err = t.pause(ctx, 500*time.Millisecond); err == nil {
			task, err = t.next(ctx, done)
		}
	}
	if err == nil {
		return task, nil
	}
	if ctx.Err() == nil && !errors.Is(err, io.EOF) {
		t.ended <- err
	}
	if errors.Is(err, io.EOF) {
		t.ended <- nil
		if t.stays {
			t.serves = true
			return t.serve(ctx, nil)
		}
	}
	return bench.Task{}, io.EOF
}

// unreachable reports whether the daemon could not be asked at all.
func unreachable(err error) bool {
	var u *url.Error
	return errors.As(err, &u) && !errors.Is(err, context.Canceled)
}

func (t *technician) next(ctx context.Context, done *bench.Entry) (bench.Task, error) {
	deadline := time.Now().Add(t.real(30*time.Second) + t.patience)
	for {
		set, err := t.api.set(ctx, t.setID)
		if err != nil {
			return bench.Task{}, err
		}
		t.tell(set)
		switch {
		case set.Waits == "close":
			if err := t.api.act(ctx, t.setID, "close", map[string]any{"by": technicianName}); err != nil {
				return bench.Task{}, err
			}
			return bench.Task{}, io.EOF
		case set.Closed || set.Waits == "nothing":
			return bench.Task{}, io.EOF
		case set.Waits == "confirm_ring" && set.ConfirmIdent != t.onTable:
			// Another ring is taken from its place; meanwhile the page catches up.
			t.onTable = set.ConfirmIdent
			if err := t.pause(ctx, 5*time.Second); err != nil {
				return bench.Task{}, err
			}
			continue
		case set.Waits == "confirm_ring":
			fmt.Fprintf(t.out, "%s  ring %s: ident read and confirmed\n", t.stamp(), set.ConfirmIdent)
			if err := t.api.act(ctx, t.setID, "confirm-ring", map[string]any{"by": technicianName, "ring_id": set.ConfirmRing}); err != nil {
				return bench.Task{}, err
			}
			continue
		case set.Waits == "answer":
			if err := t.answer(ctx, set, done); err != nil {
				return bench.Task{}, err
			}
			continue
		}
		// The page still works on the entry that has just ended.
		working := set.Waits == "withdrawal" || done != nil && len(set.Captures) <= t.known
		if working && time.Now().Before(deadline) {
			if err := t.pause(ctx, 300*time.Millisecond); err != nil {
				return bench.Task{}, err
			}
			continue
		}
		t.known = len(set.Captures)
		step := set.Steps[set.Step]
		if err := t.readThermometers(ctx, step); err != nil {
			return bench.Task{}, err
		}
		return bench.Task{Ring: step.Ident, HeightMM: step.HeightMM, DirectionDeg: step.DirectionDeg, Label: fmt.Sprint(set.Step)}, nil
	}
}

// answer answers a question about a capture that was not made at the step in hand.
// Any other question stops the demo.
func (t *technician) answer(ctx context.Context, set remoteSet, done *bench.Entry) error {
	if done == nil || done.Task.Label == fmt.Sprint(set.Step) {
		return fmt.Errorf("the set asks and the demo has no answer: %s", set.Question.Text)
	}
	fmt.Fprintf(t.out, "%s  asked: %s Answered no.\n", t.stamp(), set.Question.Text)
	return t.api.act(ctx, t.setID, "answer", map[string]any{"by": technicianName, "accept": false})
}

// real is a duration of the simulated bench as it takes on the clock.
func (t *technician) real(simulated time.Duration) time.Duration {
	return time.Duration(float64(simulated) / t.speed)
}

func (t *technician) pause(ctx context.Context, simulated time.Duration) error {
	select {
	case <-time.After(max(t.real(simulated), 20*time.Millisecond)):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// stamp is the simulated time since the demo began.
func (t *technician) stamp() string {
	s := int(time.Since(t.started).Seconds() * t.speed)
	return fmt.Sprintf("%3d:%02d", s/60, s%60)
}

// tell prints what is new on the page.
func (t *technician) tell(set remoteSet) {
	for _, c := range set.Captures[min(t.told, len(set.Captures)):] {
		where := ""
		if c.Step >= 0 && c.Step < len(set.Steps) {
			where = set.Steps[c.Step].Title
		}
		switch {
		case c.ReadingMM != nil && c.UMM != nil:
			fmt.Fprintf(t.out, "%s  %-44s %s  reading %.5f mm, u %.3f µm\n", t.stamp(), where, c.Outcome, *c.ReadingMM, *c.UMM*1e3)
		default:
			why := ""
			for _, r := range c.Reasons {
				why += " " + r.Text
			}
			fmt.Fprintf(t.out, "%s  %-44s %s %s\n", t.stamp(), where, c.Outcome, why)
		}
	}
	t.told = max(t.told, len(set.Captures))
}

// readThermometers types in what the thermometers show, as the technician does
// before each entry.
func (t *technician) readThermometers(ctx context.Context, step remoteStep) error {
	type temperature struct {
		RingID  string  `json:"ring_id,omitempty"`
		Celsius float64 `json:"celsius"`
		U       float64 `json:"u_kelvin"`
	}
	return t.api.act(ctx, t.setID, "temperatures", map[string]any{"by": technicianName, "temperatures": []temperature{
		{RingID: step.RingID, Celsius: t.bench.Thermometer(step.Ident), U: 0.02},
		{Celsius: t.bench.Thermometer(""), U: 0.02},
	}})
}
