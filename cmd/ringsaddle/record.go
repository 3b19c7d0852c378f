package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"ringsaddle/acquire"
)

func newRecordCommand() *cobra.Command {
	var o lineOptions
	var out string
	var force bool
	cmd := &cobra.Command{
		Use:   "record --port PORT --out FILE",
		Short: "Record the bytes of a readout with their times to a file",
		Long: `Record what a readout sends, byte for byte with the time of every read, to a text
file. Such a file is the best report of a fault: it can be replayed as if the
readout were there. It holds nothing but the bytes of the port, the name and the
settings of the port and the id of this boot; read it before you send it.

A port that is lost is waited for, and the loss is in the file. The file is
complete when its last line begins with "end".`,
		Example: `  ringsaddle record --port /dev/ttyUSB0 --baud 4800 --duration 2m --out fault.txt`,
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return record(cmd, &o, out, force)
		},
	}
	o.register(cmd)
	cmd.Flags().StringVar(&out, "out", "", `file to write, "-" for standard output`)
	cmd.Flags().BoolVar(&force, "force", false, "overwrite the file")
	_ = cmd.MarkFlagRequired("out") // the flag is there: no error
	return cmd
}

func record(cmd *cobra.Command, o *lineOptions, out string, force bool) (err error) {
	log := lineLog(cmd.ErrOrStderr())
	ctx, cancel := o.limit(cmd.Context())
	defer cancel()
	cfg, done, err := o.open(ctx, log)
	if err != nil {
		return &exitError{code: 2, err: err}
	}
	defer done()
	var w io.Writer = cmd.OutOrStdout()
	if out != "-" {
		f, err := create(out, force)
		if err != nil {
			return &exitError{code: 2, err: err}
		}
		defer func() { err = errors.Join(err, f.Sync(), f.Close()) }()
		w = f
	}
	recorder := acquire.NewRecorder(w, acquire.RecordingHeader{
		Station: o.line.Port, Port: cfg.PortLabel, BootID: cfg.BootID,
	}, acquire.BootClock)
	cfg.OnBytes = recorder.Tap
	source, err := acquire.NewSource(cfg)
	if err != nil {
		return &exitError{code: 2, err: err}
	}
	fmt.Fprintf(cmd.ErrOrStderr(), "recording %s to %s; interrupt to end\n", cfg.PortLabel, out)

	// The source ends first, and what it still had is written after it. A write
	// error ends the source.
	group, ctx := errgroup.WithContext(ctx)
	drained, drain := context.WithCancel(context.WithoutCancel(ctx))
	group.Go(func() error {
		defer drain()
		return source.Run(ctx)
	})
	group.Go(func() error { return recorder.Run(drained) })
	if err := group.Wait(); err != nil {
		return err
	}
	n, lost := recorder.Counts()
	s := source.Stats()
	fmt.Fprintf(cmd.ErrOrStderr(), "%d bytes recorded, port lost and reopened %d times\n", n, s.Reconnects)
	if lost > 0 {
		return fmt.Errorf("%d bytes are missing from the recording: the disk was too slow; the file says where", lost)
	}
	return nil
}

// create makes the file; one that is there is kept unless force is set.
func create(name string, force bool) (*os.File, error) {
	flags := os.O_WRONLY | os.O_CREATE | os.O_EXCL
	if force {
		flags = os.O_WRONLY | os.O_CREATE | os.O_TRUNC
	}
	f, err := os.OpenFile(name, flags, 0o644)
	if errors.Is(err, fs.ErrExist) {
		return nil, fmt.Errorf("%s is there already; choose another name, or --force to overwrite it", name)
	}
	return f, err
}
