package detect

import (
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"ringsaddle/acquire"
	"ringsaddle/acquire/bench"
)

// slideTrace makes trace seed of a class with the second axis in every frame.
func slideTrace(t *testing.T, class bench.Class, seed uint64, alter func(*bench.Scenario)) (bench.Scenario, bench.Trace) {
	t.Helper()
	sc, err := bench.ClassScenario(class, rand.New(rand.NewPCG(seed, 77)))
	if err != nil {
		t.Fatal(err)
	}
	sc.Readout.SecondAxis, sc.Readout.SecondIncrement = true, []int{1, 10}[seed%2]
	sc.Hand.AccidentalTouches = bench.Count{}
	if alter != nil {
		alter(&sc)
	}
	tr, err := bench.Generate(sc, seed)
	if err != nil {
		t.Fatal(err)
	}
	return sc, tr
}

// withSlide returns the readings of tr with y replaced.
func withSlide(tr *bench.Trace, y func(i int, r acquire.Reading) (int64, bool)) []acquire.Reading {
	out := slices.Clone(tr.Readings)
	for i := range out {
		v, ok := y(i, out[i])
		out[i].Y, out[i].Flags = v, out[i].Flags&^acquire.HasY
		if ok {
			out[i].Flags |= acquire.HasY
		}
	}
	return out
}

func without(int, acquire.Reading) (int64, bool) { return 0, false }

// With y a maximum that was never passed is never taken for one, however often
// the hand turned back at one place.
func TestSlideNeverCrossed(t *testing.T) {
	for _, mode := range []string{"never", "digits", "end_stop"} {
		n := 0
		for seed := range uint64(16) {
			_, tr := slideTrace(t, bench.ClassNeverCross, seed, func(sc *bench.Scenario) { sc.Hand.Second.Mode = mode })
			for _, c := range detectAll(benchParams(&tr), tr.Readings) {
				n++
				if p, ok := c.Point(Cross); ok || c.Outcome == OutcomeDiameter {
					t.Errorf("%s seed %d: %s, cross %+v", mode, seed, c.Outcome, p)
				}
			}
		}
		if n < 16 {
			t.Errorf("%s: %d captures of 16 entries", mode, n)
		}
	}
}

// With y one pass over the maximum is enough; x alone cannot be sure of it.
func TestSlideSweptOnce(t *testing.T) {
	with, alone, tilts := 0, 0, 0
	for seed := range uint64(24) {
		_, tr := slideTrace(t, bench.ClassOrdinary, seed, func(sc *bench.Scenario) { sc.Hand.Second.Mode = "once" })
		p := benchParams(&tr)
		for i, c := range detectAll(p, tr.Readings) {
			if _, ok := c.Point(Tilt); ok {
				tilts++
			}
			if c.Outcome != OutcomeDiameter {
				continue
			}
			with++
			x, _ := c.Point(Cross)
			if x.Crossings != 1 {
				t.Errorf("seed %d: %d crossings", seed, x.Crossings)
			}
			e := ((float64(c.Origin)+c.Saddle)*p.StepMM - tr.Contacts()[i].SaddleAt(c.At)) * 1000
			if u := c.U * p.StepMM * 1000; math.Abs(e) > math.Max(4*u, 0.1) || u > 0.2 {
				t.Errorf("seed %d: error %.3f µm, u %.3f µm", seed, e, u)
			}
		}
		for _, c := range detectAll(p, withSlide(&tr, without)) {
			if c.Outcome == OutcomeDiameter {
				alone++
			}
		}
	}
	if with < 16 || with < tilts-1 || alone >= with/2 {
		t.Errorf("%d diameters with y (%d tilt minima), %d from x alone", with, tilts, alone)
	}
}

// A second axis that stands still, or only flickers, or is missing from many
// frames, is as good as none.
func TestSlideDead(t *testing.T) {
	for _, class := range []bench.Class{bench.ClassOrdinary, bench.ClassNeverCross, bench.ClassCrossFirst} {
		for seed := range uint64(4) {
			_, tr := slideTrace(t, class, seed, nil)
			p := benchParams(&tr)
			want := detectAll(p, withSlide(&tr, without))
			for name, y := range map[string]func(int, acquire.Reading) (int64, bool){
				"constant":   func(int, acquire.Reading) (int64, bool) { return -4711, true },
				"flickering": func(i int, _ acquire.Reading) (int64, bool) { return int64(i * i % 3 & 1), true },
				"patchy":     func(i int, r acquire.Reading) (int64, bool) { return r.Y, i%300 < 150 },
			} {
				if got := detectAll(p, withSlide(&tr, y)); !reflect.DeepEqual(got, want) {
					t.Errorf("%s seed %d, y %s: differs from x alone", class, seed, name)
				}
			}
		}
	}
}

// The direction in which the slide counts, and its zero, change nothing.
func TestSlideMirrored(t *testing.T) {
	for _, class := range []bench.Class{bench.ClassOrdinary, bench.ClassTouchUp, bench.ClassNeverCross, bench.ClassFlexure} {
		for seed := range uint64(4) {
			_, tr := slideTrace(t, class, seed, nil)
			p := benchParams(&tr)
			want := detectAll(p, tr.Readings)
			got := detectAll(p, withSlide(&tr, func(_ int, r acquire.Reading) (int64, bool) { return 777 - r.Y, true }))
			if !reflect.DeepEqual(got, want) {
				t.Errorf("%s seed %d: another result with y mirrored", class, seed)
			}
		}
	}
}

// The curvature found is that of the geometry, 1/(R − r), and a few frames
// without y do no harm. An arc that no ring gives is refused.
func TestSlideArc(t *testing.T) {
	found := 0
	for seed := range uint64(10) {
		sc, tr := slideTrace(t, bench.ClassOrdinary, seed, nil)
		rho := (sc.Rings[0].NominalMM/2 - sc.Instrument.BallMM) * 1000
		for _, share := range []int{1 << 30, 83} {
			d, err := New(benchParams(&tr))
			if err != nil {
				t.Fatal(err)
			}
			d.inspect = func(_ *contact, a *analyser) {
				for i := range a.slide.n {
					s := &a.slide.at[i]
					if !a.played || s.claim != slideCrossed {
						continue
					}
					found++
					if e := math.Abs(1/s.kappa - rho); e > 0.05*rho {
						t.Errorf("seed %d: radius %.0f µm ± %.1f %%, geometry %.0f µm", seed, 1/s.kappa, 100*s.sk/s.kappa, rho)
					}
				}
			}
			for i, r := range tr.Readings {
				if i%share == 1 {
					r.Flags &^= acquire.HasY
				}
				d.Push(r)
			}
			d.Flush()
		}
		p := benchParams(&tr)
		tight := withSlide(&tr, func(_ int, r acquire.Reading) (int64, bool) { return r.Y / 25, true })
		for _, c := range detectAll(p, tight) {
			if _, ok := c.Point(Cross); ok && rho/625 < 0.9*minRhoUM {
				t.Errorf("seed %d: an arc of radius %.0f µm was believed", seed, rho/625)
			}
		}
	}
	if found < 16 {
		t.Errorf("%d arcs of 20 entries", found)
	}
}
