package main

import (
	"context"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ringsaddle/calibrate"
	"ringsaddle/storage"
)

func TestCommission(t *testing.T) {
	path := filepath.Join(t.TempDir(), "db")
	store, err := storage.Open(t.Context(), storage.Config{Path: path}, time.Now, newID)
	if err != nil {
		t.Fatal(err)
	}
	for ident, mm := range map[string]calibrate.Length{"M-30": 30, "M-40": 40} {
		_, err := store.AddRing(t.Context(), calibrate.Ring{
			ID: newID(), Ident: ident, Kind: calibrate.Master, Nominal: mm * calibrate.Millimetre, Material: "steel",
			Certificate: &calibrate.MasterCertificate{
				Number: "1", Diameter: mm*calibrate.Millimetre + 400_000, Expanded: 200_000, CoverageFactorMill: 2000,
				CalibratedOn: "2026-01-01", DueOn: "2027-01-01",
			},
		}, storage.Note{By: "T"})
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := store.Close(context.Background()); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		small, large, want string
		status             int
	}{
		{"1.5018 mm", "11.5022 mm", "The reading grows with the diameter: readout.sign = 1.", 0},
		{"11.5018 mm", "1.5022 mm", "The reading falls with the diameter: readout.sign = -1.", 0},
		{"1.5018 mm", "6.5020 mm", "NOT OK", 1}, // shows radii
		{"1.5018", "11.5022 mm", "", 2},         // no unit
	} {
		cmd := newCommissionCommand()
		var out strings.Builder
		cmd.SetOut(&out)
		cmd.SetArgs([]string{"--database", path, "--small", "M-30", "--large", "M-40", "--small-reading", c.small, "--large-reading", c.large})
		cmd.SilenceUsage, cmd.SilenceErrors = true, true
		err := cmd.Execute()
		status := 0
		if e, ok := err.(*exitError); ok {
			status = e.code
		} else if err != nil {
			status = 1
		}
		if status != c.status || !strings.Contains(out.String(), c.want) {
			t.Errorf("%s, %s: status %d, %v\n%s", c.small, c.large, status, err, out.String())
		}
	}
}
