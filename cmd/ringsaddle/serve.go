package main

import (
	"fmt"
	"io"
	"os"
	"time"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"
	"golang.org/x/term"
)

func newServeCommand() *cobra.Command {
	var path string
	var checkOnly bool
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Run the daemon: read the benches, capture, store, serve the bench page",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			cfg, err := loadConfig(path)
			if err != nil {
				return &exitError{code: 2, err: err}
			}
			if checkOnly {
				fmt.Fprintf(cmd.OutOrStdout(), "%s: no fault found, %d station(s)\n", path, len(cfg.Stations))
				return nil
			}
			log := newLogger(os.Stderr, cfg.Log)
			d := &daemon{cfg: cfg, log: log, speed: 1}
			log.Info().Str("version", version()).Str("database", cfg.Storage.Path).Msg("ringsaddle starts")
			return d.Run(cmd.Context())
		},
	}
	cmd.Flags().StringVar(&path, "config", "ringsaddle.toml", "configuration file; deploy/ringsaddle.toml explains every key")
	cmd.Flags().BoolVar(&checkOnly, "check-config", false, "check the configuration and exit: 0 no fault, 2 faults")
	return cmd
}

// newLogger writes for a person on a terminal and JSON elsewhere.
func newLogger(w *os.File, cfg logConfig) zerolog.Logger {
	level, err := zerolog.ParseLevel(cfg.Level)
	if err != nil {
		level = zerolog.InfoLevel
	}
	var out io.Writer = w
	if cfg.Format == "console" || cfg.Format == "auto" && term.IsTerminal(int(w.Fd())) {
		out = zerolog.ConsoleWriter{Out: w, TimeFormat: time.TimeOnly}
	}
	return zerolog.New(out).Level(level).With().Timestamp().Logger()
}
