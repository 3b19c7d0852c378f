package frame

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"ringsaddle/acquire"
)

// Config says how a frame is read. The zero value of a field means what its
// comment says; DefaultConfig gives a usable start.
type Config struct {
	// Form names a ready form (see Forms). Its settings apply where this
	// configuration leaves a field empty.
	Form string `toml:"form"`
	// Terminator ends a frame. Escapes \r \n \t \0 \\ and \xNN (any byte) are
	// understood. Required.
	Terminator string `toml:"terminator"`
	// Pattern is an RE2 pattern with the named group x and, as the readout sends
	// them, y, tilt, temperature, unit and status. It must match the whole frame.
	// Required.
	Pattern string `toml:"pattern"`
	// DecimalMark is "point" (the default), "comma" or "either".
	DecimalMark string `toml:"decimal_mark"`
	// Unit is "mm" (the default), "µm" (or "um"), "inch", "counts" or
	// "from_frame" (the group unit tells it).
	Unit string `toml:"unit"`
	// CountLength is the length of one count with its unit, such as "0.1 µm";
	// needed with unit "counts" and permitted only there.
	CountLength string `toml:"count_length"`
	// Decimals fixes the number of decimals of x, 0 to 9; -1 (the default) learns
	// it. With unit "from_frame" it must be -1.
	Decimals int `toml:"decimals"`
	// ShortDecimals says that the readout leaves trailing zeros out: fewer
	// decimals than Decimals are then legal. Needs Decimals.
	ShortDecimals bool `toml:"short_decimals"`
	// Resolution is the smallest change that the readout shows, with its unit,
	// such as "0.5 µm"; empty: one count. A readout that shows five decimals and
	// moves in steps of five has a resolution of five counts.
	Resolution string `toml:"resolution"`
	// UnitMM, UnitUM and UnitInch list what the group unit holds for
	// millimetres, micrometres and inches; compared without regard to case and
	// surrounding blanks. An empty word stands for an absent unit.
	UnitMM   []string `toml:"unit_mm"`
	UnitUM   []string `toml:"unit_um"`
	UnitInch []string `toml:"unit_inch"`
	// StatusNotValid lists the words of the group status that mean that the
	// position is not valid. Surrounding blanks are ignored, case is not.
	StatusNotValid []string `toml:"status_not_valid"`
	// StatusValid lists the words that mean that it is. Empty: all words that
	// are not in StatusNotValid. Otherwise a word in neither list rejects the
	// frame.
	StatusValid []string `toml:"status_valid"`
	// TemperatureChannel says what the group temperature measures: "ring",
	// "master", "scale" or "air".
	TemperatureChannel string `toml:"temperature_channel"`
	// MaxLength is the longest frame in bytes without its terminator, 8 to 4096.
	MaxLength int `toml:"max_length"`
	// Request is what a polled readout is asked with, with the escapes of
	// Terminator; empty for a readout that streams by itself.
	Request string `toml:"request"`
}

const (
	defaultMaxLength = 256
	maxDecimals      = 9
	maxRequest       = 256
)

// DefaultConfig returns a configuration without form and pattern: decimals are
// learnt, frames may be 256 bytes long.
func DefaultConfig() Config {
	return Config{Decimals: -1, MaxLength: defaultMaxLength}
}

// groups are the names that a pattern may use.
var groups = []string{"x", "y", "tilt", "temperature", "unit", "status"}

// Channels are the permitted names of a temperature channel.
func Channels() []string { return []string{"ring", "master", "scale", "air"} }

// Validate reports all faults at once, each with the field, its value and what
// is permitted.
func (c Config) Validate() error {
	_, err := New(c)
	return err
}

// resolved is a configuration with its form applied and its texts parsed.
type resolved struct {
	Config
	terminator, request []byte
	re                  *regexp.Regexp
	count               acquire.Step // of unit counts
	resolutionPM        int64        // 0: one count
}

// resolve applies the form, checks everything and gathers all faults.
func (c Config) resolve() (resolved, error) {
	var errs []error
	fault := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	r := resolved{Config: c}
	if c.Form != "" {
		form, ok := FormByName(c.Form)
		if !ok {
			fault("form: %q is not known; permitted: %s", c.Form, strings.Join(FormNames(), ", "))
		}
		r.merge(form.Config)
	}
	if r.MaxLength == 0 {
		r.MaxLength = defaultMaxLength
	}
	if r.DecimalMark == "" {
		r.DecimalMark = "point"
	}
	if r.Unit == "" {
		r.Unit = "mm"
	}
	if r.Unit == "um" {
		r.Unit = "µm"
	}

	var err error
	if r.terminator, err = Unescape(r.Terminator); err != nil {
		fault("terminator: %w", err)
	} else if len(r.terminator) == 0 {
		fault(`terminator: missing; give the bytes that end a frame, for example "\r\n"`)
	} else if len(r.terminator) > 16 {
		fault("terminator: %d bytes; permitted: 1 to 16", len(r.terminator))
	}
	if r.request, err = Unescape(r.Request); err != nil {
		fault("request: %w", err)
	} else if len(r.request) > maxRequest {
		fault("request: %d bytes; permitted: at most %d", len(r.request), maxRequest)
	}
	if r.MaxLength < 8 || r.MaxLength > 4096 {
		fault("max_length: %d; permitted: 8 to 4096", r.MaxLength)
	}
	if !slices.Contains([]string{"point", "comma", "either"}, r.DecimalMark) {
		fault(`decimal_mark: %q; permitted: "point", "comma", "either"`, r.DecimalMark)
	}
	if r.Decimals < -1 || r.Decimals > maxDecimals {
		fault("decimals: %d; permitted: -1 (learn it) to %d", r.Decimals, maxDecimals)
	}
	if r.ShortDecimals && r.Decimals < 0 {
		fault("short_decimals: needs decimals, the number of them when none is left out")
	}
	errs = append(errs, r.checkPattern()...)
	errs = append(errs, r.checkUnit()...)
	errs = append(errs, r.checkStatus()...)
	return r, errors.Join(errs...)
}

// merge fills the fields left empty from a ready form.
func (r *resolved) merge(f Config) {
	text := func(field *string, from string) {
		if *field == "" {
			*field = from
		}
	}
	list := func(field *[]string, from []string) {
		if *field == nil {
			*field = from
		}
	}
	text(&r.Terminator, f.Terminator)
	text(&r.Pattern, f.Pattern)
	text(&r.DecimalMark, f.DecimalMark)
	text(&r.Unit, f.Unit)
	text(&r.CountLength, f.CountLength)
	text(&r.TemperatureChannel, f.TemperatureChannel)
	list(&r.UnitMM, f.UnitMM)
	list(&r.UnitUM, f.UnitUM)
	list(&r.UnitInch, f.UnitInch)
	list(&r.StatusNotValid, f.StatusNotValid)
	list(&r.StatusValid, f.StatusValid)
}

func (r *resolved) checkPattern() (errs []error) {
	if r.Pattern == "" {
		return []error{errors.New("pattern: missing; give a form, or a pattern with the group (?P<x>…)")}
	}
	re, err := regexp.Compile(r.Pattern)
	if err != nil {
		return []error{fmt.Errorf("pattern: %w", err)}
	}
	// Compiled alone first: an unbalanced pattern must not close our group.
	r.re = regexp.MustCompile(`\A(?:` + r.Pattern + `)\z`)
	seen := map[string]bool{}
	for _, name := range re.SubexpNames() {
		switch {
		case name == "":
		case !slices.Contains(groups, name):
			errs = append(errs, fmt.Errorf("pattern: group %q is not known; permitted: %s", name, strings.Join(groups, ", ")))
		case seen[name]:
			errs = append(errs, fmt.Errorf("pattern: group %q occurs twice", name))
		}
		seen[name] = true
	}
	if !seen["x"] {
		errs = append(errs, fmt.Errorf("pattern: %q has no group x; write the position as (?P<x>…)", r.Pattern))
	}
	return errs
}

func (r *resolved) checkUnit() (errs []error) {
	fault := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	switch r.Unit {
	case "mm", "µm", "inch":
	case "counts":
		if r.CountLength == "" {
			fault(`count_length: missing; unit "counts" needs the length of one count, such as "0.1 µm"`)
		}
		if r.Decimals > 0 {
			fault(`decimals: %d; counts are whole numbers`, r.Decimals)
		}
	case "from_frame":
		if r.re != nil && r.re.SubexpIndex("unit") < 0 {
			fault(`unit: "from_frame" needs the group (?P<unit>…) in the pattern`)
		}
		if len(r.UnitMM)+len(r.UnitUM)+len(r.UnitInch) == 0 {
			fault(`unit: "from_frame" needs the words for the units: unit_mm, unit_um or unit_inch`)
		}
		if r.Decimals >= 0 {
			fault(`decimals: %d; with unit "from_frame" they follow the unit, leave them out`, r.Decimals)
		}
	default:
		fault(`unit: %q; permitted: "mm", "µm", "inch", "counts", "from_frame"`, r.Unit)
	}
	seen := map[string]string{}
	for _, list := range []struct {
		name  string
		words []string
	}{{"unit_mm", r.UnitMM}, {"unit_um", r.UnitUM}, {"unit_inch", r.UnitInch}} {
		for _, w := range list.words {
			key := unitKey([]byte(w))
			if other, ok := seen[key]; ok && other != list.name {
				fault("%s: %q is also in %s", list.name, w, other)
			}
			seen[key] = list.name
		}
	}
	if r.CountLength != "" {
		if r.Unit != "counts" {
			fault(`count_length: %q; permitted only with unit "counts"`, r.CountLength)
		}
		step, err := acquire.ParseLength(r.CountLength)
		if err != nil {
			fault("count_length: %w", err)
		}
		r.count = step
	}
	if r.Resolution != "" {
		step, err := acquire.ParseLength(r.Resolution)
		switch {
		case err != nil:
			fault("resolution: %w", err)
		case step.Den != 1:
			fault("resolution: %q is no whole number of picometres", r.Resolution)
		default:
			r.resolutionPM = step.Num
		}
	}
	return errs
}

func (r *resolved) checkStatus() (errs []error) {
	fault := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if len(r.StatusNotValid)+len(r.StatusValid) > 0 && r.re != nil && r.re.SubexpIndex("status") < 0 {
		fault("status_not_valid, status_valid: the pattern has no group (?P<status>…)")
	}
	for _, w := range r.StatusNotValid {
		if slices.Contains(r.StatusValid, w) {
			fault("status_not_valid: %q is also in status_valid", w)
		}
	}
	hasTemperature := r.re != nil && r.re.SubexpIndex("temperature") >= 0
	switch {
	case hasTemperature && !slices.Contains(Channels(), r.TemperatureChannel):
		fault("temperature_channel: %q; the pattern has a group temperature, say what it measures: %s",
			r.TemperatureChannel, strings.Join(Channels(), ", "))
	case !hasTemperature && r.re != nil && r.TemperatureChannel != "":
		fault("temperature_channel: %q; the pattern has no group (?P<temperature>…)", r.TemperatureChannel)
	}
	return errs
}

// Unescape turns the escapes \r \n \t \0 \\ and \xNN of a text into bytes; all
// other bytes stand for themselves.
func Unescape(s string) ([]byte, error) {
	out := make([]byte, 0, len(s))
	for i := 0; i < len(s); i++ {
		if s[i] != '\\' {
			out = append(out, s[i])
			continue
		}
		i++
		if i == len(s) {
			return nil, fmt.Errorf(`%q ends in a lone \; write \\ for a backslash`, s)
		}
		switch s[i] {
		case 'r':
			out = append(out, '\r')
		case 'n':
			out = append(out, '\n')
		case 't':
			out = append(out, '\t')
		case '0':
			out = append(out, 0)
		case '\\':
			out = append(out, '\\')
		case 'x':
			var b byte
			if i+2 >= len(s) {
				return nil, fmt.Errorf(`%q: \x needs two hexadecimal digits`, s)
			}
			if _, err := fmt.Sscanf(s[i+1:i+3], "%02x", &b); err != nil {
				return nil, fmt.Errorf(`%q: \x needs two hexadecimal digits`, s)
			}
			out = append(out, b)
			i += 2
		default:
			return nil, fmt.Errorf(`%q: escape \%c is not known; permitted: \r \n \t \0 \\ \xNN`, s, s[i])
		}
	}
	return out, nil
}
