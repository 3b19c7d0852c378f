package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"ringsaddle/calibrate"
	"ringsaddle/storage"
)

const evaluateLong = `Evaluate works out the diameters of a set at 20 °C with their uncertainty budget
and, where a tolerance is given, the decision.

The set comes from a file in the form "` + calibrate.SetFormat + `" (- is standard
input) or from the database by its id. Every quantity in the file is one random
variable: {"value":…,"u":…,"dof":…} or {"value":…,"half_width":…,
"distribution":"rectangular"|"triangular"|"normal"}; the half width of a normal
quantity is its expanded uncertainty with k = 2.

Method gum is the law of propagation of uncertainty (JCGM 100) with second-order
terms, mc the propagation of distributions (JCGM 101), both the first validated
against the second.

Exit status: 0 with any outcome of the set, 2 for input that cannot be read or
makes no sense.`

// setLoader finds a set of the database by its id.
type setLoader func(ctx context.Context, id string) (calibrate.SetFile, error)

func newEvaluateCommand() *cobra.Command {
	var database string
	cmd := newEvaluateCommandFrom(func(ctx context.Context, id string) (calibrate.SetFile, error) {
		return readSet(ctx, database, id)
	})
	cmd.Flags().StringVar(&database, "database", "ringsaddle.db", "the daemon's database, for a set given by its id")
	return cmd
}

// newEvaluateCommandFrom evaluates files, and sets of the database through load.
func newEvaluateCommandFrom(load setLoader) *cobra.Command {
	var file, method, format string
	var trials int
	cmd := &cobra.Command{
		Use:   "evaluate [SET | --file SET.json]",
		Short: "Work out diameters, uncertainty budget and decision of a set",
		Long:  evaluateLong,
		Args:  cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if format != "table" && format != "json" {
				return &exitError{2, fmt.Errorf("--format %q: permitted are table, json", format)}
			}
			if (file == "") == (len(args) == 0) {
				return &exitError{2, errors.New("give either the id of a set or --file SET.json")}
			}
			var set calibrate.SetFile
			var err error
			if file != "" {
				set, err = readSetFile(cmd.InOrStdin(), file)
			} else {
				set, err = load(cmd.Context(), args[0])
			}
			if err != nil {
				return &exitError{2, err}
			}
			out, err := calibrate.Evaluate(set, calibrate.Options{
				Method: calibrate.Method(method), MaxTrials: trials, ForEach: onAllCores,
			})
			if err != nil {
				return &exitError{2, oneLineEach(err)}
			}
			if format == "json" {
				enc := json.NewEncoder(cmd.OutOrStdout())
				enc.SetIndent("", "  ")
				enc.SetEscapeHTML(false)
				return enc.Encode(out)
			}
			return printOutcome(cmd.OutOrStdout(), set, out)
		},
	}
	f := cmd.Flags()
	f.StringVar(&file, "file", "", "set to evaluate, in the offline form (- is standard input)")
	f.StringVar(&method, "method", "gum", "gum, mc or both")
	f.StringVar(&format, "format", "table", "table or json")
	f.IntVar(&trials, "max-trials", calibrate.DefaultMaxTrials, "bound on Monte Carlo trials for each result")
	return cmd
}

// readSet makes the offline form of a set of the database, as it stands now, with
// the settings of its station as they were recorded last.
func readSet(ctx context.Context, database, id string) (calibrate.SetFile, error) {
	store, err := storage.Open(ctx, storage.Config{Path: database, ReadOnly: true}, time.Now, newID)
	if err != nil {
		return calibrate.SetFile{}, err
	}
	defer func() { _ = store.Close(ctx) }()
	record, err := store.Set(ctx, id)
	if err != nil {
		return calibrate.SetFile{}, err
	}
	events, err := store.Events(ctx, id)
	if err != nil {
		return calibrate.SetFile{}, err
	}
	state, err := calibrate.Fold(id, events)
	if err != nil {
		return calibrate.SetFile{}, err
	}
	settings, err := store.Station(ctx, record.Station)
	if err != nil {
		return calibrate.SetFile{}, err
	}
	var station struct {
		Bench calibrate.Station `json:"bench"`
	}
	if err := json.Unmarshal(settings.Settings, &station); err != nil {
		return calibrate.SetFile{}, fmt.Errorf("settings of station %s: %w", record.Station, err)
	}
	return calibrate.SetFileOf(state, station.Bench, nil)
}

func readSetFile(stdin io.Reader, name string) (calibrate.SetFile, error) {
	var data []byte
	var err error
	if name == "-" {
		data, err = io.ReadAll(stdin)
	} else {
		data, err = os.ReadFile(name)
	}
	if err != nil {
		return calibrate.SetFile{}, err
	}
	set, err := calibrate.DecodeSet(data)
	if err != nil {
		return calibrate.SetFile{}, fmt.Errorf("%s: %w", name, oneLineEach(err))
	}
	return set, nil
}

// oneLineEach indents the faults of a joined error under their number.
func oneLineEach(err error) error {
	lines := strings.Split(err.Error(), "\n")
	if len(lines) == 1 {
		return err
	}
	return fmt.Errorf("%d faults in the set:\n  %s", len(lines), strings.Join(lines, "\n  "))
}

// onAllCores runs the chunks of a Monte Carlo batch on all cores.
func onAllCores(first, n int, run func(chunk int)) {
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0))
	for i := first; i < first+n; i++ {
		g.Go(func() error {
			run(i)
			return nil
		})
	}
	_ = g.Wait() // run has no error
}
