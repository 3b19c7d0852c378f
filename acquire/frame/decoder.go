package frame

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"ringsaddle/acquire"
)

// Decoder decodes frames as configured. It has no state between frames and may
// be used by several goroutines.
type Decoder struct {
	r resolved
	// index of each group's bounds in the result of the match, -1: not there
	x, y, tilt, temperature, unit, status int
	units                                 map[string]string // word → unit
	steps                                 map[string][maxDecimals + 1]acquire.Step
}

var _ acquire.Decoder = (*Decoder)(nil)

// New returns a decoder, or all faults of the configuration at once.
func New(c Config) (*Decoder, error) {
	r, err := c.resolve()
	if err != nil {
		return nil, err
	}
	d := &Decoder{r: r, units: map[string]string{}, steps: map[string][maxDecimals + 1]acquire.Step{}}
	index := func(name string) int { return 2 * r.re.SubexpIndex(name) }
	d.x, d.y, d.tilt = index("x"), index("y"), index("tilt")
	d.temperature, d.unit, d.status = index("temperature"), index("unit"), index("status")
	for unit, words := range map[string][]string{"mm": r.UnitMM, "µm": r.UnitUM, "inch": r.UnitInch} {
		for _, w := range words {
			d.units[unitKey([]byte(w))] = unit
		}
		var steps [maxDecimals + 1]acquire.Step
		for n := range steps {
			if steps[n], err = stepOf(unit, n); err != nil {
				return nil, err
			}
		}
		d.steps[unit] = steps
	}
	return d, nil
}

// stepOf returns the length of one count of a unit with n decimals.
func stepOf(unit string, n int) (acquire.Step, error) {
	if unit != "µm" {
		return acquire.StepOfDecimals(n, unit == "inch")
	}
	s := acquire.Step{Num: acquire.PicometresPerMM / 1000, Den: 1}
	for range n {
		if s.Num%10 == 0 {
			s.Num /= 10
		} else {
			s.Den *= 10
		}
	}
	return s, nil
}

// unitKey makes unit words comparable: no surrounding blanks, lower case.
func unitKey(word []byte) string {
	return string(bytes.ToLower(bytes.TrimSpace(word)))
}

// Terminator returns the bytes that end a frame.
func (d *Decoder) Terminator() []byte { return d.r.terminator }

// MaxFrame returns the longest permitted frame without its terminator.
func (d *Decoder) MaxFrame() int { return d.r.MaxLength }

// Request returns what a polled readout is asked with; empty for one that
// streams by itself.
func (d *Decoder) Request() []byte { return d.r.request }

// Pattern returns the pattern in use, from the configuration or its form.
func (d *Decoder) Pattern() string { return d.r.Pattern }

// fail makes the error for a rejected frame.
func fail(reason acquire.Reason, format string, args ...any) *acquire.FrameError {
	return &acquire.FrameError{Reason: reason, Text: fmt.Sprintf(format, args...)}
}

// Decode decodes one frame, terminator cut off, into f.
func (d *Decoder) Decode(frame []byte, f *acquire.Frame) *acquire.FrameError {
	*f = acquire.Frame{}
	m := d.r.re.FindSubmatchIndex(frame)
	if m == nil {
		if len(bytes.TrimSpace(frame)) == 0 {
			return fail(acquire.ReasonEmpty, "nothing between two terminators")
		}
		return fail(acquire.ReasonNoMatch, "%s does not match the pattern %s", show(frame), d.r.Pattern)
	}
	group := func(i int) ([]byte, bool) {
		if i < 0 || m[i] < 0 {
			return nil, false
		}
		return frame[m[i]:m[i+1]], true
	}
	if word, ok := group(d.status); ok {
		w := string(bytes.TrimSpace(word))
		switch {
		case slices.Contains(d.r.StatusNotValid, w):
			f.Flags = acquire.NotValid
		case len(d.r.StatusValid) > 0 && !slices.Contains(d.r.StatusValid, w):
			return fail(acquire.ReasonStatus, "status %s is neither in status_valid nor in status_not_valid", show(word))
		}
	}
	if text, ok := group(d.temperature); ok && len(bytes.TrimSpace(text)) > 0 {
		n, err := d.number(text, "temperature")
		if err == nil {
			f.Temperature, err = n.scaled(6, "temperature")
		}
		if err != nil {
			return err
		}
		f.HasTemperature, f.TemperatureChannel = true, d.r.TemperatureChannel
	}
	if f.Flags&acquire.NotValid != 0 {
		return nil // the numbers mean nothing and may not even be numbers
	}
	return d.positions(group, f)
}

// positions decodes x, y and tilt.
func (d *Decoder) positions(group func(int) ([]byte, bool), f *acquire.Frame) *acquire.FrameError {
	text, ok := group(d.x)
	if !ok {
		return fail(acquire.ReasonNoMatch, "the pattern matched without its group x")
	}
	x, err := d.number(text, "x")
	if err != nil {
		return err
	}
	decimals := x.decimals
	switch want := d.r.Decimals; {
	case want >= 0 && (x.decimals > want || x.decimals < want && !d.r.ShortDecimals):
		return fail(acquire.ReasonDecimalsChanged, "x has %d decimals, configured are %d", x.decimals, want)
	case want >= 0:
		decimals = want
	}
	var y, tilt number
	for _, c := range []struct {
		index int
		name  string
		flag  acquire.Flags
		n     *number
	}{{d.y, "y", acquire.HasY, &y}, {d.tilt, "tilt", acquire.HasTilt, &tilt}} {
		text, ok := group(c.index)
		if !ok || len(bytes.TrimSpace(text)) == 0 {
			continue
		}
		if *c.n, err = d.number(text, c.name); err != nil {
			return err
		}
		f.Flags |= c.flag
		decimals = max(decimals, c.n.decimals)
	}
	step, err := d.step(group, decimals)
	if err != nil {
		return err
	}
	f.Step = step
	f.ResolutionPM = max(d.r.resolutionPM, (step.Num+step.Den-1)/step.Den)
	if f.X, err = x.scaled(decimals, "x"); err != nil {
		return err
	}
	if f.Y, err = y.scaled(decimals, "y"); err != nil {
		return err
	}
	f.Tilt, err = tilt.scaled(decimals, "tilt")
	return err
}

// step returns the length of one count of a frame with that many decimals.
func (d *Decoder) step(group func(int) ([]byte, bool), decimals int) (acquire.Step, *acquire.FrameError) {
	unit := d.r.Unit
	switch unit {
	case "counts":
		if decimals > 0 {
			return acquire.Step{}, fail(acquire.ReasonBadNumber, "counts are whole numbers, but decimals came")
		}
		return d.r.count, nil
	case "from_frame":
		word, _ := group(d.unit)
		u, ok := d.units[unitKey(word)]
		if !ok {
			return acquire.Step{}, fail(acquire.ReasonUnit, "unit %s is none of those configured (%s)", show(word), d.unitWords())
		}
		unit = u
	}
	return d.steps[unit][decimals], nil
}

func (d *Decoder) unitWords() string {
	words := make([]string, 0, len(d.units))
	for w := range d.units {
		words = append(words, fmt.Sprintf("%q", w))
	}
	slices.Sort(words)
	return strings.Join(words, ", ")
}

// show quotes bytes for a message, the first 40 of them.
func show(b []byte) string {
	if len(b) > 40 {
		return fmt.Sprintf("%q…", b[:40])
	}
	return fmt.Sprintf("%q", b)
}
