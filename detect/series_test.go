package detect

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"ringsaddle/acquire"
)

// readColumns reads a CSV file of numbers with a header line.
func readColumns(t *testing.T, name string) [][]float64 {
	t.Helper()
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out [][]float64
	for _, row := range rows[1:] {
		v := make([]float64, len(row))
		for i, s := range row {
			if v[i], err = strconv.ParseFloat(s, 64); err != nil {
				t.Fatalf("%s: %v", name, err)
			}
		}
		out = append(out, v)
	}
	return out
}

// The candidates of a recorded series are those that another library finds: the
// same extrema, no more and no fewer, at the same place and value.
// Source of both files, licence, commands and versions: testdata/series/ORIGIN.md.
// A part per million is taken as a micrometre and a week as 20 ms.
func TestCandidatesOfARecordedSeries(t *testing.T) {
	const week = 20_000_000 // ns
	d, err := New(DefaultParams(acquire.Step{Num: 100_000, Den: 1}, 0))
	if err != nil {
		t.Fatal(err)
	}
	type candidate struct{ week, mean, fit, s, fitWeek float64 }
	var found [2][]candidate // minima, maxima
	contacts := 0
	d.inspect = func(c *contact, a *analyser) {
		contacts++
		for i := range a.piv {
			p := &a.piv[i]
			if p.prom < 1.5 {
				continue
			}
			at := float64(c.firstAt)/week + a.t[p.k]*1e9/week
			x := candidate{at, float64(c.origin)/10 + a.sm[p.k], float64(c.origin)/10 + p.v, p.s, float64(c.firstAt)/week + p.t*1e9/week}
			found[(p.kind+1)/2] = append(found[(p.kind+1)/2], x)
		}
	}
	for i, r := range readColumns(t, "../testdata/series/co2_weekly.csv") {
		d.Push(acquire.Reading{Seq: uint64(i + 1), At: int64(r[0]) * week, X: int64(math.Round(10 * r[1]))})
	}
	d.Flush()
	if contacts != 1 {
		t.Fatalf("%d contacts, expected one", contacts)
	}
	var want [2][]candidate
	for _, r := range readColumns(t, "../testdata/series/co2_turning_points.csv") {
		k := int(r[1]+1) / 2
		want[k] = append(want[k], candidate{r[0], r[2], r[4], 0, r[3]})
	}
	var worst candidate
	var squares, n float64
	for k, name := range []string{"minimum", "maximum"} {
		if len(found[k]) != len(want[k]) {
			t.Fatalf("%s: %d found, the other library %d", name, len(found[k]), len(want[k]))
		}
		for i, g := range found[k] {
			w := want[k][i]
			diff := candidate{math.Abs(g.week - w.week), math.Abs(g.mean - w.mean), math.Abs(g.fit - w.fit), 0, 0}
			// Three weeks of the flat top, and a quarter of a ppm where a week is missing.
			// The two fits differ in window and weights: half a ppm. One maximum fell into
			// nineteen weeks without measurements, and its s says so.
			if diff.week > 3 || diff.mean > 0.25 || diff.fit > math.Max(0.5, 2*g.s) {
				t.Errorf("%s %d: week %.1f, mean %.3f, fit %.3f ± %.3f at %.1f; other %.0f, %.3f, %.3f at %.0f", name, i, g.week, g.mean, g.fit, g.s, g.fitWeek, w.week, w.mean, w.fit, w.fitWeek)
			}
			worst.week, worst.mean, worst.fit = max(worst.week, diff.week), max(worst.mean, diff.mean), max(worst.fit, diff.fit)
			squares, n = squares+diff.fit*diff.fit, n+1
		}
	}
	t.Logf("%.0f candidates; largest differences: place %.1f weeks, value of the mean %.3f ppm, of the fit %.3f ppm (RMS %.3f)", n, worst.week, worst.mean, worst.fit, math.Sqrt(squares/n))
	if rms := math.Sqrt(squares / n); rms > 0.25 {
		t.Errorf("the fits differ by %.3f ppm RMS, at most 0.25 expected", rms)
	}
}
