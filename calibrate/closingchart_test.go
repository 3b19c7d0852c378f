package calibrate

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

func TestChartClosings(t *testing.T) {
	// Moving ranges of 2 throughout: s = 2/d₂ with d₂ = 2/√π, limits ±3s about 1.
	var x []float64
	for i := range 30 {
		x = append(x, float64(2*(i%2)))
	}
	c, err := ChartClosings(x[:10])
	if err != nil {
		t.Fatal(err)
	}
	s := math.Sqrt(math.Pi)
	near(t, "s", c.SD, s, 1e-12)
	near(t, "centre", c.Limits.Centre, 1, 1e-12)
	near(t, "upper", c.Limits.Upper, 1+3*s, 1e-12)
	near(t, "decision", c.Decision, 5*s, 1e-12)
	if c.Baseline != 10 || len(c.EWMA) != 10 || len(c.CUSUM) != 10 || len(c.Beyond) != 10 {
		t.Errorf("%+v", c)
	}
	for i := range c.Beyond {
		if c.Beyond[i] || c.EWMA[i].Signal || c.CUSUM[i].Signal {
			t.Errorf("value %d: a signal without a cause", i)
		}
	}

	// A later jump is judged by the baseline and does not move it.
	x[29] = 1 + 3*s + 0.01
	c, err = ChartClosings(x)
	if err != nil || c.Baseline != 25 || !c.Beyond[29] || c.Beyond[28] {
		t.Errorf("a jump: %+v, %v", c, err)
	}
	near(t, "s after a jump", c.SD, s, 1e-12)

	// A shift of 1.3 s stays inside the limits; the two slow charts see it.
	for i := 25; i < 30; i++ {
		x[i] = float64(2*(i%2)) + 1.3*s
	}
	for len(x) < 45 {
		x = append(x, float64(2*(len(x)%2))+1.3*s)
	}
	c, err = ChartClosings(x)
	if err != nil {
		t.Fatal(err)
	}
	last := len(x) - 1
	for i := range c.Beyond {
		if c.Beyond[i] {
			t.Errorf("value %d is beyond the limits", i)
		}
	}
	if !c.EWMA[last].Signal || !c.CUSUM[last].Signal || c.CUSUM[last].High <= c.Decision || c.EWMA[24].Signal || c.CUSUM[24].Signal {
		t.Errorf("a shift by 1.3 s: EWMA %+v, CUSUM %+v", c.EWMA[last], c.CUSUM[last])
	}

	if _, err := ChartClosings(x[:9]); err == nil || !strings.Contains(err.Error(), "9 of at least 10") {
		t.Errorf("nine values: %v", err)
	}
	if _, err := ChartClosings(make([]float64, 12)); err == nil || !strings.Contains(err.Error(), "do not scatter") {
		t.Errorf("no scatter: %v", err)
	}
}

// How often the charts speak without a cause: normal differences, the limits from
// the first 25, the 100 after them. The figures are printed; the bounds only catch a
// slip in the parameters.
func TestFalseSignalsOfClosings(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	const series, after = 400, 100
	var beyond, ewma, cusum, any int
	for range series {
		x := make([]float64, BaselineClosings+after)
		for i := range x {
			x[i] = rng.NormFloat64()
		}
		c, err := ChartClosings(x)
		if err != nil {
			t.Fatal(err)
		}
		b, e, s := 0, 0, 0
		for i := BaselineClosings; i < len(x); i++ {
			if c.Beyond[i] {
				b = 1
			}
			if c.EWMA[i].Signal {
				e = 1
			}
			if c.CUSUM[i].Signal {
				s = 1
			}
		}
		beyond, ewma, cusum, any = beyond+b, ewma+e, cusum+s, any+max(b, e, s)
	}
	share := func(n int) float64 { return 100 * float64(n) / series }
	t.Logf("series with a false signal within %d sets after the baseline: single values %.0f %%, EWMA %.0f %%, CUSUM %.0f %%, any %.0f %%",
		after, share(beyond), share(ewma), share(cusum), share(any))
	if share(beyond) < 10 || share(any) > 95 {
		t.Error("the limits are far from three standard deviations")
	}
}
