package calibrate

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

var rewriteWalker = flag.Bool("rewrite-walker", false, "write the output of the walker's scripts into them")

// walkerRings are invented: a 30 mm master and two 32 mm work rings of steel.
func walkerRings() []Ring {
	return []Ring{
		{
			ID: "M", Ident: "M-30", Kind: Master, Nominal: 30 * Millimetre, Material: "steel",
			Certificate: &MasterCertificate{
				Number: "C-1", Diameter: 30*Millimetre + 400_000, Expanded: 200_000, CoverageFactorMill: 2000,
				DriftHalfWidth: 100_000, Height: 10 * Millimetre, CalibratedOn: "2025-06-01", DueOn: "2027-06-01",
			},
		},
		{ID: "W", Ident: "W-7", Kind: Work, Nominal: 32 * Millimetre, Material: "steel", LowerLimit: -Micrometre, UpperLimit: Micrometre},
		{ID: "V", Ident: "V-8", Kind: Work, Nominal: 32 * Millimetre, Material: "steel"},
	}
}

func walkerSetup() *Setup {
	return &Setup{
		StationID: "bench", ReadingSign: 1, ScaleMaterial: "glass", Day: "2026-03-02",
		Expansions: []Expansion{{"steel", 11500}, {"glass", 8000}},
	}
}

// walkerScript runs the commands of one file against one state.
type walkerScript struct {
	state  State
	clock  int64
	events []Event
}

// walkerArgs splits a command line into words and key=value pairs; values may be
// quoted.
func walkerArgs(line string) (words []string, opts map[string]string) {
	opts = map[string]string{}
	for line = strings.TrimSpace(line); line != ""; line = strings.TrimSpace(line) {
		end := strings.IndexAny(line, " \"")
		if end >= 0 && line[end] == '"' {
			end += 2 + strings.IndexByte(line[end+1:], '"')
		}
		if end < 0 {
			end = len(line)
		}
		word := line[:end]
		line = line[end:]
		if k, v, ok := strings.Cut(word, "="); ok && !strings.HasPrefix(word, `"`) {
			opts[k] = strings.Trim(v, `"`)
			continue
		}
		words = append(words, strings.Trim(word, `"`))
	}
	return words, opts
}

func (w *walkerScript) number(t *testing.T, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatalf("script: %q is no number", text)
	}
	return v
}

func (w *walkerScript) event(t *testing.T, words []string, o map[string]string) []Event {
	t.Helper()
	micro := func(text string) Length { return Length(w.number(t, text) * 1e6) }
	step := func() int {
		n, err := strconv.Atoi(words[len(words)-1])
		if err != nil {
			t.Fatalf("script: %v has no step", words)
		}
		return n
	}
	e := Event{By: o["by"], Reason: o["reason"]}
	switch words[0] {
	case "start":
		rings := walkerRings()
		repeats := int(w.number(t, o["repeats"]))
		p := OneDiameterPlan(rings[0], rings[1], repeats)
		switch o["plan"] {
		case "two-rings":
			p = HeightsAndDirectionsPlan(rings[0], rings[1:], []Length{10 * Millimetre}, []int64{0}, repeats)
		case "directions":
			p = HeightsAndDirectionsPlan(rings[0], rings[1:2], []Length{10 * Millimetre}, []int64{0, 90_000}, repeats)
		case "revisit":
			p = HeightsAndDirectionsPlan(rings[0], rings[1:], []Length{10 * Millimetre}, []int64{0}, repeats)
			mid := p.Steps[0]
			mid.Role = Revisit
			p.Steps = append(p.Steps[:2:2], mid, p.Steps[2], p.Steps[3])
		}
		if l, ok := o["limit"]; ok {
			p.ClosingLimit = micro(l)
		}
		if d, ok := o["due"]; ok {
			rings[0].Certificate.DueOn = d
		}
		e.Kind, e.Plan, e.Rings, e.Setup = SetStarted, &p, rings, walkerSetup()
		if s, ok := o["sign"]; ok {
			e.Setup.ReadingSign = int64(w.number(t, s))
		}
	case "confirm":
		e.Kind, e.RingID = RingConfirmed, words[1]
	case "capture", "good":
		c := &CaptureFact{ID: words[1], StreamID: "s1", Outcome: "diameter", U: 30_000, Question: o["question"]}
		if s, ok := o["stream"]; ok {
			c.StreamID = s
		}
		if len(words) > 2 {
			c.Reading = micro(words[2])
		}
		if u, ok := o["u"]; ok {
			c.U = micro(u)
		}
		if out, ok := o["outcome"]; ok {
			c.Outcome = out
			if out != OutcomeManual {
				c.Reading, c.U, c.Reasons = 0, 0, []string{o["why"]}
			}
		}
		c.At, c.WallNS = w.clock, w.clock
		e.Kind, e.Capture = CaptureStored, c
		if words[0] == "good" {
			return []Event{e, {Kind: WithdrawnAfter}}
		}
	case "withdraw":
		e.Kind = WithdrawnAfter
	case "reject":
		e.Kind, e.CaptureID = Rejected, words[1]
	case "again":
		e.Kind, e.Step = SameAgain, step()
	case "relabel":
		e.Kind, e.CaptureID, e.Step = Relabelled, words[1], step()
	case "move":
		e.Kind, e.Step = MovedTo, step()
	case "ask":
		e.Kind = Asked
		if len(words) > 1 {
			e.CaptureID = words[1]
		}
	case "answer":
		e.Kind, e.Accept = Answered, words[1] == "yes"
	case "stream":
		e.Kind, e.VoidsReference = StreamChanged, len(words) > 1 && words[1] == "void"
	case "temperature":
		ring := words[1]
		if ring == "scale" {
			ring = ""
		}
		c, ok := TemperatureFromCelsius(w.number(t, words[2]))
		if !ok {
			t.Fatalf("script: bad temperature %v", words)
		}
		e.Kind = Conditions
		e.Temperatures = []TemperatureFact{{RingID: ring, Value: c, U: Kelvin / 20, WallNS: w.clock, Source: "typed"}}
	case "pause":
		e.Kind = Paused
	case "resume":
		e.Kind = Resumed
	case "abort":
		e.Kind = Aborted
	case "close":
		e.Kind = SetClosed
	default:
		t.Fatalf("script: unknown command %v", words)
	}
	return []Event{e}
}

func (w *walkerScript) show(what string) string {
	var b strings.Builder
	s := &w.state
	switch what {
	case "captures":
		for _, c := range s.Captures {
			fmt.Fprintf(&b, "%s step %d: %s", c.Fact.ID, c.Step, c.Standing)
			if c.Role != "" {
				fmt.Fprintf(&b, " as %s", c.Role)
			}
			if c.Attempt > 0 {
				fmt.Fprintf(&b, " attempt %d", c.Attempt)
			}
			if c.Fact.Manual {
				b.WriteString(" manual")
			}
			if c.Why != "" {
				fmt.Fprintf(&b, " (%s)", c.Why)
			}
			b.WriteString("\n")
		}
	case "steps":
		for _, p := range s.Steps {
			fmt.Fprintf(&b, "%d %s %d/%d done=%t mean %s spread %s\n", p.Index, p.Role, p.Got, p.Needed, p.Done, walkerMicro(p.Mean), walkerSize(p.Spread))
		}
	case "closing":
		fmt.Fprintf(&b, "known=%t difference %s limit %s\n", s.ClosingKnown, walkerMicro(s.ClosingDifference), walkerSize(s.ClosingLimit))
		for i, a := range s.Attempts {
			fmt.Fprintf(&b, "attempt %d: %v complete=%t difference %s within=%t\n", i+1, a.Captures, a.Complete, walkerMicro(a.Difference), a.Within)
		}
	case "reservations":
		for _, r := range s.Reservations {
			fmt.Fprintf(&b, "%s: %s\n", r.Code, r.Text)
		}
	case "repeatability":
		fmt.Fprintf(&b, "s %d pm with %d degrees of freedom, largest spread %s\n", s.Repeatability, s.RepeatabilityDof, walkerSize(s.Spread))
	}
	return b.String()
}

// run runs the lines of one block and returns what it prints: what was refused,
// what was shown, and unless something was shown how the set stands.
func (w *walkerScript) run(t *testing.T, lines []string) string {
	t.Helper()
	var out strings.Builder
	shown := false
	for _, line := range lines {
		words, opts := walkerArgs(line)
		if words[0] == "show" {
			shown = true
			out.WriteString(w.show(words[1]))
			continue
		}
		for _, e := range w.event(t, words, opts) {
			w.clock += 60e9
			e.Seq, e.At, e.WallNS = int64(len(w.events)+1), w.clock, w.clock
			before := w.state
			next, err := Apply(w.state, e)
			if err != nil {
				if d := cmp.Diff(before, next); d != "" {
					t.Errorf("%s: a refused event changed the state:\n%s", line, d)
				}
				fmt.Fprintln(&out, strings.ReplaceAll(err.Error(), "\n", "\n  "))
				continue
			}
			w.state, w.events = next, append(w.events, e)
		}
	}
	if !shown {
		fmt.Fprintf(&out, "%s, step %d: %s\n", w.state.Status, w.state.Step, w.state.Sentence)
		if w.state.Next != "" {
			fmt.Fprintf(&out, "  %s\n", w.state.Next)
		}
	}
	return out.String()
}

// TestWalkerScripts runs testdata/walker/*: blocks of commands, a line "----", and
// the output, ended by an empty line. Lines that start with # are comments.
func TestWalkerScripts(t *testing.T) {
	files, err := filepath.Glob("testdata/walker/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatalf("no scripts in testdata/walker: %v", err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txt"), func(t *testing.T) {
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			w := &walkerScript{state: NewState("set")}
			var rewritten strings.Builder
			for _, block := range strings.Split(strings.TrimSpace(string(data)), "\n\n") {
				head, want, isTest := strings.Cut(block+"\n", "----\n")
				if !isTest {
					rewritten.WriteString(block + "\n\n")
					continue
				}
				var lines []string
				for _, l := range strings.Split(strings.TrimSpace(head), "\n") {
					if !strings.HasPrefix(l, "#") {
						lines = append(lines, l)
					}
				}
				got := w.run(t, lines)
				rewritten.WriteString(head + "----\n" + got + "\n")
				if !*rewriteWalker {
					if d := cmp.Diff(want, got); d != "" {
						t.Errorf("%s\n(-want +got):\n%s", head, d)
					}
				}
			}
			if *rewriteWalker {
				if err := os.WriteFile(file, []byte(strings.TrimRight(rewritten.String(), "\n")+"\n"), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			// A restart folds the journal again and comes to the same state.
			again, err := Fold("set", w.events)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(w.state, again); d != "" {
				t.Errorf("folding the events again:\n%s", d)
			}
		})
	}
}
