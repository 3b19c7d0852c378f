package bench

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// The expected lengths were derived by a second computation that shares nothing
// with the formulas: a sphere is pushed along the measuring line until its
// farthest surface point touches the tilted cylinder (agreement better than
// 5e-12 mm).
func TestBoreLengthAgainstBruteForce(t *testing.T) {
	for _, c := range []struct {
		R, r, y, theta, phi, want float64
	}{
		{20, 1.5, 0, 0, 0, 40.000000000000},
		{20, 1.5, 0.5, 0, 0, 39.986484017814},
		{20, 1.5, 0, 0.01, 0, 40.001850077086},
		{20, 1.5, 0.5, 0.01, 0, 39.988333419073},
		{45, 2.5, 1.0, 0.02, 0, 89.993465457143},
		{10, 1.5, 0.2, -0.005, 0, 19.995505909515},
		{20, 1.5, 0.5, 0.01, 0.02, 39.988338826003},
		{20, 0, 0.5, 0.01, 0, 39.989497504477},
		{2.5, 0.5, 0.05, 0.02, 0, 4.999549687901},
		{100, 2.5, 2, 0.005, 0, 199.961407054928},
	} {
		if got := BoreLength(c.R, c.r, c.y, c.theta, c.phi); math.Abs(got-c.want) > 1e-12*1e1 {
			t.Errorf("BoreLength(%g, %g, %g, %g, %g) = %.12f, want %.12f", c.R, c.r, c.y, c.theta, c.phi, got, c.want)
		}
		if c.phi != 0 {
			continue
		}
		g := Geometry{Shape: Bore, SizeMM: 2 * c.R, BallMM: c.r}
		if got := g.Length(c.theta, c.y); math.Abs(got-c.want) > 1e-11 {
			t.Errorf("%+v: Length(%g, %g) = %.12f, want %.12f", g, c.theta, c.y, got, c.want)
		}
	}
}

// Closed forms for the other parts, worked out by hand and by the brute force above.
func TestOtherShapes(t *testing.T) {
	for _, c := range []struct {
		g    Geometry
		a, b float64
		want float64
	}{
		{Geometry{Shape: Cylinder, SizeMM: 40, BallMM: 1.5}, 0, 0.5, 39.988370520409},
		{Geometry{Shape: Cylinder, SizeMM: 40, BallMM: 1.5}, 0.01, 0, 40.002150089587},
		{Geometry{Shape: Cylinder, SizeMM: 40, BallMM: 1.5}, 0.01, 0.5, 39.990520028498},
		{Geometry{Shape: Faces, SizeMM: 40, BallMM: 1.5}, 0.01, 0, 40.001850077086},
		{Geometry{Shape: Faces, SizeMM: 40, BallMM: 1.5}, 0.01, 0.005, 40.002312605030},
		{Geometry{Shape: Block, SizeMM: 40, BallMM: 1.5}, 0.01, 0, 40.002150089587},
		{Geometry{Shape: Block, SizeMM: 40, BallMM: 1.5}, 0.01, 0.005, 40.002687622062},
		// ball of 20 mm between balls of 1.5 mm: 2·√(11.5² − 0.3² − 0.2²) − 3
		{Geometry{Shape: Sphere, SizeMM: 20, BallMM: 1.5}, 0.3, 0.2, 2*math.Sqrt(11.5*11.5-0.13) - 3},
	} {
		if got := c.g.Length(c.a, c.b); math.Abs(got-c.want) > 1e-11 {
			t.Errorf("%+v: Length(%g, %g) = %.12f, want %.12f", c.g, c.a, c.b, got, c.want)
		}
	}
}

// Two balls out of line read 2√((R−r)² − c²/4) + 2r: −5.405406 nm for R 20,
// r 1.5 and −2.298851 nm for R 45, r 1.5, c = 0.02 mm (to second order).
func TestBallsOutOfLine(t *testing.T) {
	for _, c := range []struct {
		R, e, h, wantNM float64
	}{
		{20, 0.02, 0, -5.405406},
		{45, 0.02, 0, -2.298851},
		{20, 0, 0.02, -5.405406},
		{20, 0.012, 0.016, -5.405406}, // only √(e² + h²) counts
	} {
		g := Geometry{Shape: Bore, SizeMM: 2 * c.R, BallMM: 1.5, SidewaysMM: c.e, HeightMM: c.h}
		_, _, l := g.Saddle()
		if got := (l - 2*c.R) * 1e6; math.Abs(got-c.wantNM) > 1e-5 {
			t.Errorf("R %g e %g h %g: %.6f nm, want %.6f nm", c.R, c.e, c.h, got, c.wantNM)
		}
	}
}

// The saddle is where the length is smallest over one adjustment and largest (or
// smallest) over the other, whatever the offsets of the balls.
func TestSaddleIsTheSaddle(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		shape := rapid.SampledFrom([]Shape{Bore, Cylinder, Faces, Block, Sphere}).Draw(t, "shape")
		g := Geometry{
			Shape: shape, SizeMM: rapid.Float64Range(4, 200).Draw(t, "size"), BallMM: 0.5,
			SidewaysMM: rapid.Float64Range(-0.1, 0.1).Draw(t, "e"), HeightMM: rapid.Float64Range(-0.1, 0.1).Draw(t, "h"),
		}
		a, b, l := g.Saddle()
		if got := g.Length(a, b); math.Abs(got-l) > 1e-10 {
			t.Fatalf("length at the saddle %.12f, saddle %.12f", got, l)
		}
		_, maximum, err := shape.Adjustments()
		if err != nil {
			t.Fatal(err)
		}
		p := g.prepare()
		step := [2]float64{1e-3, 1e-3}
		for i := range 2 {
			if !p.angular(i) {
				step[i] = 0.01
			}
		}
		for _, s := range []float64{-1, 1} {
			da, db := g.Length(a+s*step[0], b)-l, g.Length(a, b+s*step[1])-l
			if (da < 0) != maximum[0] || (db < 0) != maximum[1] {
				t.Fatalf("off the saddle by %g: %g over a, %g over b", s, da, db)
			}
		}
		for i := range 2 {
			rise := rapid.Float64Range(0.0001, 0.01).Draw(t, "rise")
			if got := p.riseAt(i, p.offsetFor(i, rise)); math.Abs(got-rise) > 1e-9 {
				t.Fatalf("rise %g comes back as %g", rise, got)
			}
		}
	})
}
