package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"ringsaddle/acquire"
	"ringsaddle/acquire/frame"
	"ringsaddle/acquire/serialport"
)

// lineOptions are the flags of the commands that open a port by themselves.
type lineOptions struct {
	line     serialport.Config
	request  string
	interval time.Duration
	duration time.Duration
}

func (o *lineOptions) register(cmd *cobra.Command) {
	o.line = serialport.DefaultConfig()
	f := cmd.Flags()
	f.StringVar(&o.line.Port, "port", "", "device path, or usb:VID:PID[:SERIAL] (see `ringsaddle ports`)")
	f.IntVar(&o.line.Baud, "baud", o.line.Baud, "line speed")
	f.IntVar(&o.line.DataBits, "data-bits", o.line.DataBits, "data bits, 5 to 8")
	f.StringVar(&o.line.Parity, "parity", o.line.Parity, "none, odd, even, mark or space")
	f.IntVar(&o.line.StopBits, "stop-bits", o.line.StopBits, "stop bits, 1 or 2")
	f.StringVar(&o.line.DTR, "dtr", "", "level of the DTR line: high or low (default: leave it)")
	f.StringVar(&o.line.RTS, "rts", "", "level of the RTS line: high or low (default: leave it)")
	f.StringVar(&o.request, "request", "", `ask a polled readout with these bytes (escapes \r \n \xNN)`)
	f.DurationVar(&o.interval, "interval", 100*time.Millisecond, "time between two requests")
	f.DurationVar(&o.duration, "duration", 0, "stop after this time (default: until interrupted)")
	_ = cmd.MarkFlagRequired("port") // the flag is there: no error
}

// open opens the port once, so that a port that is missing or busy ends the
// command with one clear line, and returns what a source wants: the first Open
// yields that port. Call done when the source has ended: it closes a port that
// was never asked for.
func (o *lineOptions) open(ctx context.Context, log zerolog.Logger) (cfg acquire.SourceConfig, done func(), err error) {
	request, err := frame.Unescape(o.request)
	if err != nil {
		return cfg, nil, fmt.Errorf("--request: %w", err)
	}
	boot, err := acquire.BootID()
	if err != nil {
		return cfg, nil, err
	}
	opener, err := serialport.NewOpener(o.line, log)
	if err != nil {
		return cfg, nil, err
	}
	first, err := opener.Open(ctx)
	if err != nil {
		return cfg, nil, err
	}
	done = func() {
		if first != nil {
			_ = first.Close() // nothing was read from it
		}
	}
	cfg = acquire.SourceConfig{
		Station: o.line.Port, PortLabel: o.line.Label(), BootID: boot, Log: log,
		Open: func(ctx context.Context) (acquire.Port, error) {
			if p := first; p != nil {
				first = nil
				return p, nil
			}
			return opener.Open(ctx)
		},
	}
	if len(request) > 0 {
		cfg.PollRequest, cfg.PollInterval = request, o.interval
	}
	return cfg, done, nil
}

// lineLog is the log of a command that serves one port: what the fields would say
// is in the text.
func lineLog(w io.Writer) zerolog.Logger {
	return zerolog.New(zerolog.ConsoleWriter{
		Out: w, NoColor: true, PartsExclude: []string{zerolog.TimestampFieldName},
		FieldsExclude: []string{"station", "port", "event", "stream"},
	}).Level(zerolog.InfoLevel)
}

// limit ends the context after the duration, when one is given.
func (o *lineOptions) limit(ctx context.Context) (context.Context, context.CancelFunc) {
	if o.duration > 0 {
		return context.WithTimeout(ctx, o.duration)
	}
	return context.WithCancel(ctx)
}

func newListenCommand() *cobra.Command {
	var o lineOptions
	frames := frame.DefaultConfig()
	var count int
	cmd := &cobra.Command{
		Use:   "listen --port PORT [--form FORM | --pattern PATTERN]",
		Short: "Show what a readout sends, and why a frame does not match",
		Long: `Show the raw frames of a readout and, for each that does not match, why. Bytes
that are no printable text are escaped, and shown in hexadecimal too.

Without a form or a pattern the bytes are shown as they arrive, and at the end
the ready forms that fit them are named.

Ready forms:
` + formTable(),
		Example: `  ringsaddle listen --port /dev/ttyUSB0 --duration 10s
  ringsaddle listen --port usb:0403:6001 --baud 4800 --form signed-decimal-mm-crlf
  ringsaddle listen --port /dev/ttyS0 --terminator '\r' --pattern 'N(?P<x>[+-]\d+,\d+)' --decimal-mark comma`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if count < 0 {
				return &exitError{code: 2, err: fmt.Errorf("--count: %d; permitted: 0 (no limit) and above", count)}
			}
			var decoder *frame.Decoder
			if frames.Form != "" || frames.Pattern != "" {
				d, err := frame.New(frames)
				if err != nil {
					return &exitError{code: 2, err: err}
				}
				decoder = d
				if o.request == "" {
					o.request = frames.Request
				}
			}
			return listen(cmd, &o, decoder, count)
		},
	}
	o.register(cmd)
	f := cmd.Flags()
	f.StringVar(&frames.Form, "form", "", "ready form of the frames, see above")
	f.StringVar(&frames.Pattern, "pattern", "", "RE2 pattern of a frame with the group (?P<x>…)")
	f.StringVar(&frames.Terminator, "terminator", "", `bytes that end a frame (escapes \r \n \xNN; default of a pattern: \r\n)`)
	f.StringVar(&frames.DecimalMark, "decimal-mark", "", "point, comma or either")
	f.StringVar(&frames.Unit, "unit", "", "mm, um, inch, counts or from_frame")
	f.StringVar(&frames.CountLength, "count-length", "", `length of one count with unit "counts", such as "0.1 um"`)
	f.IntVar(&frames.Decimals, "decimals", -1, "number of decimals (default: learn it)")
	f.StringSliceVar(&frames.UnitMM, "unit-mm", nil, "words for millimetres in the group unit")
	f.StringSliceVar(&frames.UnitInch, "unit-inch", nil, "words for inches in the group unit")
	f.StringSliceVar(&frames.StatusNotValid, "status-not-valid", nil, `words in the group status that mean "not valid"`)
	f.StringVar(&frames.TemperatureChannel, "temperature-channel", "", "what the group temperature measures: ring, master, scale or air")
	f.IntVar(&count, "count", 0, "stop after so many frames (default: no limit)")
	cmd.MarkFlagsMutuallyExclusive("form", "pattern")
	cmd.PreRun = func(*cobra.Command, []string) {
		if frames.Pattern != "" && frames.Terminator == "" {
			frames.Terminator = `\r\n`
		}
	}
	_ = cmd.RegisterFlagCompletionFunc("form", cobra.FixedCompletions(frame.FormNames(), cobra.ShellCompDirectiveNoFileComp))
	return cmd
}

// formTable lists the ready forms for the help text.
func formTable() string {
	var b strings.Builder
	for _, f := range frame.Forms() {
		fmt.Fprintf(&b, "  %-30s %s: %s\n", f.Name, f.Description, f.Example)
	}
	return strings.TrimRight(b.String(), "\n")
}

func listen(cmd *cobra.Command, o *lineOptions, decoder *frame.Decoder, count int) error {
	log := lineLog(cmd.ErrOrStderr())
	ctx, cancel := o.limit(cmd.Context())
	defer cancel()
	cfg, done, err := o.open(ctx, log)
	if err != nil {
		return &exitError{code: 2, err: err}
	}
	defer done()
	l := &listener{out: cmd.OutOrStdout(), begun: acquire.BootClock(), count: count, enough: cancel}
	if decoder != nil {
		cfg.Decoder, cfg.Tape = decoder, acquire.NewTape(acquire.MinTapeCapacity)
		cfg.OnFrame = l.frame
	} else {
		cfg.OnBytes = l.bytes
	}
	// The log has what matters; these would only repeat it.
	cfg.SilenceAfter = 5 * time.Second
	source, err := acquire.NewSource(cfg)
	if err != nil {
		return &exitError{code: 2, err: err}
	}
	fmt.Fprintf(l.out, "listening to %s; interrupt to end\n", o.line.Label())
	if err := source.Run(ctx); err != nil {
		return err
	}
	l.summary(source.Stats(), decoder != nil)
	return l.err
}

// listener prints. Its methods run on the source's goroutine: a terminal that
// stands still holds up the port, which here is what it should do.
type listener struct {
	out    io.Writer
	begun  int64 // station clock, ns
	shown  int
	count  int
	enough func()
	kept   acquire.Recording // of the beginning, to find forms that fit
	err    error
}

// keptBytes is how much of what arrives is tried on the ready forms.
const keptBytes = 64 << 10

func (l *listener) printf(format string, args ...any) {
	if _, err := fmt.Fprintf(l.out, format, args...); err != nil && l.err == nil {
		l.err = err
		l.enough() // nobody is reading any more
	}
}

func (l *listener) more() {
	if l.shown++; l.count > 0 && l.shown >= l.count {
		l.enough()
	}
}

func (l *listener) seconds(at int64) float64 { return float64(at-l.begun) / 1e9 }

func (l *listener) frame(r acquire.FrameReport) {
	if l.count > 0 && l.shown >= l.count {
		return
	}
	l.printf("%9.3f s  %s\n", l.seconds(r.At), escape(r.Raw))
	switch {
	case r.Err != nil:
		l.printf("             rejected, %s: %s\n", r.Err.Reason, r.Err.Text)
	case r.Held:
		l.printf("             %s; waits for others to confirm its decimals\n", describe(r.Frame))
	default:
		l.printf("             %s\n", describe(r.Frame))
	}
	l.more()
}

func (l *listener) bytes(c acquire.Chunk) {
	if c.Kind != acquire.ChunkBytes || l.count > 0 && l.shown >= l.count {
		return
	}
	l.printf("%9.3f s  %s\n", l.seconds(c.At), escape(c.Bytes))
	if l.kept.Bytes() < keptBytes {
		c.Bytes = slices.Clone(c.Bytes)
		l.kept.Chunks = append(l.kept.Chunks, c)
	}
	l.more()
}

// escape quotes bytes, and adds them in hexadecimal when some are no text.
func escape(b []byte) string {
	quoted := fmt.Sprintf("%+q", b)
	for _, c := range b {
		if (c < 0x20 || c > 0x7e) && c != '\r' && c != '\n' && c != '\t' {
			return fmt.Sprintf("%s  (% x)", quoted, b)
		}
	}
	return quoted
}

// describe says what was decoded.
func describe(f acquire.Frame) string {
	if f.Flags&acquire.NotValid != 0 {
		return "the readout says: not valid"
	}
	var b strings.Builder
	fmt.Fprintf(&b, "x = %d counts of %s = %.6f mm", f.X, f.Step, f.Step.PositionMM(f.X))
	if f.Flags&acquire.HasY != 0 {
		fmt.Fprintf(&b, ", y = %.6f mm", f.Step.PositionMM(f.Y))
	}
	if f.Flags&acquire.HasTilt != 0 {
		fmt.Fprintf(&b, ", tilt = %.6f mm", f.Step.PositionMM(f.Tilt))
	}
	if f.HasTemperature {
		fmt.Fprintf(&b, ", %s = %.3f °C", f.TemperatureChannel, float64(f.Temperature)/1e6)
	}
	return b.String()
}

func (l *listener) summary(s acquire.SourceStats, decoded bool) {
	elapsed := l.seconds(acquire.BootClock())
	l.printf("\n%d bytes in %.1f s (%.0f a second)\n", s.BytesRead, elapsed, float64(s.BytesRead)/max(elapsed, 1e-3))
	if s.Reconnects > 0 {
		l.printf("the port was lost and reopened %d times\n", s.Reconnects)
	}
	if decoded {
		l.printf("accepted  %d frames with a position, %d declared not valid, %d bytes\n", s.Readings, s.NotValid, s.BytesAccepted)
		l.printf("rejected  %d frames, %d bytes%s\n", s.RejectedFrames(), s.RejectedBytes(), reasons(s))
		return
	}
	fits := fitting(l.kept)
	if len(fits) == 0 {
		l.printf("none of the ready forms fits; try --terminator and --pattern\n")
		return
	}
	l.printf("ready forms that fit:\n")
	for _, f := range fits {
		l.printf("  %s\n", f)
	}
}

// reasons lists the frames rejected by reason.
func reasons(s acquire.SourceStats) string {
	var parts []string
	for r := range acquire.ReasonCount {
		if n := s.FramesRejected[r]; n > 0 {
			parts = append(parts, fmt.Sprintf("%s %d", r, n))
		}
	}
	if len(parts) == 0 {
		return ""
	}
	return ": " + strings.Join(parts, ", ")
}

// fitting returns the ready forms that decode at least nine frames in ten of
// what was recorded, the best first.
func fitting(rec acquire.Recording) []string {
	type fit struct {
		name           string
		good, rejected uint64
	}
	var fits []fit
	for _, form := range frame.Forms() {
		c := form.Config
		if c.Unit == "counts" {
			c.CountLength = "1 um" // only to try it
		}
		d, err := frame.New(c)
		if err != nil {
			continue // a ready form is always complete
		}
		_, s := rec.Replay(acquire.ReplayConfig{Decoder: d})
		good := s.Readings + s.NotValid
		rejected := s.RejectedFrames() - s.FramesRejected[acquire.ReasonPartial] - s.FramesRejected[acquire.ReasonEmpty] -
			s.FramesRejected[acquire.ReasonUnfinished]
		if good > 0 && good >= 9*rejected {
			fits = append(fits, fit{form.Name, good, rejected})
		}
	}
	slices.SortStableFunc(fits, func(a, b fit) int { return int(a.rejected) - int(b.rejected) })
	out := make([]string, len(fits))
	for i, f := range fits {
		out[i] = fmt.Sprintf("%-30s %d of %d frames", f.name, f.good, f.good+f.rejected)
	}
	return out
}
