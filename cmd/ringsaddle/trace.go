package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"ringsaddle/acquire"
	"ringsaddle/api"
	"ringsaddle/storage"
)

func newTraceCommand() *cobra.Command {
	var database, capture, station, from, to string
	cmd := &cobra.Command{
		Use:   "trace",
		Short: "Print the raw trace of a capture or of a time range as CSV",
		Long: `Prints the stored readings exactly as the readout sent them, with the header
t_s,x_mm,y_mm,tilt_mm,seq,flags,hint, in the form that "ringsaddle detect"
reads. It may run beside the daemon.`,
		Example: `  ringsaddle trace --database ringsaddle.db --capture 0192…
  ringsaddle trace --database ringsaddle.db --station bench-1 --from 2026-01-31T10:00:00Z --to 2026-01-31T10:05:00Z`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if (capture == "") == (station == "") {
				return &exitError{code: 2, err: errors.New("give either --capture, or --station with --from and --to")}
			}
			store, err := storage.Open(cmd.Context(), storage.Config{Path: database, ReadOnly: true}, time.Now, newID)
			if err != nil {
				return err
			}
			defer func() { _ = store.Close(cmd.Context()) }()
			csv := acquire.NewCSVWriter(cmd.OutOrStdout())
			write := func(stream acquire.Stream, batch []acquire.Reading) error {
				for _, r := range batch {
					if err := csv.Write(stream.Step, r); err != nil {
						return err
					}
				}
				return nil
			}
			if capture != "" {
				err = captureTrace(cmd.Context(), store, capture, write)
			} else {
				var begin, end time.Time
				if begin, err = time.Parse(time.RFC3339, from); err != nil {
					return &exitError{code: 2, err: fmt.Errorf("--from %q is no time; write for example 2026-01-31T10:00:00Z", from)}
				}
				if end, err = time.Parse(time.RFC3339, to); err != nil {
					return &exitError{code: 2, err: fmt.Errorf("--to %q is no time; write for example 2026-01-31T10:05:00Z", to)}
				}
				err = rangeTrace(cmd.Context(), store, station, begin, end, write)
			}
			return errors.Join(err, csv.Flush())
		},
	}
	cmd.Flags().StringVar(&database, "database", "ringsaddle.db", "the daemon's database (storage.path)")
	cmd.Flags().StringVar(&capture, "capture", "", "id of a capture")
	cmd.Flags().StringVar(&station, "station", "", "name of a station")
	cmd.Flags().StringVar(&from, "from", "", "first moment, RFC 3339")
	cmd.Flags().StringVar(&to, "to", "", "end of the range, RFC 3339")
	return cmd
}

// traceBatch is how many readings are handed on at once.
const traceBatch = 4096

// captureTrace hands the stored entries of a capture to fn.
func captureTrace(ctx context.Context, store *storage.Store, id string, fn api.TraceFunc) error {
	rec, err := store.Capture(ctx, id)
	if err != nil {
		return err
	}
	stored, err := store.Stream(ctx, rec.StreamID)
	if err != nil {
		return err
	}
	batch := make([]acquire.Reading, 0, traceBatch)
	for r, err := range store.Trace(ctx, rec.StreamID, rec.Capture.FirstSeq, rec.Capture.LastSeq) {
		if err != nil {
			return err
		}
		if batch = append(batch, r); len(batch) == traceBatch {
			if err := fn(stored.Stream, batch); err != nil {
				return err
			}
			batch = batch[:0]
		}
	}
	if len(batch) == 0 {
		return nil
	}
	return fn(stored.Stream, batch)
}

// rangeTrace hands the stored entries of a station in [from, to) to fn.
func rangeTrace(ctx context.Context, store *storage.Store, station string, from, to time.Time, fn api.TraceFunc) error {
	var stream acquire.Stream
	batch := make([]acquire.Reading, 0, traceBatch)
	flush := func() error {
		if len(batch) == 0 {
			return nil
		}
		err := fn(stream, batch)
		batch = batch[:0]
		return err
	}
	for r, err := range store.TraceByTime(ctx, station, from.UnixNano(), to.UnixNano()) {
		if err != nil {
			return err
		}
		if r.StreamID != stream.ID {
			if err := flush(); err != nil {
				return err
			}
			stored, err := store.Stream(ctx, r.StreamID)
			if err != nil {
				return err
			}
			stream = stored.Stream
		}
		if batch = append(batch, r.Reading); len(batch) == traceBatch {
			if err := flush(); err != nil {
				return err
			}
		}
	}
	return flush()
}
