package detecttest

import (
	"math"
	"testing"
)

// The exact form against plain arithmetic: the chord's sagitta y²/a and θ²·a.
func TestLift(t *testing.T) {
	um, y := lift(18.5, 0, 0.1/math.Sqrt(18.5/1000))
	if math.Abs(y-0.1) > 1e-12 || math.Abs(um+0.5405) > 0.0005 {
		t.Errorf("0.1 mm of cross: %v µm at %v mm", um, y)
	}
	um, _ = lift(18.5, 0.01*math.Sqrt(1000*18.5), 0)
	if math.Abs(um-1.85) > 0.001 {
		t.Errorf("10 mrad of tilt: %v µm", um)
	}
	um, y = lift(18.5, 2, 3)
	angle := 2 / math.Sqrt(18500.0)
	want := 2000 * (math.Sqrt(18.5*18.5-y*y)/math.Cos(angle) - 18.5)
	if math.Abs(um-want) > 1e-6 {
		t.Errorf("both: %v µm, want %v", um, want)
	}
}

// With y in the frame the cross parabola has the radius of curvature R − r, and its
// top, less what the tilt was left at, is the saddle.
func TestCurvatureFromY(t *testing.T) {
	var sum, n float64
	for seed := uint64(1); seed <= 30; seed++ {
		tr := Make(ClassY, seed)
		c := &tr.Contacts[0]
		if len(c.Phases) != 2 || c.Phases[0].Adjustment != Tilt {
			continue
		}
		cross := c.Phases[1]
		first, last := 0, 0
		for i, r := range tr.Readings {
			if r.At <= cross.StartNS {
				first = i + 1
			}
			if r.At <= cross.EndNS {
				last = i // parked near the top
			}
		}
		// Least squares of x over 1, y and y².
		var m [3][4]float64
		for _, r := range tr.Readings[first : last+1] {
			y := Step.PositionMM(r.Y - tr.Readings[last].Y)
			if math.Abs(y) > 0.3 {
				continue
			}
			x := (Step.PositionMM(r.X) - tr.SaddleAt(c, r.At)) * 1000
			g := [3]float64{1, y, y * y}
			for i := range 3 {
				for j := range 3 {
					m[i][j] += g[i] * g[j]
				}
				m[i][3] += g[i] * x
			}
		}
		for i := range 3 {
			for k := range 3 {
				if k == i {
					continue
				}
				f := m[k][i] / m[i][i]
				for j := range 4 {
					m[k][j] -= f * m[i][j]
				}
			}
		}
		a0, a1, a2 := m[0][3]/m[0][0], m[1][3]/m[1][1], m[2][3]/m[2][2]
		sum += -1000 / a2 / tr.RadiusDiffMM
		n++
		if top := a0 - a1*a1/(4*a2) - c.Phases[0].ResidualUM; math.Abs(top) > 0.25 {
			t.Errorf("seed %d: the top is %.3f µm off the saddle (sigma %.3f)", seed, top, c.SigmaUM)
		}
	}
	t.Logf("radius of curvature over R − r: mean %.4f of %.0f", sum/n, n)
	if n < 20 || math.Abs(sum/n-1) > 0.03 {
		t.Errorf("radius of curvature over R − r: mean %.4f of %.0f", sum/n, n)
	}
}

// More drift moves readings and truth by what it comes to, and nothing else.
func TestDrift(t *testing.T) {
	const more = 0.25 // µm/min
	for _, class := range []Class{ClassDrift, ClassEntries, ClassDropped} {
		plain := Make(class, 3)
		b, s := draw(newSource(class, 3), class)
		b.drift += more
		drifting := assemble(class, 3, b, s, s.session(class, b))
		if len(drifting.Readings) != len(plain.Readings) {
			t.Fatalf("%s: %d readings instead of %d", class, len(drifting.Readings), len(plain.Readings))
		}
		step := float64(plain.ResolutionPM) * 1e-6
		jitter := more / 60 / plain.RateHz
		for i, r := range drifting.Readings {
			got := Step.PositionMM(r.X-plain.Readings[i].X) * 1000
			if want := more * float64(r.At) * 1e-9 / 60; math.Abs(got-want) > step+jitter {
				t.Fatalf("%s: reading %d is %.3f µm off, want %.3f", class, i, got, want)
			}
		}
		for i := range plain.Contacts {
			c, d := &plain.Contacts[i], &drifting.Contacts[i]
			got := (d.SaddleMM - c.SaddleMM) * 1000
			if want := more * float64(c.RefNS) * 1e-9 / 60; math.Abs(got-want) > 1e-6 {
				t.Errorf("%s: saddle %d is %.4f µm off, want %.4f", class, i, got, want)
			}
			later := c.RefNS + 60e9
			if got := (drifting.SaddleAt(d, later) - d.SaddleMM) * 1000; math.Abs(got-drifting.DriftUMPerMin) > 1e-6 {
				t.Errorf("%s: a minute later the saddle is %.4f µm off, want %.4f", class, got, drifting.DriftUMPerMin)
			}
		}
	}
}
