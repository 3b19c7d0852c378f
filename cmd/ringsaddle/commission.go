package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"ringsaddle/calibrate"
	"ringsaddle/storage"
)

func newCommissionCommand() *cobra.Command {
	var database, smallIdent, largeIdent, smallText, largeText string
	cmd := &cobra.Command{
		Use:   "commission",
		Short: "Confirm the sign of a station's reading with two unequal masters",
		Long: `With master and work of one size nothing shows a wrong sign of the reading. Register
two masters of different size, bring first the smaller and then the larger one to its
turning points, note what the readout shows, and give both readings here. The command
says whether the reading grows or falls with the diameter (readout.sign in the
configuration) and whether it moves by as much as the masters differ, which catches
wrong units and decimals. It does not calibrate the scale.`,
		Example: `  ringsaddle commission --database ringsaddle.db --small M-30 --small-reading "1.5018 mm" \
      --large M-40 --large-reading "11.5022 mm"`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			var small, large length
			_ = small.UnmarshalText([]byte(smallText)) // the error is kept in the value
			_ = large.UnmarshalText([]byte(largeText))
			if small.err != nil || large.err != nil {
				return &exitError{code: 2, err: errors.Join(named("--small-reading", small.err), named("--large-reading", large.err))}
			}
			rings, err := readRings(cmd.Context(), database, smallIdent, largeIdent)
			if err != nil {
				return &exitError{code: 2, err: err}
			}
			return commission(cmd.OutOrStdout(), small.Length, large.Length, rings[0], rings[1])
		},
	}
	f := cmd.Flags()
	f.StringVar(&database, "database", "ringsaddle.db", "the daemon's database, for the masters' certificates")
	f.StringVar(&smallIdent, "small", "", "ident of the smaller master")
	f.StringVar(&largeIdent, "large", "", "ident of the larger master")
	f.StringVar(&smallText, "small-reading", "", `what the readout shows with the smaller master, with its unit`)
	f.StringVar(&largeText, "large-reading", "", `what it shows with the larger one`)
	return cmd
}

func named(flag string, err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%s: %w", flag, err)
}

func readRings(ctx context.Context, database string, idents ...string) ([]calibrate.Ring, error) {
	store, err := storage.Open(ctx, storage.Config{Path: database, ReadOnly: true}, time.Now, newID)
	if err != nil {
		return nil, err
	}
	defer func() { _ = store.Close(ctx) }()
	var rings []calibrate.Ring
	for _, ident := range idents {
		r, err := store.RingByIdent(ctx, ident)
		if err != nil {
			return nil, fmt.Errorf("master %q: %w; register it with its certificate first", ident, err)
		}
		rings = append(rings, r.Ring)
	}
	return rings, nil
}

// commission prints what was looked at; an error means that the station may not be
// used as it is.
func commission(out io.Writer, smallReading, largeReading calibrate.Length, small, large calibrate.Ring) error {
	sign, checks, err := calibrate.CommissionSign(smallReading, largeReading, small, large)
	for _, c := range checks {
		word := "ok     "
		if !c.OK {
			word = "NOT OK "
		}
		fmt.Fprintf(out, "%s %s: %s\n", word, c.Name, c.Text)
	}
	if err != nil {
		return &exitError{code: 1, err: err}
	}
	fmt.Fprintf(out, "The reading %s with the diameter: readout.sign = %d.\n", map[int]string{1: "grows", -1: "falls"}[sign], sign)
	return nil
}
