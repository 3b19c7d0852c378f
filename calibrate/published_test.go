package calibrate

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// The tests named TestPublished… compare with figures from outside this project.
// Each names its source and how the figures came here: "read" (in a copy of the
// source), "read in a transcription", "from memory", or "derived" (worked out and
// checked by a second computation apart from this package). What is from memory or
// derived never stands alone for a method.

// published reads a table of testdata/published as a map per row; lines that begin
// with # name the source. An empty table fails.
func published(t testing.TB, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", "published", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	records, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, rec := range records[1:] {
		m := map[string]string{}
		for i, k := range records[0] {
			m[k] = rec[i]
		}
		out = append(out, m)
	}
	if len(out) == 0 {
		t.Fatalf("%s holds no row", name)
	}
	return out
}

func number(t testing.TB, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// column returns one column of a table as numbers.
func column(t testing.TB, rows []map[string]string, name string) []float64 {
	t.Helper()
	var x []float64
	for _, r := range rows {
		x = append(x, number(t, r[name]))
	}
	return x
}

// printed fails unless got rounds to the decimal text want.
func printed(t testing.TB, what string, got float64, want string) {
	t.Helper()
	_, frac, _ := strings.Cut(want, ".")
	if s := strconv.FormatFloat(got, 'f', len(frac), 64); s != want {
		t.Errorf("%s = %s (%.9g), printed %s", what, s, got, want)
	}
}

// digits fails unless got agrees with want to n significant digits.
func digits(t testing.TB, what string, got, want float64, n float64) {
	t.Helper()
	if lre := -math.Log10(math.Abs(got-want) / math.Abs(want)); !(lre >= n) && got != want {
		t.Errorf("%s = %.15g, certified %.15g: %.1f digits, want %g", what, got, want, lre, n)
	}
}

// rectangular and normal are inputs for the published models.
func rectangular(id string, value, half, dof float64) Input {
	return Input{ID: id, Value: value, HalfWidth: half, U: half / math.Sqrt(3), Dist: Rectangular, Dof: dof}
}

func normal(id string, value, u, dof float64) Input {
	return Input{ID: id, Value: value, U: u, Dof: dof}
}
