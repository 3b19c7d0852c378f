package detect

import (
	"math"
	"testing"

	"ringsaddle/acquire"
)

func TestCurve(t *testing.T) {
	c := curve{[]float64{-1, 1, 3}, []float64{2, 0, 4}}
	for _, x := range []struct{ at, want float64 }{{-9, 2}, {-1, 2}, {0, 1}, {1, 0}, {2, 2}, {3, 4}, {99, 4}} {
		if got := c.of(x.at); math.Abs(got-x.want) > 1e-12 {
			t.Errorf("at %g: %g, expected %g", x.at, got, x.want)
		}
	}
}

// Every curve has as many parts as knots, and its knots ascend.
func TestCurvesAreWellFormed(t *testing.T) {
	for k, c := range evidence {
		if len(c.at) < 2 || len(c.at) != len(c.part) {
			t.Errorf("feature %d: %d knots, %d parts", k, len(c.at), len(c.part))
		}
		for i := 1; i < len(c.at); i++ {
			if c.at[i] <= c.at[i-1] {
				t.Errorf("feature %d: knots %v", k, c.at)
			}
		}
	}
}

// A carriage with play shows it in its flanks, and one without does not.
func TestHysteresisShowsInTheFlanks(t *testing.T) {
	held := func(class string, wanted func(simConfig) bool) (sum, u, n float64) {
		for seed := uint64(0); n < 12; seed++ {
			tr := simulate(class, 400+seed)
			if !wanted(tr.cfg) || tr.cfg.q > 0.1 || tr.cfg.white > 0.06 {
				continue
			}
			d, err := New(DefaultParams(acquire.Step{Num: 10000, Den: 1}, tr.resPM))
			if err != nil {
				t.Fatal(err)
			}
			d.inspect = func(_ *contact, a *analyser) {
				if a.played && a.dec.mask == 3 {
					h, s := a.hysteresis()
					sum += h
					u += s
					n++
				}
			}
			for _, r := range tr.readings {
				d.Push(r)
			}
			d.Flush()
		}
		return sum / n, u / n, n
	}
	none, uNone, _ := held("ordinary", func(c simConfig) bool { return c.hyst < 0.01 })
	much, uMuch, _ := held("hysteresis", func(c simConfig) bool { return c.hyst > 0.1 })
	t.Logf("held back: %.4f µm (u %.4f) without, %.4f µm (u %.4f) with play of more than 0.1 µm", none, uNone, much, uMuch)
	if none > 0.01 || much < 2*none || uMuch <= uNone || uNone < hystUM {
		t.Errorf("without play %.4f µm are held back, with it %.4f", none, much)
	}
}
