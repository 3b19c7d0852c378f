package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"ringsaddle/acquire"
	"ringsaddle/detect"
)

const detectLong = `Find the turning points in a recorded trace and print one JSON object with one
element per entry into the ring, in order of time.

FILE.csv is UTF-8, comma separated, with a header that names t_s and x_mm and
optionally y_mm; other columns are ignored. "-" is standard input.

Exit status: 0 with any outcome, 2 for input that cannot be read.`

// newDetectCommand runs the detector over a file: the same code as in the daemon.
func newDetectCommand() *cobra.Command {
	var resolution float64
	var seek, format string
	cmd := &cobra.Command{
		Use:   "detect FILE.csv",
		Short: "Find the turning points in a recorded trace",
		Long:  detectLong,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 {
				return &exitError{2, fmt.Errorf("detect: one file is expected (- is standard input), not %d", len(args))}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if format != "json" && format != "table" {
				return &exitError{2, fmt.Errorf("--format %q: permitted are json, table", format)}
			}
			if cmd.Flags().Changed("resolution-mm") && !(resolution >= 1e-9 && resolution <= 0.1) {
				return &exitError{2, fmt.Errorf("--resolution-mm %g: permitted 1e-9 to 0.1 mm", resolution)}
			}
			seeks, err := parseSeeks(seek)
			if err != nil {
				return &exitError{2, err}
			}
			trace, err := readTraceFile(cmd.InOrStdin(), args[0])
			if err != nil {
				return &exitError{2, err}
			}
			out, err := detectTrace(trace, seeks, resolution)
			if err != nil {
				return &exitError{2, err}
			}
			if format == "table" {
				return out.table(cmd.OutOrStdout(), seeks)
			}
			enc := json.NewEncoder(cmd.OutOrStdout())
			enc.SetEscapeHTML(false)
			return enc.Encode(out)
		},
	}
	f := cmd.Flags()
	f.Float64Var(&resolution, "resolution-mm", 0, "smallest change the readout shows, mm (found from the file if not given)")
	f.StringVar(&seek, "seek", "tilt=min,cross=max", "the two adjustments and the extremum each seeks")
	f.StringVar(&format, "format", "json", "json or table")
	return cmd
}

// parseSeeks reads for example "tilt=min,cross=max".
func parseSeeks(s string) ([2]detect.Seek, error) {
	var out [2]detect.Seek
	fault := func(why string) ([2]detect.Seek, error) {
		return out, fmt.Errorf("--seek %q: %s; expected two adjustments like tilt=min,cross=max", s, why)
	}
	parts := strings.Split(s, ",")
	if len(parts) != len(out) {
		return fault(fmt.Sprintf("%d parts", len(parts)))
	}
	for i, p := range parts {
		name, sense, ok := strings.Cut(strings.TrimSpace(p), "=")
		if !ok || name == "" || strings.Trim(name, "abcdefghijklmnopqrstuvwxyz_") != "" {
			return fault(fmt.Sprintf("%q is no adjustment (a name in small letters) with its extremum", p))
		}
		out[i].Adjustment = detect.Adjustment(name)
		switch sense {
		case "min":
			out[i].Sense = detect.Minimum
		case "max":
			out[i].Sense = detect.Maximum
		default:
			return fault(fmt.Sprintf("%q is neither min nor max", sense))
		}
	}
	if out[0].Adjustment == out[1].Adjustment {
		return fault(fmt.Sprintf("%s is named twice", out[0].Adjustment))
	}
	return out, nil
}

// readTraceFile reads a CSV trace from a file or, for "-", from standard input.
func readTraceFile(stdin io.Reader, name string) (acquire.Trace, error) {
	if name == "-" {
		return acquire.ReadCSV(stdin, "standard input", acquire.CSVOptions{})
	}
	f, err := os.Open(name)
	if err != nil {
		return acquire.Trace{}, err
	}
	defer f.Close()
	return acquire.ReadCSV(f, name, acquire.CSVOptions{})
}

// resolutionOf returns the largest step of which all positions are multiples
// apart from a common offset, mm: what the readout can show at best.
func resolutionOf(trace acquire.Trace) float64 {
	step := trace.Step()
	var g, first int64
	seen := false
	for _, r := range trace.Readings {
		if !r.IsPosition() {
			continue
		}
		if !seen {
			first, seen = r.X, true
			continue
		}
		a, b := g, r.X-first
		for b != 0 {
			a, b = b, a%b
		}
		g = a
		if g == 1 || g == -1 {
			break
		}
	}
	// A trace that hardly moves tells nothing above a micrometre.
	res := math.Abs(float64(g)) * step.MM()
	if res <= 0 || res > 0.001 {
		return step.MM()
	}
	return res
}

// pointJSON is a turning point in the offline form.
type pointJSON struct {
	ValueMM   float64 `json:"value_mm"`
	UMM       float64 `json:"u_mm"`
	TS        float64 `json:"t_s"`
	Crossings int     `json:"crossings"`
}

// captureJSON is a capture in the offline form. Its two turning points have keys
// that depend on the task, so it writes itself.
type captureJSON struct {
	startS, endS, tS float64
	outcome          detect.Outcome
	keys             [2]string
	points           [2]*pointJSON
	diameterMM, uMM  *float64
	reasons, codes   []string
}

// detectJSON is the whole output.
type detectJSON struct {
	Captures []captureJSON `json:"captures"`
}

// MarshalJSON keeps the order of the documented form.
func (c captureJSON) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for i, f := range []struct {
		key   string
		value any
	}{
		{"start_s", c.startS},
		{"end_s", c.endS},
		{"t_s", c.tS},
		{"outcome", c.outcome},
		{c.keys[0], c.points[0]},
		{c.keys[1], c.points[1]},
		{"diameter_mm", c.diameterMM},
		{"u_mm", c.uMM},
		{"reasons", c.reasons},
		{"reason_codes", c.codes},
	} {
		v, err := json.Marshal(f.value)
		if err != nil {
			return nil, err
		}
		if i > 0 {
			b.WriteByte(',')
		}
		fmt.Fprintf(&b, "%q:%s", f.key, v)
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// detectTrace runs the detector over a trace.
func detectTrace(trace acquire.Trace, seeks [2]detect.Seek, resolutionMM float64) (detectJSON, error) {
	out := detectJSON{Captures: []captureJSON{}}
	if len(trace.Readings) == 0 {
		return out, nil
	}
	p := detect.DefaultParams(trace.Step(), 0)
	p.Seeks = seeks
	if resolutionMM == 0 {
		resolutionMM = resolutionOf(trace)
	}
	p.ResolutionMM = math.Max(resolutionMM, p.StepMM)
	d, err := detect.New(p)
	if err != nil {
		return out, fmt.Errorf("%s: %w", trace.Name, err)
	}
	take := func(events []detect.Event) {
		for _, e := range events {
			if e.Kind == detect.EventCaptured {
				out.Captures = append(out.Captures, offlineForm(*e.Capture, p))
			}
		}
	}
	for _, r := range trace.Readings {
		take(d.Push(r))
	}
	take(d.Flush())
	return out, nil
}

// offlineForm turns a capture into millimetres and seconds.
func offlineForm(c detect.Capture, p detect.Params) captureJSON {
	seconds := func(ns int64) float64 { return float64(ns) * 1e-9 }
	mm := func(above float64) float64 { return (float64(c.Origin) + above) * p.StepMM }
	out := captureJSON{
		startS: seconds(c.StartAt), endS: seconds(c.EndAt), tS: seconds(c.At), outcome: c.Outcome,
		reasons: []string{}, codes: []string{},
	}
	for i, s := range p.Seeks {
		out.keys[i] = string(s.Adjustment) + "_minimum"
		if s.Sense == detect.Maximum {
			out.keys[i] = string(s.Adjustment) + "_maximum"
		}
		if t, ok := c.Point(s.Adjustment); ok {
			out.points[i] = &pointJSON{ValueMM: mm(t.Value), UMM: t.U * p.StepMM, TS: seconds(t.At), Crossings: t.Crossings}
		}
	}
	if c.Outcome == detect.OutcomeDiameter {
		d, u := mm(c.Saddle), c.U*p.StepMM
		out.diameterMM, out.uMM = &d, &u
	}
	for _, r := range c.Reasons {
		out.reasons = append(out.reasons, r.Text)
		out.codes = append(out.codes, string(r.Code))
	}
	return out
}

// table prints the captures for a person.
func (d detectJSON) table(w io.Writer, seeks [2]detect.Seek) error {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintf(tw, "from s\tto s\toutcome\tdiameter mm\tu µm\t%s\t%s\treasons\n", seeks[0], seeks[1])
	for _, c := range d.Captures {
		diameter, u := "-", "-"
		if c.diameterMM != nil {
			diameter, u = fmt.Sprintf("%.6f", *c.diameterMM), fmt.Sprintf("%.3f", *c.uMM*1000)
		}
		point := func(p *pointJSON) string {
			if p == nil {
				return "-"
			}
			return fmt.Sprintf("%.6f (%d passes)", p.ValueMM, p.Crossings)
		}
		fmt.Fprintf(tw, "%.1f\t%.1f\t%s\t%s\t%s\t%s\t%s\t%s\n", c.startS, c.endS, c.outcome, diameter, u,
			point(c.points[0]), point(c.points[1]), strings.Join(c.reasons, " "))
	}
	return tw.Flush()
}
