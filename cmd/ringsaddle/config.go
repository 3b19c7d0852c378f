package main

import (
	"fmt"
	"net"
	"regexp"
	"strings"
	"time"

	"github.com/rs/zerolog"

	"ringsaddle/acquire/frame"
	"ringsaddle/acquire/serialport"
	"ringsaddle/calibrate"
)

// config is the configuration file. Every section sets its defaults first; the
// file overrides them; check reports everything that is wrong.
type config struct {
	HTTP     httpConfig      `toml:"http"`
	Storage  storageConfig   `toml:"storage"`
	Log      logConfig       `toml:"log"`
	Stations []stationConfig `toml:"station"`
}

type httpConfig struct {
	// Listen is an address on the loopback unless AllowRemote is set.
	Listen      string `toml:"listen"`
	AllowRemote bool   `toml:"allow_remote"`
}

type storageConfig struct {
	Path string `toml:"path"`
	// KeepTraces is how long readings outside captures are kept; blocks that
	// overlap a capture are kept for ever. Zero keeps everything.
	KeepTraces duration `toml:"keep_traces"`
}

type logConfig struct {
	Level  string `toml:"level"`
	Format string `toml:"format"`
}

type stationConfig struct {
	Name       string            `toml:"name"`
	Title      string            `toml:"title"`
	Serial     serialport.Config `toml:"serial"`
	Frame      frame.Config      `toml:"frame"`
	Readout    readoutConfig     `toml:"readout"`
	Instrument instrumentConfig  `toml:"instrument"`
	Contacts   contactsConfig    `toml:"contacts"`
	Limits     limitsConfig      `toml:"limits"`
}

type readoutConfig struct {
	// Sign is +1 if the reading grows with the diameter, -1 if it falls.
	Sign int `toml:"sign"`
	// SilenceAfter is how long nothing may be received before it is said, and
	// StaleAfter how long one and the same reading may be repeated.
	SilenceAfter duration `toml:"silence_after"`
	StaleAfter   duration `toml:"stale_after"`
	// PollInterval is the time between two requests to a readout that does not
	// stream by itself (frame.request).
	PollInterval duration `toml:"poll_interval"`
}

type instrumentConfig struct {
	RangeMin            length  `toml:"range_min"`
	RangeMax            length  `toml:"range_max"`
	ScaleErrorU         length  `toml:"scale_error_u"`
	ScaleMaterial       string  `toml:"scale_material"`
	RepeatabilityS      length  `toml:"repeatability_s"`
	RepeatabilityDoF    int     `toml:"repeatability_dof"`
	CommonTemperatureU  celsius `toml:"common_temperature_half_width"`
	AssumedTemperatureU celsius `toml:"assumed_temperature_half_width"`
	ThermometerU        celsius `toml:"thermometer_u"`
}

type contactsConfig struct {
	Radius         length `toml:"radius"`
	Material       string `toml:"material"`
	Force          force  `toml:"force"`
	ForceU         force  `toml:"force_u"`
	OffsetSideways length `toml:"offset_sideways_u"`
	OffsetHeight   length `toml:"offset_height_u"`
}

type limitsConfig struct {
	Closing length `toml:"closing"`
	// Plausible is how far a reading may lie from what the ring's nominal
	// diameter and the reference let expect.
	Plausible length `toml:"plausible"`
}

func defaultConfig() *config {
	return &config{
		HTTP:    httpConfig{Listen: "127.0.0.1:8787"},
		Storage: storageConfig{Path: "ringsaddle.db"},
		Log:     logConfig{Level: "info", Format: "auto"},
	}
}

// fillDefaults lays the defaults under what the file does not hold: the decoder
// makes the elements of an array of tables from zero. has tells whether the file
// holds a key, at is the key of the station ("station[0]").
func (s *stationConfig) fillDefaults(has func(key string) bool, at string) {
	set := func(key string, f func()) {
		if !has(at + "." + key) {
			f()
		}
	}
	line := serialport.DefaultConfig()
	set("serial.baud", func() { s.Serial.Baud = line.Baud })
	set("serial.data_bits", func() { s.Serial.DataBits = line.DataBits })
	set("serial.parity", func() { s.Serial.Parity = line.Parity })
	set("serial.stop_bits", func() { s.Serial.StopBits = line.StopBits })
	set("frame.decimals", func() { s.Frame.Decimals = frame.DefaultConfig().Decimals })
	set("frame.max_length", func() { s.Frame.MaxLength = frame.DefaultConfig().MaxLength })
	set("readout.sign", func() { s.Readout.Sign = 1 })
	set("readout.silence_after", func() { s.Readout.SilenceAfter.Duration = 2 * time.Second })
	set("readout.stale_after", func() { s.Readout.StaleAfter.Duration = time.Minute })
	set("readout.poll_interval", func() { s.Readout.PollInterval.Duration = 100 * time.Millisecond })
	set("instrument.range_max", func() { s.Instrument.RangeMax.Length = 150 * calibrate.Millimetre })
	set("instrument.scale_error_u", func() { s.Instrument.ScaleErrorU.Length = 50_000 })
	set("instrument.scale_material", func() { s.Instrument.ScaleMaterial = "steel" })
	set("instrument.common_temperature_half_width", func() { s.Instrument.CommonTemperatureU.Temperature = calibrate.Kelvin / 5 })
	set("instrument.assumed_temperature_half_width", func() { s.Instrument.AssumedTemperatureU.Temperature = calibrate.Kelvin })
	set("instrument.thermometer_u", func() { s.Instrument.ThermometerU.Temperature = calibrate.Kelvin / 20 })
	set("contacts.radius", func() { s.Contacts.Radius.Length = 1500 * calibrate.Micrometre })
	set("contacts.material", func() { s.Contacts.Material = "carbide" })
	set("contacts.force", func() { s.Contacts.Force.Newton = 3.5 })
	set("contacts.force_u", func() { s.Contacts.ForceU.Newton = 0.2 })
	set("contacts.offset_sideways_u", func() { s.Contacts.OffsetSideways.Length = 10 * calibrate.Micrometre })
	set("contacts.offset_height_u", func() { s.Contacts.OffsetHeight.Length = 10 * calibrate.Micrometre })
	set("limits.closing", func() { s.Limits.Closing.Length = calibrate.DefaultClosingLimit })
	set("limits.plausible", func() { s.Limits.Plausible.Length = 50 * calibrate.Micrometre })
}

var stationName = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,31}$`)

// check reports every fault; has tells whether the file holds a key.
func (c *config) check(report func(key, format string, args ...any), has func(key string) bool) {
	if host, _, err := net.SplitHostPort(c.HTTP.Listen); err != nil {
		report("http.listen", "%q is no address; expected host:port, for example \"127.0.0.1:8787\"", c.HTTP.Listen)
	} else if ip := net.ParseIP(host); !c.HTTP.AllowRemote && host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		report("http.listen", "%q can be reached from other machines; use a loopback address, or set allow_remote = true and put access control in front", c.HTTP.Listen)
	}
	if c.Storage.Path == "" {
		report("storage.path", "empty; expected the path of the database file")
	}
	checkUnit(report, "storage.keep_traces", c.Storage.KeepTraces.err)
	if _, err := zerolog.ParseLevel(c.Log.Level); err != nil || c.Log.Level == "" {
		report("log.level", "%q; permitted: debug, info, warn, error", c.Log.Level)
	}
	checkOneOf(report, "log.format", c.Log.Format, "auto", "console", "json")
	if len(c.Stations) == 0 {
		report("station", "missing: at least one [[station]] is needed")
	}
	seen := map[string]int{}
	for i := range c.Stations {
		at := fmt.Sprintf("station[%d]", i)
		s := &c.Stations[i]
		s.fillDefaults(has, at)
		if first, again := seen[s.Name]; again && s.Name != "" {
			report(at+".name", "%q is taken by station[%d]; names must differ", s.Name, first)
		}
		seen[s.Name] = i
		s.check(func(key, format string, args ...any) { report(at+"."+key, format, args...) })
	}
}

func (s *stationConfig) check(report func(key, format string, args ...any)) {
	if s.Name == "" {
		report("name", "missing: expected a short name, lower case letters, digits and hyphens")
	} else if !stationName.MatchString(s.Name) {
		report("name", "%q; expected 1 to 32 lower case letters, digits and hyphens", s.Name)
	}
	checkPart(report, "serial", s.Serial.Validate())
	checkPart(report, "frame", s.Frame.Validate())
	if s.Readout.Sign != 1 && s.Readout.Sign != -1 {
		report("readout.sign", "%d; permitted 1 (reading grows with the diameter) or -1 (it falls)", s.Readout.Sign)
	}
	checkDuration(report, "readout.silence_after", s.Readout.SilenceAfter, 200*time.Millisecond, time.Minute)
	checkDuration(report, "readout.stale_after", s.Readout.StaleAfter, time.Second, 24*time.Hour)
	checkDuration(report, "readout.poll_interval", s.Readout.PollInterval, time.Millisecond, 10*time.Second)
	s.checkPhysics(report)
}

// checkPart reports the faults of a section that checks itself; each begins with
// its key.
func checkPart(report func(key, format string, args ...any), section string, err error) {
	if err == nil {
		return
	}
	for _, e := range flatten(err) {
		key, text, found := strings.Cut(e.Error(), ": ")
		if !found || strings.ContainsAny(key, " ,") {
			report(section, "%v", e)
			continue
		}
		report(section+"."+key, "%s", text)
	}
}

// pollInterval is the time between two requests, 0 if the readout streams by
// itself.
func (s stationConfig) pollInterval() time.Duration {
	if s.Frame.Request == "" {
		return 0
	}
	return s.Readout.PollInterval.Duration
}

func (s *stationConfig) checkPhysics(report func(key, format string, args ...any)) {
	in, co := s.Instrument, s.Contacts
	lengths := []struct {
		key      string
		value    length
		min, max calibrate.Length
	}{
		{"instrument.range_min", in.RangeMin, 0, 1000 * calibrate.Millimetre},
		{"instrument.range_max", in.RangeMax, 1 * calibrate.Millimetre, 1000 * calibrate.Millimetre},
		{"instrument.scale_error_u", in.ScaleErrorU, 0, 100 * calibrate.Micrometre},
		{"instrument.repeatability_s", in.RepeatabilityS, 0, 100 * calibrate.Micrometre},
		{"contacts.radius", co.Radius, 50 * calibrate.Micrometre, 50 * calibrate.Millimetre},
		{"contacts.offset_sideways_u", co.OffsetSideways, 0, calibrate.Millimetre},
		{"contacts.offset_height_u", co.OffsetHeight, 0, calibrate.Millimetre},
		{"limits.closing", s.Limits.Closing, 1000, 100 * calibrate.Micrometre},
		{"limits.plausible", s.Limits.Plausible, calibrate.Micrometre, 10 * calibrate.Millimetre},
	}
	for _, l := range lengths {
		if l.value.err != nil {
			report(l.key, "%v", l.value.err)
		} else if l.value.Length < l.min || l.value.Length > l.max {
			report(l.key, "%g mm; permitted %g to %g mm", l.value.MM(), l.min.MM(), l.max.MM())
		}
	}
	if in.RangeMin.err == nil && in.RangeMax.err == nil && in.RangeMin.Length >= in.RangeMax.Length {
		report("instrument.range_max", "%g mm is not above range_min (%g mm)", in.RangeMax.MM(), in.RangeMin.MM())
	}
	for _, t := range []struct {
		key   string
		value celsius
	}{
		{"instrument.common_temperature_half_width", in.CommonTemperatureU},
		{"instrument.assumed_temperature_half_width", in.AssumedTemperatureU},
		{"instrument.thermometer_u", in.ThermometerU},
	} {
		if t.value.err != nil {
			report(t.key, "%v", t.value.err)
		} else if t.value.Temperature < 0 || t.value.Temperature > 5*calibrate.Kelvin {
			report(t.key, "%g K; permitted 0 to 5 K", t.value.Celsius())
		}
	}
	if in.RepeatabilityDoF < 0 || in.RepeatabilityDoF > 10_000 {
		report("instrument.repeatability_dof", "%d; permitted 0 to 10000", in.RepeatabilityDoF)
	}
	if in.RepeatabilityS.Length > 0 && in.RepeatabilityDoF == 0 {
		report("instrument.repeatability_dof", "missing: a repeatability needs its degrees of freedom (readings minus groups of the study)")
	}
	for _, f := range []struct {
		key   string
		value force
	}{{"contacts.force", co.Force}, {"contacts.force_u", co.ForceU}} {
		if f.value.err != nil {
			report(f.key, "%v", f.value.err)
		} else if f.value.Newton < 0 || f.value.Newton > 20 {
			report(f.key, "%g N; permitted 0 to 20 N", f.value.Newton)
		}
	}
}

func checkUnit(report func(key, format string, args ...any), key string, err error) {
	if err != nil {
		report(key, "%v", err)
	}
}

func checkDuration(report func(key, format string, args ...any), key string, d duration, least, most time.Duration) {
	if d.err != nil {
		report(key, "%v", d.err)
	} else if d.Duration < least || d.Duration > most {
		report(key, "%v; permitted %v to %v", d.Duration, least, most)
	}
}

func checkOneOf(report func(key, format string, args ...any), key, value string, permitted ...string) {
	for _, p := range permitted {
		if value == p {
			return
		}
	}
	report(key, "%q; permitted: %s", value, strings.Join(permitted, ", "))
}

// flatten returns the parts of a joined error.
func flatten(err error) []error {
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		return joined.Unwrap()
	}
	return []error{err}
}
