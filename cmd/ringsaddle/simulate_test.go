package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ringsaddle/acquire"
	"ringsaddle/acquire/bench"
)

func simulate(t *testing.T, ctx context.Context, args ...string) (string, error) {
	t.Helper()
	var out bytes.Buffer
	cmd := newSimulateCommand()
	cmd.SetOut(&out)
	cmd.SetErr(io.Discard)
	cmd.SilenceUsage, cmd.SilenceErrors = true, true
	cmd.SetArgs(args)
	err := cmd.ExecuteContext(ctx)
	return out.String(), err
}

// What simulate writes is what the offline reader of traces reads.
func TestSimulateWritesCSVAndTruth(t *testing.T) {
	dir := t.TempDir()
	csvFile, truthFile := filepath.Join(dir, "a.csv"), filepath.Join(dir, "a.json")
	if _, err := simulate(t, t.Context(), "--scenario", "class:with_y", "--seed", "3", "--csv", csvFile, "--truth", truthFile); err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(csvFile)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	got, err := acquire.ReadCSV(f, csvFile, acquire.CSVOptions{})
	if err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(truthFile)
	if err != nil {
		t.Fatal(err)
	}
	var truth bench.Trace
	if err := json.Unmarshal(data, &truth); err != nil {
		t.Fatal(err)
	}
	if len(truth.Entries) != 1 || len(truth.Contacts()) == 0 || !truth.HasY {
		t.Fatalf("truth: %d entries, %d contacts, second axis %v", len(truth.Entries), len(truth.Contacts()), truth.HasY)
	}
	c, ok := truth.Entries[0].Main()
	if !ok {
		t.Fatal("no contact in the truth")
	}
	// Near the end of the last phase the readings lie at the saddle plus what
	// parking left; the demo's hand leaves less than 1 µm.
	near := 0
	step := got.Step()
	for _, r := range got.Readings {
		if !r.IsPosition() {
			continue
		}
		if r.Flags&acquire.HasY == 0 {
			t.Fatal("a reading without y")
		}
		if d := r.At - c.SaddleNS; d >= 0 && d < 300e6 {
			near++
			if e := step.PositionMM(r.X) - c.SaddleMM; e > 0.002 || e < -0.002 {
				t.Fatalf("%.6f mm at %d ns, saddle %.6f mm", step.PositionMM(r.X), r.At, c.SaddleMM)
			}
		}
	}
	if near == 0 {
		t.Fatal("no readings at the end of the last phase")
	}

	out, err := simulate(t, t.Context(), "--scenario", "class:with_y", "--seed", "3", "--csv", "-")
	if err != nil {
		t.Fatal(err)
	}
	onDisk, err := os.ReadFile(csvFile)
	if err != nil {
		t.Fatal(err)
	}
	if out != string(onDisk) {
		t.Error("standard output and file differ for one seed")
	}
}

func TestSimulateRunsADevice(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	link := filepath.Join(t.TempDir(), "port")
	out, err := simulate(t, ctx, "--link", link)
	if err != nil {
		t.Fatal(err)
	}
	if strings.TrimSpace(out) != link {
		t.Errorf("printed %q, want %q", out, link)
	}
	if _, err := os.Lstat(link); !os.IsNotExist(err) {
		t.Errorf("the link outlives the command: %v", err)
	}
}

func TestSimulateRefuses(t *testing.T) {
	bad := filepath.Join(t.TempDir(), "bad.toml")
	if err := os.WriteFile(bad, []byte("[readout]\nrate_hz = 100000\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--scenario", "nowhere"}, `no ready scenario "nowhere"`},
		{[]string{"--scenario", "class:nothing"}, `class "nothing" does not exist`},
		{[]string{"--scenario", bad}, "bad.toml:2: readout.rate_hz: 100000: permitted 1 to 5000"},
		{[]string{"--truth", "x.json"}, "--truth needs --csv"},
		{[]string{"--speed", "1000"}, "speed 1000: permitted 0.01 to 100"},
		{[]string{"--rate", "-3"}, "readout.rate_hz: -3: permitted 1 to 5000"},
	} {
		_, err := simulate(t, t.Context(), c.args...)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v: %v, want %q", c.args, err, c.want)
		}
	}
}

func TestSimulateList(t *testing.T) {
	out, err := simulate(t, t.Context(), "--list")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range bench.Classes() {
		if !strings.Contains(out, "class:"+string(c)+" ") {
			t.Errorf("--list leaves out class %s", c)
		}
	}
	if !strings.Contains(out, "demo ") || strings.Contains(out, "unknown") {
		t.Errorf("--list:\n%s", out)
	}
}
