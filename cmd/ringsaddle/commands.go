package main

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"

	"ringsaddle/detect"
)

const rootLong = `Ringsaddle reads the serial port of a bench length-measuring instrument, captures
every tilt minimum and cross maximum by itself, walks through the plan of a set
(opening master, work positions, closing master) and ends with corrected
diameters. Everything is stored with its raw trace.

Try it without a bench:  ringsaddle demo`

// commands lists the subcommands in the order in which help shows them.
func commands() []*cobra.Command {
	return []*cobra.Command{
		newDemoCommand(),
		newServeCommand(),
		newListenCommand(),
		newRecordCommand(),
		newPortsCommand(),
		newCommissionCommand(),
		newDetectCommand(),
		newEvaluateCommand(),
		newTraceCommand(),
		newSimulateCommand(),
		newVersionCommand(),
	}
}

// exitError carries an exit status to run. With a nil err nothing more is
// printed: the command has said it already.
type exitError struct {
	code int
	err  error
}

func (e *exitError) Error() string {
	if e.err == nil {
		return fmt.Sprintf("exit status %d", e.code)
	}
	return e.err.Error()
}

func (e *exitError) Unwrap() error { return e.err }

func newVersionCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "version",
		Short: "Print the version of the program and of its detector",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			fmt.Fprintf(cmd.OutOrStdout(), "ringsaddle %s\ndetector %s\n%s %s/%s\n",
				version(), detect.Revision, runtime.Version(), runtime.GOOS, runtime.GOARCH)
			return nil
		},
	}
}

// release is the version of this source tree; CHANGELOG.md has the same.
const release = "0.1.0"

// version is the release with the commit it was built from, where Go recorded it.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return release
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && len(s.Value) >= 12 {
			return release + "+" + s.Value[:12]
		}
	}
	return release
}
