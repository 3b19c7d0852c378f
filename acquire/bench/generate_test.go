package bench

import (
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// classTrace draws the i-th case of a class.
func classTrace(t testing.TB, c Class, i uint64) (Scenario, Trace) {
	t.Helper()
	sc, err := ClassScenario(c, rand.New(rand.NewPCG(i, 99)))
	if err != nil {
		t.Fatal(err)
	}
	tr, err := Generate(sc, i)
	if err != nil {
		t.Fatal(err)
	}
	return sc, tr
}

func TestSameSeedSameReadings(t *testing.T) {
	for _, c := range Classes() {
		_, a := classTrace(t, c, 3)
		_, b := classTrace(t, c, 3)
		if d := cmp.Diff(a.Entries, b.Entries); d != "" || !slices.Equal(a.Readings, b.Readings) {
			t.Errorf("%s: two runs of one seed differ: %.400s", c, d)
		}
		_, other := classTrace(t, c, 4)
		if slices.Equal(a.Readings, other.Readings) {
			t.Errorf("%s: two seeds give the same readings", c)
		}
	}
}
