package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ringsaddle/calibrate"
)

func setPath(name string) string { return filepath.Join("..", "..", "testdata", "sets", name) }

// runEvaluate runs the command with load as its database.
func runEvaluate(t *testing.T, load setLoader, stdin string, args ...string) (string, error) {
	t.Helper()
	cmd := newEvaluateCommandFrom(load)
	var out bytes.Buffer
	cmd.SetOut(&out)
	cmd.SetErr(&out)
	cmd.SetIn(strings.NewReader(stdin))
	cmd.SetArgs(args)
	cmd.SilenceUsage, cmd.SilenceErrors = true, true
	err := cmd.ExecuteContext(context.Background())
	return out.String(), err
}

// evaluateJSON decodes what the command prints.
func evaluateJSON(t *testing.T, args ...string) calibrate.Outcome {
	t.Helper()
	out, err := runEvaluate(t, nil, "", append(args, "--format", "json")...)
	if err != nil {
		t.Fatal(err)
	}
	var o calibrate.Outcome
	if err := json.Unmarshal([]byte(out), &o); err != nil {
		t.Fatalf("%v in %s", err, out)
	}
	return o
}

func close6(got, want float64) bool { return math.Abs(got-want) <= 0.5e-6 }

// The ring of 90 mm against a setting ring of 40 mm of EA-4/02, S13, through the
// command, term by term in millimetres. Its inputs are from memory; the figures
// follow from them (the remembered total does not and is not compared).
func TestEvaluateRingExample(t *testing.T) {
	o := evaluateJSON(t, "--file", setPath("ring-90-against-40.json"))
	if o.Status != calibrate.Provisional {
		t.Errorf("status %s", o.Status)
	}
	got := map[string]float64{}
	for _, term := range o.Results[0].Terms {
		got[term.ID] = term.Contribution
	}
	for id, want := range map[string]float64{
		"master":      0.0001000,
		"scale":       math.Hypot(0.000375/math.Sqrt(3), 0.00002/math.Sqrt(3)), // scale and Abbe
		"temperature": math.Sqrt(0.0531*0.0531+0.1195*0.1195+0.0664*0.0664) / 1000,
		"alignment":   0.0000065,
		"compression": 0.0000173,
	} {
		if !close6(got[id], want) {
			t.Errorf("%s: %.7f mm, want %.7f", id, got[id], want)
		}
	}
	if d := o.Results[0].DiameterMM; math.Abs(d-90.00025) > 5e-6 {
		t.Errorf("diameter %.6f mm, want 90.00025", d)
	}
}

// The table for people. The golden files are rewritten with
// RINGSADDLE_UPDATE_GOLDEN=1.
func TestEvaluateTable(t *testing.T) {
	for _, name := range []string{"two-rings", "six-positions", "ring-90-against-40"} {
		out, err := runEvaluate(t, nil, "", "--file", setPath(name+".json"))
		if err != nil {
			t.Fatal(err)
		}
		golden := filepath.Join("..", "..", "testdata", "sets", name+".txt")
		if os.Getenv("RINGSADDLE_UPDATE_GOLDEN") != "" {
			if err := os.WriteFile(golden, []byte(out), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(golden)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(string(want), out); d != "" {
			t.Errorf("%s (-golden +got):\n%s", golden, d)
		}
	}
}

// All methods, all cores or one: the Monte Carlo result is the same, and both
// methods stand side by side.
func TestEvaluateMethods(t *testing.T) {
	file := []string{"--file", setPath("two-rings.json"), "--max-trials", "200000"}
	gum := evaluateJSON(t, file...).Results[0]
	mc := evaluateJSON(t, append(file, "--method", "mc")...).Results[0]
	both := evaluateJSON(t, append(file, "--method", "both")...).Results[0]
	if gum.MonteCarlo != nil || mc.MonteCarlo == nil || both.MonteCarlo == nil {
		t.Fatal("Monte Carlo reported with the wrong method")
	}
	if *mc.MonteCarlo != *both.MonteCarlo {
		t.Errorf("two runs of one seed differ: %+v and %+v", *mc.MonteCarlo, *both.MonteCarlo)
	}
	data, err := os.ReadFile(setPath("two-rings.json"))
	if err != nil {
		t.Fatal(err)
	}
	set, err := calibrate.DecodeSet(data)
	if err != nil {
		t.Fatal(err)
	}
	one, err := calibrate.Evaluate(set, calibrate.Options{Method: calibrate.MethodBoth, MaxTrials: 200_000})
	if err != nil {
		t.Fatal(err)
	}
	if *one.Results[0].MonteCarlo != *both.MonteCarlo {
		t.Error("the number of cores changes the outcome")
	}
	if both.UMM != gum.UMM || mc.UMM != mc.MonteCarlo.UMM || math.Abs(mc.UMM-gum.UMM) > 0.05*gum.UMM {
		t.Errorf("u %g by gum, %g by mc, %g with both", gum.UMM, mc.UMM, both.UMM)
	}
	if math.Abs(mc.DiameterMM-gum.DiameterMM) > 1e-6 {
		t.Errorf("diameter %.7f by gum, %.7f by mc", gum.DiameterMM, mc.DiameterMM)
	}
	out, err := runEvaluate(t, nil, "", append(file, "--method", "both")...)
	if err != nil || !strings.Contains(out, "Monte Carlo, 200000 trials, seed 1") || !strings.Contains(out, "tolerance 0.0050 µm") {
		t.Errorf("%v in\n%s", err, out)
	}
}

// A set of the database goes through the same engine as a file.
func TestEvaluateLoader(t *testing.T) {
	load := func(_ context.Context, id string) (calibrate.SetFile, error) {
		if id != "the-set" {
			return calibrate.SetFile{}, fmt.Errorf("no set %q", id)
		}
		return readSetFile(nil, setPath("two-rings.json"))
	}
	fromStore, err := runEvaluate(t, load, "", "the-set")
	if err != nil {
		t.Fatal(err)
	}
	fromFile, err := runEvaluate(t, nil, "", "--file", setPath("two-rings.json"))
	if err != nil || fromStore != fromFile {
		t.Errorf("%v; from the store:\n%s\nfrom the file:\n%s", err, fromStore, fromFile)
	}
	if _, err := runEvaluate(t, load, "", "another"); err == nil || !strings.Contains(err.Error(), `no set "another"`) {
		t.Errorf("unknown set: %v", err)
	}
}

// What cannot be evaluated ends with status 2 and says what, where, how to mend it.
func TestEvaluateRefused(t *testing.T) {
	data, err := os.ReadFile(setPath("two-rings.json"))
	if err != nil {
		t.Fatal(err)
	}
	noK := strings.Replace(string(data), `,"coverage_factor":2`, "", 1)
	empty := func(_ context.Context, id string) (calibrate.SetFile, error) {
		return calibrate.SetFile{}, fmt.Errorf("no set %q", id)
	}
	two := strings.Replace(noK, `"range_mm":[0,150]`, `"range_mm":[0,31]`, 1)
	for _, c := range []struct {
		name, stdin string
		args        []string
		want        []string
	}{
		{"U without k", noK, []string{"--file", "-"}, []string{"coverage_factor: (missing); permitted: 1 to 5", "read k on the certificate"}},
		{"two faults", two, []string{"--file", "-"}, []string{"2 faults in the set:\n  ", "0 to 31 mm"}},
		{"no JSON", "diameter 25", []string{"--file", "-"}, []string{"-: line 1, column"}},
		{"empty", "", []string{"--file", "-"}, []string{"ends in the middle"}},
		{"no such file", "", []string{"--file", "nowhere.json"}, []string{"nowhere.json"}},
		{"nothing to do", "", nil, []string{"either the id of a set or --file"}},
		{"both", "", []string{"x", "--file", "y"}, []string{"either the id of a set or --file"}},
		{"unknown set", "", []string{"x"}, []string{`no set "x"`}},
		{"unknown method", string(data), []string{"--file", "-", "--method", "guess"}, []string{"method: guess; permitted: gum, mc, both"}},
		{"unknown format", string(data), []string{"--file", "-", "--format", "xml"}, []string{`--format "xml"`, "table, json"}},
	} {
		_, err := runEvaluate(t, empty, c.stdin, c.args...)
		var exit *exitError
		if !errors.As(err, &exit) || exit.code != 2 {
			t.Errorf("%s: %v, want exit status 2", c.name, err)
			continue
		}
		for _, w := range c.want {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%s: %v; want %q in it", c.name, err, w)
			}
		}
	}
}
