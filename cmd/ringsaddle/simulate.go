package main

import (
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"slices"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"ringsaddle/acquire/bench"
)

const simulateLong = `Simulate runs a simulated bench on a pseudo-terminal and prints the path under
which a program opens it, as it would open the serial port of a real readout.
A hand works through the scenario's tasks; then it rests, and the readout goes on
sending until the command is interrupted.

With --csv it writes the readings of all tasks to a file instead, as fast as it
can, and with --truth what really happened: where the extrema were crossed, the
noise-free reading at the saddle, the true diameters and temperatures.

SCENARIO is a ready scenario (see --list), a class (class:NAME, drawn from the
seed), or a file: whatever contains a slash or ends in .toml.`

type simulateFlags struct {
	scenario, link, csv, truth string
	seed                       uint64
	speed, rate                float64
	list                       bool
}

func newSimulateCommand() *cobra.Command {
	var f simulateFlags
	cmd := &cobra.Command{
		Use:   "simulate",
		Short: "Run a simulated bench on a pseudo-terminal, or write its readings to a file",
		Long:  simulateLong,
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if f.list {
				return listScenarios(cmd.OutOrStdout())
			}
			return f.run(cmd)
		},
	}
	fl := cmd.Flags()
	fl.StringVar(&f.scenario, "scenario", "demo", "ready `SCENARIO`, class:NAME, or file")
	fl.Uint64Var(&f.seed, "seed", 1, "seed of everything random; the same seed gives the same hand and noise")
	fl.Float64Var(&f.speed, "speed", 1, "simulated seconds per second, 0.01 to 100")
	fl.Float64Var(&f.rate, "rate", 0, "sampling rate in `HZ` instead of the scenario's")
	fl.StringVar(&f.link, "link", "", "keep a symbolic link at `PATH` pointing at the device")
	fl.StringVar(&f.csv, "csv", "", "write the readings to `FILE` (- is standard output) and run no device")
	fl.StringVar(&f.truth, "truth", "", "with --csv: write the truth to `FILE` as JSON")
	fl.BoolVar(&f.list, "list", false, "list the ready scenarios and the classes")
	return cmd
}

func listScenarios(w io.Writer) error {
	names, what, err := bench.Scenarios()
	if err != nil {
		return err
	}
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, n := range names {
		fmt.Fprintf(tw, "%s\t%s\n", n, what[n])
	}
	for _, c := range bench.Classes() {
		fmt.Fprintf(tw, "class:%s\t%s\n", c, c.Describe())
	}
	return tw.Flush()
}

// load returns the scenario that the flags name.
func (f *simulateFlags) load() (bench.Scenario, error) {
	var sc bench.Scenario
	var err error
	if name, ok := bench.CutClass(f.scenario); ok {
		if !slices.Contains(bench.Classes(), name) {
			return sc, fmt.Errorf("class %q does not exist (simulate --list shows them)", name)
		}
		sc, err = bench.ClassScenario(name, rand.New(rand.NewPCG(f.seed, 0)))
	} else {
		sc, err = bench.OpenScenario(f.scenario)
	}
	if err != nil {
		return sc, err
	}
	if f.rate != 0 {
		sc.Readout.RateHz = f.rate
	}
	return sc, sc.Validate()
}

func (f *simulateFlags) run(cmd *cobra.Command) error {
	if f.truth != "" && f.csv == "" {
		return &exitError{code: 2, err: errors.New("--truth needs --csv: a bench on a device has no end at which to write it")}
	}
	sc, err := f.load()
	if err != nil {
		return &exitError{code: 2, err: err}
	}
	if f.csv != "" {
		return f.write(cmd.OutOrStdout(), sc)
	}
	b, err := bench.New(bench.Options{Scenario: sc, Seed: f.seed, Speed: f.speed, Link: f.link})
	if err != nil {
		return &exitError{code: 2, err: err}
	}
	path, err := b.Open()
	if err != nil {
		return err
	}
	fmt.Fprintln(cmd.OutOrStdout(), path)
	return b.Run(cmd.Context())
}

func (f *simulateFlags) write(stdout io.Writer, sc bench.Scenario) error {
	tr, err := bench.Generate(sc, f.seed)
	if err != nil {
		return err
	}
	if err := writeTo(f.csv, stdout, tr.WriteCSV); err != nil {
		return err
	}
	if f.truth == "" {
		return nil
	}
	return writeTo(f.truth, stdout, tr.WriteTruth)
}

// writeTo writes to a file, or to standard output for "-".
func writeTo(name string, stdout io.Writer, write func(io.Writer) error) (err error) {
	if name == "-" {
		return write(stdout)
	}
	file, err := os.Create(name)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	return write(file)
}
