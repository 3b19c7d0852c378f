// Command ringsaddle certifies plain setting rings from the stream of a bench
// readout's serial port: it captures turning points hands-free, brackets the work
// between master checks, and keeps every trace. See README.md.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"
)

func main() { os.Exit(run(os.Args[1:])) }

// run returns the exit status: 0 done, 1 failed, 2 input or usage that cannot be
// read, or the status an exitError carries. A second signal ends the process at
// once.
func run(args []string) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, stop) // back to the default: a second signal kills
	root := newRootCommand()
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return 0
	}
	var exit *exitError
	if errors.As(err, &exit) {
		if exit.err != nil {
			fmt.Fprintln(os.Stderr, "ringsaddle:", exit.err)
		}
		return exit.code
	}
	fmt.Fprintln(os.Stderr, "ringsaddle:", err)
	return 1
}

func newRootCommand() *cobra.Command {
	root := &cobra.Command{
		Use:           "ringsaddle",
		Short:         "Certify setting rings hands-free from a bench readout",
		Long:          rootLong,
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return &exitError{code: 2, err: err} })
	for _, c := range commands() {
		root.AddCommand(c)
	}
	return root
}
