package detect

import (
	"bufio"
	"bytes"
	"errors"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"ringsaddle/acquire"
	"ringsaddle/acquire/bench"
)

var flagUpdate = flag.Bool("update", false, "write the golden traces anew from the simulated bench")

// traceDir holds the golden traces: header lines "key: value", an empty line,
// and a CSV trace as the detect command reads it.
const traceDir = "../testdata/traces"

// golden is a golden trace.
type golden struct {
	comment  string
	seek     string
	expect   []string // outcome of each capture; alternatives divided by "|"
	saddleMM []string // of each capture, or "-"
	withinUM float64
	csv      []byte
}

func readGolden(name string) (golden, error) {
	g := golden{seek: "tilt=min,cross=max"}
	data, err := os.ReadFile(name)
	if err != nil {
		return g, err
	}
	head, body, ok := bytes.Cut(data, []byte("\n\n"))
	if !ok {
		return g, errors.New("no empty line after the header")
	}
	g.csv = body
	sc := bufio.NewScanner(bytes.NewReader(head))
	for sc.Scan() {
		key, value, ok := strings.Cut(sc.Text(), ": ")
		if !ok {
			return g, fmt.Errorf("header line %q: expected key: value", sc.Text())
		}
		switch key {
		case "comment":
			g.comment = value
		case "origin":
		case "seek":
			g.seek = value
		case "expect":
			g.expect = strings.Fields(value)
		case "saddle-mm":
			g.saddleMM = strings.Fields(value)
		case "within-um":
			if g.withinUM, err = strconv.ParseFloat(value, 64); err != nil {
				return g, err
			}
		default:
			return g, fmt.Errorf("header key %q is not known", key)
		}
	}
	return g, nil
}

// openGolden reads a golden trace with its readings and the settings for it.
func openGolden(t *testing.T, name string) (golden, acquire.Trace, Params) {
	t.Helper()
	g, err := readGolden(name)
	if err != nil {
		t.Fatal(err)
	}
	tr, err := acquire.ReadCSV(bytes.NewReader(g.csv), name, acquire.CSVOptions{})
	if err != nil {
		t.Fatal(err)
	}
	p := DefaultParams(tr.Step(), 0)
	p.Seeks = seeksOf(g.seek)
	return g, tr, p
}

func seeksOf(s string) [2]Seek {
	var out [2]Seek
	for i, p := range strings.Split(s, ",") {
		name, sense, _ := strings.Cut(p, "=")
		out[i] = Seek{Adjustment: Adjustment(name), Sense: Minimum}
		if sense == "max" {
			out[i].Sense = Maximum
		}
	}
	return out
}

// Golden traces: each is run as a whole and reading by reading with marks
// between, and must give what its header says.
func TestGoldenTraces(t *testing.T) {
	if *flagUpdate {
		writeGolden(t)
	}
	names, err := filepath.Glob(filepath.Join(traceDir, "*.trace"))
	if err != nil {
		t.Fatal(err)
	}
	if len(names) < 10 {
		t.Fatalf("%d golden traces in %s: the corpus is incomplete", len(names), traceDir)
	}
	for _, name := range names {
		t.Run(strings.TrimSuffix(filepath.Base(name), ".trace"), func(t *testing.T) {
			g, tr, p := openGolden(t, name)
			plain := detectAll(p, tr.Readings)
			// Hints and silences between the readings change nothing but Seq.
			var marked []acquire.Reading
			for i, r := range tr.Readings {
				if i%97 == 0 {
					marked = append(marked, EncodeHint(Hint{Seek: i % 2}, r.At), acquire.Reading{At: r.At, Flags: acquire.Silence})
				}
				marked = append(marked, r)
			}
			again := detectAll(p, marked)
			if len(plain) != len(g.expect) || len(again) != len(plain) {
				t.Fatalf("%d captures, with marks %d, expected %d", len(plain), len(again), len(g.expect))
			}
			for i, c := range plain {
				if !slices.Contains(strings.Split(g.expect[i], "|"), string(c.Outcome)) {
					t.Errorf("capture %d: %s %v, expected %s: %s", i, c.Outcome, c.Reasons, g.expect[i], g.comment)
				}
				if again[i].Outcome != c.Outcome || again[i].Saddle != c.Saddle {
					t.Errorf("capture %d: marks between the readings change it", i)
				}
				if c.Outcome != OutcomeDiameter {
					continue
				}
				want, err := strconv.ParseFloat(g.saddleMM[i], 64)
				if err != nil {
					t.Fatal(err)
				}
				got := (float64(c.Origin) + c.Saddle) * p.StepMM
				if e := math.Abs(got-want) * 1000; e > g.withinUM || e > 3*c.U*p.StepMM*1000 {
					t.Errorf("capture %d: %.6f mm ± %.6f, truth %.6f", i, got, c.U*p.StepMM, want)
				}
			}
		})
	}
}

// writeGolden makes the golden traces.
func writeGolden(t *testing.T) {
	if err := os.MkdirAll(traceDir, 0o755); err != nil {
		t.Fatal(err)
	}
	base := func(name string) bench.Scenario {
		sc, err := bench.LoadScenario(name)
		if err != nil {
			t.Fatal(err)
		}
		sc.Tasks = sc.Tasks[:1]
		sc.Tasks[0].Repeat = 1
		sc.Readout.RateHz = 50
		return sc
	}
	class := func(c bench.Class, seed uint64) bench.Scenario {
		sc, err := bench.ClassScenario(c, rand.New(rand.NewPCG(seed, 77)))
		if err != nil {
			t.Fatal(err)
		}
		sc.Readout.RateHz = math.Min(sc.Readout.RateHz, 50)
		return sc
	}
	for _, x := range []struct {
		name, comment, seek string
		sc                  bench.Scenario
		seed                uint64
		expect              string // when the truth allows more than is wanted
	}{
		{"bore", "an ordinary bore: tilt, then cross", "", class(bench.ClassOrdinary, 12), 12, ""},
		{"cross-first", "the cross slide is played before the tilt", "", class(bench.ClassCrossFirst, 3), 3, ""},
		{"touch-up", "the tilt is touched up after the cross", "", class(bench.ClassTouchUp, 3), 3, ""},
		{"coarse", "a readout that shows whole micrometres", "", class(bench.ClassCoarse, 5), 5, ""},
		{"never-crossed", "the cross maximum is never passed: a diameter here would be false", "", class(bench.ClassNeverCross, 7), 7, "ambiguous|incomplete|tilt_only"},
		{"swept-once", "one extremum is passed once and not found again", "", class(bench.ClassSweptOnce, 4), 4, "ambiguous|incomplete|tilt_only|cross_only"},
		{"end-stop", "the reversals repeat at an end stop short of the extremum", "", class(bench.ClassEndStop, 9), 9, "ambiguous|incomplete|tilt_only|cross_only"},
		{"one-knob", "only one adjustment is played", "", class(bench.ClassOneKnob, 1), 1, ""},
		{"outliers", "stray readings of up to half a millimetre, in runs of up to three", "", class(bench.ClassOutliers, 8), 8, ""},
		{"contact-lost", "the contact is lost in the middle of a sweep", "", class(bench.ClassContactLost, 0), 0, ""},
		{"cylinder", "external cylinder: tilt minimum, cross maximum, the reading rises towards the balls' contact", "tilt=min,cross=max", base("cylinder"), 3, ""},
		{"faces", "parallel faces: tilt minimum and swivel minimum", "tilt=min,swivel=min", base("faces"), 2, ""},
		{"sphere", "sphere: height maximum and cross maximum", "height=max,cross=max", base("sphere"), 5, ""},
		{"counts-down", "the readout counts down with growing diameter: mirrored seeks", "tilt=max,cross=min", base("counts_down"), 4, ""},
	} {
		tr, err := bench.Generate(x.sc, x.seed)
		if err != nil {
			t.Fatal(x.name, err)
		}
		var b bytes.Buffer
		fmt.Fprintf(&b, "comment: %s\norigin: simulated bench, scenario %s, seed %d\n", x.comment, tr.Scenario, tr.Seed)
		if x.seek != "" {
			fmt.Fprintf(&b, "seek: %s\n", x.seek)
		}
		fmt.Fprint(&b, "expect:")
		for _, c := range tr.Contacts() {
			if c.Allows(bench.OutcomeNone) {
				continue
			}
			var names []string
			for _, o := range c.Allowed {
				names = append(names, string(o))
			}
			if x.expect != "" {
				names = strings.Split(x.expect, "|")
			}
			fmt.Fprintf(&b, " %s", strings.Join(names, "|"))
		}
		fmt.Fprint(&b, "\nsaddle-mm:")
		for _, c := range tr.Contacts() {
			if !c.Allows(bench.OutcomeNone) {
				fmt.Fprintf(&b, " %.6f", c.SaddleMM)
			}
		}
		within := 0.2
		if tr.ResolutionPM > 500_000 {
			within = 0.8
		}
		fmt.Fprintf(&b, "\nwithin-um: %g\n\nt_s,x_mm\n", within)
		pm := tr.Step.Num
		for _, r := range tr.Readings {
			fmt.Fprintf(&b, "%.4f,%.*f\n", float64(r.At)*1e-9, decimalsOf(pm), tr.Step.PositionMM(r.X))
		}
		if err := os.WriteFile(filepath.Join(traceDir, x.name+".trace"), b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// decimalsOf returns the decimals of a millimetre that show a step of pm.
func decimalsOf(pm int64) int {
	n := 9
	for pm >= 10 && n > 0 {
		pm /= 10
		n--
	}
	return n
}

// Both adjustments of one frame show its flexure, and the passes of one level run the
// same way.
func TestLevelsShowTheFlexure(t *testing.T) {
	_, tr, p := openGolden(t, filepath.Join(traceDir, "flexure-both.trace"))
	d, err := New(p)
	if err != nil {
		t.Fatal(err)
	}
	looked := false
	d.inspect = func(_ *contact, a *analyser) {
		if !a.played {
			return
		}
		looked = true
		for k, f := range a.flex {
			if f < 0.2 || f > 0.5 {
				t.Errorf("%s: flexure %.2f µm, about 0.3 were simulated", p.Seeks[k].Adjustment, f)
			}
		}
		for i := range a.dec.n {
			ph := &a.dec.ph[i]
			for x, id := range ph.passes[:ph.n] {
				side := (a.piv[id].v - ph.value) * float64(ph.dirs[x])
				first := (a.piv[ph.passes[0]].v - ph.value) * float64(ph.dirs[0])
				if side*first < 0 {
					t.Errorf("pass %d of the %s lies on the other level", x, p.Seeks[ph.seek].Adjustment)
				}
			}
		}
	}
	for _, r := range tr.Readings {
		d.Push(r)
	}
	d.Flush()
	if !looked {
		t.Error("no contact in the trace")
	}
}
