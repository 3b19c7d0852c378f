package api

import (
	"context"
	"math"
	"testing"

	"ringsaddle/acquire"
)

// What lies millimetres from what the ring in hand lets expect is not that ring:
// the free carriage at its stop, or a ring of another size. Before the opening
// nothing is known to compare with.
func TestAwayFromTheRingInHand(t *testing.T) {
	b := newBench(t)
	startSet(b)
	step := acquire.Step{Num: 10_000, Den: 1} // 0.01 µm
	look := func(counts int64) (string, float64, bool) {
		t.Helper()
		set, err := b.Set(context.Background(), "set-1")
		if err != nil {
			t.Fatal(err)
		}
		return awayFrom(&set, step, counts)
	}
	if _, _, away := look(900_000); away {
		t.Error("before the opening a reading is said to be away")
	}
	b.capture(t, 0.5, nil)
	for _, ring := range []string{"m30", "w32"} {
		want[wireSet](b, 200, "POST", "/api/v1/sets/set-1/confirm-ring", map[string]any{"by": "A. Example", "ring_id": ring})
		b.capture(t, 0.5, nil)
	}
	// The certificate says 30.00042 mm at a reading of 0.0005 mm: a ring of 32 mm is
	// expected at 2.00008 mm.
	for _, c := range []struct {
		counts int64
		off    float64
		away   bool
	}{
		{200_125, 0.00117, false},
		{204_000, 0.03992, false},
		{150_100, -0.49908, false},
		{149_900, -0.50108, true},
		{903_890, 7.03882, true},
		{-349_810, -5.49818, true},
	} {
		ident, off, away := look(c.counts)
		if away != c.away || ident != "W-32-118" || math.Abs(off-c.off) > 1e-9 {
			t.Errorf("%d counts: %q, %.5f mm, away %v; want W-32-118, %.5f mm, %v", c.counts, ident, off, away, c.off, c.away)
		}
	}
	if got := awayText("W-32-118", -5.49818); got != "Not on ring W-32-118: the reading lies −5.498 mm off" {
		t.Error(got)
	}
}
