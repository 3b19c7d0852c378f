package main

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ringsaddle/calibrate"
)

var updateFlag = flag.Bool("update", false, "write golden files instead of comparing")

// Every bad configuration gives exactly the message beside it: file, line, key and
// what was expected, and all faults at once.
func TestBadConfigs(t *testing.T) {
	files, err := filepath.Glob("../../testdata/config/bad-*.toml")
	if err != nil || len(files) < 10 {
		t.Fatalf("%d bad configurations, %v", len(files), err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			_, err = parseConfig(filepath.Base(file), data)
			if err == nil {
				t.Fatal("no fault was found")
			}
			golden := strings.TrimSuffix(file, ".toml") + ".txt"
			got := err.Error() + "\n"
			if *updateFlag {
				if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(string(want), got); diff != "" {
				t.Errorf("the message changed (- want, + got):\n%s", diff)
			}
		})
	}
}

// The documented example is valid and shows the defaults as they are.
func TestExampleConfigShowsTheDefaults(t *testing.T) {
	shown, err := loadConfig("../../deploy/ringsaddle.toml")
	if err != nil {
		t.Fatal(err)
	}
	bare, err := parseConfig("bare", []byte("[[station]]\nname = \"bench-1\"\n[station.serial]\nport = \"/dev/ttyUSB0\"\n[station.frame]\nform = \"signed-decimal-mm-crlf\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	compare := cmp.Options{cmp.AllowUnexported(length{}, celsius{}, duration{}, force{})}
	if diff := cmp.Diff(bare, shown, compare); diff != "" {
		t.Errorf("the example does not show the defaults (- default, + example):\n%s", diff)
	}
}

// The example names every key there is.
func TestExampleConfigIsComplete(t *testing.T) {
	text, err := os.ReadFile("../../deploy/ringsaddle.toml")
	if err != nil {
		t.Fatal(err)
	}
	optional := []string{ // of a pattern of one's own; "ringsaddle listen --help" explains them
		"unit", "count_length", "decimal_mark", "decimals", "short_decimals", "unit_mm", "unit_um", "unit_inch",
		"status_not_valid", "status_valid", "temperature_channel", "max_length",
	}
	for _, section := range [][]string{{"http"}, {"storage"}, {"log"}, {"station"}, {"station", "serial"}, {"station", "frame"}, {"station", "readout"}, {"station", "instrument"}, {"station", "contacts"}, {"station", "limits"}} {
		_, known, _ := strings.Cut(knownKeys(append(section, "x")), "known here: ")
		if known == "" {
			t.Fatalf("no keys known in %v", section)
		}
		for _, key := range strings.Split(known, ", ") {
			if strings.Contains(strings.Join(optional, " ")+" serial frame readout instrument contacts limits ", key) {
				continue
			}
			if !strings.Contains(string(text), key+" = ") {
				t.Errorf("%s.%s is not shown", strings.Join(section, "."), key)
			}
		}
	}
}

// Lengths are exact: what is written in the file is what is kept, in picometres.
func TestQuantitiesAreExact(t *testing.T) {
	for text, want := range map[string]calibrate.Length{
		"0.2 um": 200_000, "0.2 µm": 200_000, "40 mm": 40_000_000_000, "0.00001 in": 254_000, "10uin": 254_000, "-3 nm": -3000, "1 pm": 1,
	} {
		var l length
		if err := l.UnmarshalText([]byte(text)); err != nil || l.err != nil || l.Length != want {
			t.Errorf("%q: %d pm, %v; want %d", text, l.Length, l.err, want)
		}
	}
	for _, text := range []string{"0.2", "um", "0.2 parsec", "1e3 um", "1/3 mm", "0.1 pm", "99999999999 m", ""} {
		var l length
		if err := l.UnmarshalText([]byte(text)); err != nil {
			t.Errorf("%q: the error was not kept for the check: %v", text, err)
		}
		if l.err == nil {
			t.Errorf("%q was taken as %d pm", text, l.Length)
		}
	}
}
