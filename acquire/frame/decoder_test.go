package frame_test

import (
	"fmt"
	"math/big"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/pelletier/go-toml/v2"

	"ringsaddle/acquire"
	"ringsaddle/acquire/frame"
)

func decoder(t testing.TB, change func(*frame.Config)) *frame.Decoder {
	t.Helper()
	c := frame.DefaultConfig()
	change(&c)
	d, err := frame.New(c)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func form(name string) func(*frame.Config) {
	return func(c *frame.Config) { c.Form = name }
}

var (
	mm5 = acquire.Step{Num: 10_000, Den: 1}        // 0.01 µm
	mm4 = acquire.Step{Num: 100_000, Den: 1}       // 0.1 µm
	in6 = acquire.Step{Num: 25_400, Den: 1}        // 1 µin: 25.4 nm, inch of 25.4 mm exactly
	in9 = acquire.Step{Num: 254, Den: 10}          // 1 nin
	um2 = acquire.Step{Num: 10_000, Den: 1}        // 0.01 µm
	mm0 = acquire.Step{Num: 1_000_000_000, Den: 1} // 1 mm
)

func TestDecode(t *testing.T) {
	generic := func(mark string) func(*frame.Config) {
		return func(c *frame.Config) {
			c.Terminator, c.Pattern, c.DecimalMark = `\r\n`, `(?P<x>.*?)`, mark
		}
	}
	fixed := func(n int, short bool) func(*frame.Config) {
		return func(c *frame.Config) {
			c.Form, c.Decimals, c.ShortDecimals = "decimal-mm-crlf", n, short
		}
	}
	counts := func(c *frame.Config) {
		c.Form, c.CountLength = "signed-counts-crlf", "0.1 µm"
	}
	status := func(c *frame.Config) {
		c.Terminator, c.Pattern = `\x03`, `(?P<status>\S+) (?P<x>.*)`
		c.StatusNotValid, c.StatusValid = []string{"ERR", "---"}, []string{"OK"}
	}
	for _, c := range []struct {
		name   string
		config func(*frame.Config)
		in     string
		want   acquire.Frame
	}{
		{"plain", form("signed-decimal-mm-crlf"), "+25.00412", acquire.Frame{X: 2_500_412, Step: mm5, ResolutionPM: 10_000}},
		{"blanks after the sign", form("signed-decimal-mm-crlf"), "+  25.00412", acquire.Frame{X: 2_500_412, Step: mm5, ResolutionPM: 10_000}},
		{"blanks around", form("signed-decimal-mm-crlf"), "  -25.0041 ", acquire.Frame{X: -250_041, Step: mm4, ResolutionPM: 100_000}},
		{"no digit before the point", generic("point"), "-.5", acquire.Frame{X: -5, Step: acquire.Step{Num: 100_000_000, Den: 1}, ResolutionPM: 100_000_000}},
		{"no digit after the point", generic("point"), "7.", acquire.Frame{X: 7, Step: mm0, ResolutionPM: 1_000_000_000}},
		{"minus zero", generic("point"), "-0.00000", acquire.Frame{Step: mm5, ResolutionPM: 10_000}},
		{"leading zeros do not count as digits", generic("point"), "+0000000000000000000025.00412", acquire.Frame{X: 2_500_412, Step: mm5, ResolutionPM: 10_000}},
		{"comma", form("signed-decimal-comma-mm-crlf"), "+25,00412", acquire.Frame{X: 2_500_412, Step: mm5, ResolutionPM: 10_000}},
		{"either mark", generic("either"), "25,0041", acquire.Frame{X: 250_041, Step: mm4, ResolutionPM: 100_000}},
		{"18 digits", generic("point"), "123456789.123456789", acquire.Frame{X: 123_456_789_123_456_789, Step: acquire.Step{Num: 1, Den: 1}, ResolutionPM: 1}},
		{"inch", form("signed-decimal-inch-crlf"), "+0.984414", acquire.Frame{X: 984_414, Step: in6, ResolutionPM: 25_400}},
		{"inch below a picometre multiple", form("signed-decimal-inch-crlf"), "+0.984414001", acquire.Frame{X: 984_414_001, Step: in9, ResolutionPM: 26}},
		{"micrometres", func(c *frame.Config) { generic("point")(c); c.Unit = "um" }, "25004.12", acquire.Frame{X: 2_500_412, Step: um2, ResolutionPM: 10_000}},
		{"counts", counts, "+250041", acquire.Frame{X: 250_041, Step: mm4, ResolutionPM: 100_000}},
		{"unit mm", form("value-unit-crlf"), "25.00412mm", acquire.Frame{X: 2_500_412, Step: mm5, ResolutionPM: 10_000}},
		{"unit in, upper case", form("value-unit-crlf"), "0.984414 IN", acquire.Frame{X: 984_414, Step: in6, ResolutionPM: 25_400}},
		{"name", form("name-value-unit-crlf"), "D1 = -0.0123 mm", acquire.Frame{X: -123, Step: mm4, ResolutionPM: 100_000}},
		{"two axes", form("two-axis-mm-crlf"), "X+25.00412 Y-0.01234", acquire.Frame{X: 2_500_412, Y: -1234, Flags: acquire.HasY, Step: mm5, ResolutionPM: 10_000}},
		{"two axes, the finer counts", form("two-axis-mm-crlf"), "+25.0041;-0.01234", acquire.Frame{X: 2_500_410, Y: -1234, Flags: acquire.HasY, Step: mm5, ResolutionPM: 10_000}},
		{"tilt", func(c *frame.Config) {
			c.Terminator, c.Pattern = `\n`, `(?P<x>\S+)( (?P<tilt>\S+))?`
		}, "1.50 0.25", acquire.Frame{X: 150, Tilt: 25, Flags: acquire.HasTilt, Step: acquire.Step{Num: 10_000_000, Den: 1}, ResolutionPM: 10_000_000}},
		{"absent optional group", func(c *frame.Config) {
			c.Terminator, c.Pattern = `\n`, `(?P<x>\S+)( (?P<tilt>\S+))?`
		}, "1.50", acquire.Frame{X: 150, Step: acquire.Step{Num: 10_000_000, Den: 1}, ResolutionPM: 10_000_000}},
		{"temperature", form("value-temperature-mm-crlf"), "+25.00412; 20.13", acquire.Frame{
			X: 2_500_412, Step: mm5, ResolutionPM: 10_000, Temperature: 20_130_000, HasTemperature: true, TemperatureChannel: "scale",
		}},
		{"temperature below zero", form("value-temperature-mm-crlf"), "+25.00412;-0.5", acquire.Frame{
			X: 2_500_412, Step: mm5, ResolutionPM: 10_000, Temperature: -500_000, HasTemperature: true, TemperatureChannel: "scale",
		}},
		{"valid", status, "OK 1.0", acquire.Frame{X: 10, Step: acquire.Step{Num: 100_000_000, Den: 1}, ResolutionPM: 100_000_000}},
		{"not valid, no number needed", status, "ERR ******", acquire.Frame{Flags: acquire.NotValid}},
		{"not valid, form", form("status-value-mm-crlf"), "E +--.---", acquire.Frame{Flags: acquire.NotValid}},
		{"fixed decimals", fixed(4, false), "25.0041", acquire.Frame{X: 250_041, Step: mm4, ResolutionPM: 100_000}},
		{"trailing zeros left out", fixed(5, true), "25.004", acquire.Frame{X: 2_500_400, Step: mm5, ResolutionPM: 10_000}},
		{"resolution apart from the step", func(c *frame.Config) {
			c.Form, c.Resolution = "decimal-mm-crlf", "0.5 µm"
		}, "25.0045", acquire.Frame{X: 250_045, Step: mm4, ResolutionPM: 500_000}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := acquire.Frame{X: 1, Y: 2, Tilt: 3, Flags: 0xff, HasTemperature: true} // to be overwritten
			if err := decoder(t, c.config).Decode([]byte(c.in), &got); err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Errorf("%q (-want +got):\n%s", c.in, diff)
			}
		})
	}
}

func TestDecodeRejects(t *testing.T) {
	any := func(c *frame.Config) { c.Terminator, c.Pattern = `\r\n`, `(?P<x>.*?)` }
	for _, c := range []struct {
		name   string
		config func(*frame.Config)
		in     string
		reason acquire.Reason
		text   string
	}{
		{"lost sign", form("signed-decimal-mm-crlf"), "5.00412", acquire.ReasonNoMatch, `"5.00412" does not match`},
		{"half a frame before", form("signed-decimal-mm-crlf"), "+25.0+25.00412", acquire.ReasonNoMatch, "does not match"},
		{"a newline inside", form("signed-decimal-mm-crlf"), "+25.00412\n", acquire.ReasonNoMatch, "does not match"},
		{"empty", form("signed-decimal-mm-crlf"), "", acquire.ReasonEmpty, "nothing between"},
		{"blanks", form("signed-decimal-mm-crlf"), " \t ", acquire.ReasonEmpty, "nothing between"},
		{"no digits", form("signed-decimal-mm-crlf"), "+.", acquire.ReasonNoMatch, "does not match"},
		{"only a sign", any, "+", acquire.ReasonBadNumber, "no digits"},
		{"only a point", any, "-.", acquire.ReasonBadNumber, "no digits"},
		{"two signs", any, "+-1.0", acquire.ReasonBadNumber, "not a decimal number"},
		{"two points", any, "1.0.0", acquire.ReasonBadNumber, "second decimal mark"},
		{"group separator", any, "1.000,5", acquire.ReasonBadNumber, "second decimal mark, or a group separator"},
		{"wrong mark", any, "1,5", acquire.ReasonBadNumber, "configured as point"},
		{"exponent", any, "2.5e1", acquire.ReasonBadNumber, "not a decimal number"},
		{"not a number", any, "NaN", acquire.ReasonBadNumber, "not a decimal number"},
		{"a byte with its top bit set", any, "25.0\xb2", acquire.ReasonBadNumber, "not a decimal number"},
		{"19 digits", any, "1234567890.123456789", acquire.ReasonTooManyDigits, "more than 18 digits"},
		{"ten decimals", any, "1.0000000001", acquire.ReasonTooManyDigits, "more than 9 decimals"},
		{"overflow by scaling", func(c *frame.Config) {
			c.Terminator, c.Pattern = `\n`, `(?P<x>\S+) (?P<y>\S+)`
		}, "123456789012345678 0.01", acquire.ReasonOverflow, "x is too large"},
		{"decimals", func(c *frame.Config) { c.Form, c.Decimals = "decimal-mm-crlf", 5 }, "25.0041", acquire.ReasonDecimalsChanged, "x has 4 decimals, configured are 5"},
		{"too many decimals", func(c *frame.Config) {
			c.Form, c.Decimals, c.ShortDecimals = "decimal-mm-crlf", 4, true
		}, "25.00412", acquire.ReasonDecimalsChanged, "x has 5 decimals, configured are 4"},
		{"unit", form("value-unit-crlf"), "25.0 deg", acquire.ReasonUnit, `unit "deg" is none of those configured`},
		{"status", form("status-value-mm-crlf"), "Q +25.0", acquire.ReasonStatus, `status "Q" is neither`},
		{"temperature", func(c *frame.Config) {
			c.Terminator, c.Pattern, c.TemperatureChannel = `\n`, `(?P<x>\S+) (?P<temperature>\S+)`, "air"
		}, "1.0 20.1234567", acquire.ReasonTooManyDigits, "temperature has more than 6 decimals"},
		{"counts with decimals", func(c *frame.Config) {
			any(c)
			c.Unit, c.CountLength = "counts", "1 µm"
		}, "12.5", acquire.ReasonBadNumber, "counts are whole numbers"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var f acquire.Frame
			err := decoder(t, c.config).Decode([]byte(c.in), &f)
			if err == nil {
				t.Fatalf("%q was accepted as %+v", c.in, f)
			}
			if err.Reason != c.reason || !strings.Contains(err.Text, c.text) {
				t.Errorf("%q: %s %q; want %s with %q", c.in, err.Reason, err.Text, c.reason, c.text)
			}
		})
	}
}

func TestFormsDecodeTheirExamples(t *testing.T) {
	for _, f := range frame.Forms() {
		c := frame.DefaultConfig()
		c.Form = f.Name
		if f.Config.Unit == "counts" {
			c.CountLength = "0.1 µm"
		}
		d, err := frame.New(c)
		if err != nil {
			t.Errorf("%s: %v", f.Name, err)
			continue
		}
		raw, err := frame.Unescape(f.Example)
		if err != nil {
			t.Errorf("%s: example: %v", f.Name, err)
			continue
		}
		in, ok := strings.CutSuffix(string(raw), string(d.Terminator()))
		if !ok {
			t.Errorf("%s: the example does not end in the terminator", f.Name)
		}
		var got acquire.Frame
		if err := d.Decode([]byte(in), &got); err != nil {
			t.Errorf("%s: %v", f.Name, err)
			continue
		}
		// All examples show the same position, in their unit.
		if mm := got.Step.PositionMM(got.X); mm < 25.004 || mm > 25.005 && got.Step.Num != 100_000 {
			t.Errorf("%s: the example reads %v mm", f.Name, mm)
		}
		if f.Description == "" {
			t.Errorf("%s: no description", f.Name)
		}
	}
}

func TestValidateReportsAllFaults(t *testing.T) {
	for _, c := range []struct {
		name   string
		config frame.Config
		want   []string
	}{
		{"no pattern", frame.Config{Terminator: "\n", Decimals: -1}, []string{"pattern: missing; give a form, or a pattern with the group (?P<x>…)"}},
		{"pattern without x", frame.Config{Terminator: "\n", Decimals: -1, Pattern: `([0-9.]+)`}, []string{
			`pattern: "([0-9.]+)" has no group x; write the position as (?P<x>…)`,
		}},
		{"everything", frame.Config{
			Form: "nonesuch", Terminator: `\q`, Pattern: `(?P<x>a)(?P<x>b)(?P<depth>c)`, DecimalMark: "dot", Unit: "furlong",
			CountLength: "0.1", Decimals: 12, Resolution: "5", StatusNotValid: []string{"E"}, MaxLength: 3,
			UnitMM: []string{"mm"}, UnitInch: []string{"MM"},
		}, []string{
			`form: "nonesuch" is not known; permitted: signed-decimal-mm-crlf,`,
			`terminator: "\\q": escape \q is not known`,
			`max_length: 3; permitted: 8 to 4096`,
			`decimal_mark: "dot"; permitted: "point", "comma", "either"`,
			`decimals: 12; permitted: -1 (learn it) to 9`,
			`pattern: group "x" occurs twice`,
			`pattern: group "depth" is not known; permitted: x, y, tilt, temperature, unit, status`,
			`unit: "furlong"; permitted: "mm", "µm", "inch", "counts", "from_frame"`,
			`unit_inch: "MM" is also in unit_mm`,
			`count_length: "0.1"; permitted only with unit "counts"`,
			`count_length: length "0.1": a unit is missing`,
			`resolution: length "5": a unit is missing`,
			`status_not_valid, status_valid: the pattern has no group (?P<status>…)`,
		}},
		{"unit from the frame", frame.Config{Terminator: "\n", Unit: "from_frame", Pattern: `(?P<x>.)`, Decimals: 3}, []string{
			`unit: "from_frame" needs the group (?P<unit>…)`, `unit: "from_frame" needs the words`, `decimals: 3; with unit "from_frame"`,
		}},
		{"temperature of what", frame.Config{Terminator: "\n", Pattern: `(?P<x>.)(?P<temperature>.)`, Decimals: -1}, []string{
			`temperature_channel: ""; the pattern has a group temperature, say what it measures: ring, master, scale, air`,
		}},
		{"unbalanced pattern", frame.Config{Terminator: "\n", Pattern: `(?P<x>.)|x)`, Decimals: -1}, []string{"pattern: error parsing regexp: unexpected )"}},
		{"counts", frame.Config{Terminator: "\n", Pattern: `(?P<x>.)`, Unit: "counts", Decimals: -1}, []string{`count_length: missing`}},
		{"request", frame.Config{Terminator: "\n", Pattern: `(?P<x>.)`, Decimals: -1, Request: `\x1`}, []string{`request: "\\x1": \x needs two hexadecimal digits`}},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := c.config.Validate()
			if err == nil {
				t.Fatal("accepted")
			}
			lines := strings.Split(err.Error(), "\n")
			if len(lines) != len(c.want) {
				t.Errorf("%d faults, want %d:\n%v", len(lines), len(c.want), err)
			}
			for _, want := range c.want {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("missing %q in:\n%v", want, err)
				}
			}
		})
	}
}

func TestConfigFromTOML(t *testing.T) {
	c := frame.DefaultConfig()
	err := toml.Unmarshal([]byte(`
form = "two-axis-mm-crlf"
terminator = '\x03\r'
decimals = 5
resolution = "0.05 µm"
request = '\x02R\r'
`), &c)
	if err != nil {
		t.Fatal(err)
	}
	d, err := frame.New(c)
	if err != nil {
		t.Fatal(err)
	}
	if got := string(d.Terminator()); got != "\x03\r" {
		t.Errorf("terminator %q", got)
	}
	if got := string(d.Request()); got != "\x02R\r" {
		t.Errorf("request %q", got)
	}
	if d.MaxFrame() != 256 {
		t.Errorf("longest frame %d; want the default 256", d.MaxFrame())
	}
}

// corpus loads the committed frames; an empty corpus is an error, or the fuzzing
// would quietly start from nothing.
func corpus(t testing.TB) [][]byte {
	t.Helper()
	files, err := filepath.Glob("testdata/frames/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatalf("no frames in testdata/frames: %v", err)
	}
	var frames [][]byte
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.SplitSeq(strings.TrimRight(string(b), "\n"), "\n") {
			frames = append(frames, []byte(line))
		}
	}
	return frames
}

// FuzzDecode: whatever is accepted is exactly the number that the text shows, by
// exact rational arithmetic; nothing panics; every rejection has a text.
func FuzzDecode(f *testing.F) {
	for _, frame := range corpus(f) {
		f.Add(frame)
	}
	var decoders []*frame.Decoder
	for _, form := range frame.Forms() {
		c := form.Config
		if c.Unit == "counts" {
			c.CountLength = "0.1 µm"
		}
		d, err := frame.New(c)
		if err != nil {
			f.Fatal(err)
		}
		decoders = append(decoders, d)
	}
	generic := decoder(f, func(c *frame.Config) {
		c.Terminator, c.Pattern, c.DecimalMark = `\n`, `(?P<x>[^;]*)(;(?P<y>.*))?`, "either"
	})
	decoders = append(decoders, generic)
	f.Fuzz(func(t *testing.T, in []byte) {
		for i, d := range decoders {
			var got acquire.Frame
			err := d.Decode(in, &got)
			if err != nil {
				if err.Text == "" || err.Reason >= acquire.ReasonCount {
					t.Errorf("decoder %d: rejected without a reason: %+v", i, err)
				}
				continue
			}
			if got.Flags&acquire.NotValid != 0 {
				continue
			}
			if !got.Step.Valid() || got.ResolutionPM <= 0 {
				t.Errorf("decoder %d: %q has the step %v, resolution %d", i, in, got.Step, got.ResolutionPM)
			}
		}
		var got acquire.Frame
		if err := generic.Decode(in, &got); err == nil {
			text, _, _ := strings.Cut(string(in), ";")
			checkExact(t, text, got)
		}
	})
}

var blanks = regexp.MustCompile(`[ \t]`)

func checkExact(t *testing.T, text string, got acquire.Frame) {
	t.Helper()
	want, ok := new(big.Rat).SetString(strings.Replace(blanks.ReplaceAllString(text, ""), ",", ".", 1))
	if !ok {
		t.Fatalf("%q was accepted as %d counts but is no number", text, got.X)
	}
	want.Mul(want, big.NewRat(acquire.PicometresPerMM, 1))
	have := new(big.Rat).Mul(big.NewRat(got.Step.Num, got.Step.Den), new(big.Rat).SetInt64(got.X))
	if want.Cmp(have) != 0 {
		t.Errorf("%q: %s pm, exact is %s pm", text, have, want)
	}
}

func TestDecodeIsExact(t *testing.T) {
	d := decoder(t, func(c *frame.Config) {
		c.Terminator, c.Pattern, c.DecimalMark = `\n`, `(?P<x>[^;]*)(;(?P<y>.*))?`, "either"
	})
	accepted := 0
	for _, in := range corpus(t) {
		var got acquire.Frame
		if err := d.Decode(in, &got); err == nil {
			text, _, _ := strings.Cut(string(in), ";")
			checkExact(t, text, got)
			accepted++
		}
	}
	if accepted < 5 {
		t.Errorf("only %d of the frames are numbers; the corpus should hold at least five", accepted)
	}
}

func ExampleNew() {
	c := frame.DefaultConfig()
	c.Terminator = `\r\n`
	c.Pattern = `N(?P<x>[+-] *\d+,\d+)(?P<status>[ E])`
	c.DecimalMark = "comma"
	c.StatusNotValid = []string{"E"}
	d, err := frame.New(c)
	if err != nil {
		fmt.Println(err)
		return
	}
	var f acquire.Frame
	for _, in := range []string{"N+ 25,00412 ", "N+ 25,00412E", "N+ 25;00412 "} {
		if err := d.Decode([]byte(in), &f); err != nil {
			fmt.Println(err.Reason)
			continue
		}
		if f.Flags&acquire.NotValid != 0 {
			fmt.Println("not valid")
			continue
		}
		fmt.Println(f.X, "counts of", f.Step)
	}
	// Output:
	// 2500412 counts of 0.01 µm
	// not valid
	// no_match
}
