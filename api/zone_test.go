package api

import (
	"os"
	"path/filepath"
	"testing"
	"time"
)

func TestZone(t *testing.T) {
	for _, c := range []struct {
		in   *time.Location
		want string
	}{
		{time.UTC, "UTC"},
		{time.FixedZone("", 19_800), "+05:30"},
		{time.FixedZone("shed", -3600), "-01:00"},
	} {
		if got := zoneOf(time.Date(2026, 7, 1, 12, 0, 0, 0, c.in)); got != c.want {
			t.Errorf("%v: %q, want %q", c.in, got, c.want)
		}
	}
	dir := filepath.Join(t.TempDir(), "zoneinfo", "Asia")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	file, link := filepath.Join(dir, "Kolkata"), filepath.Join(t.TempDir(), "localtime")
	if err := os.WriteFile(file, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(file, link); err != nil {
		t.Fatal(err)
	}
	for _, c := range [][3]string{
		{"", link, "Asia/Kolkata"},
		{"Europe/Lisbon", link, "Europe/Lisbon"},
		{":Europe/Lisbon", link, "Europe/Lisbon"},
		{"/etc/some.tz", link, "Asia/Kolkata"},
		{"", file + "-absent", ""},
		{"", t.TempDir(), ""},
	} {
		if got := localZone(c[0], c[1]); got != c[2] {
			t.Errorf("TZ=%q, %s: %q, want %q", c[0], c[1], got, c[2])
		}
	}
}
