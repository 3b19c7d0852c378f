package calibrate

import (
	"math"
	"slices"
	"testing"
)

// sample draws n trials and returns them sorted with their mean and standard
// deviation.
func sample(m *Model, seed uint64, n int) (sorted []float64, mean, sd float64) {
	sorted = make([]float64, n)
	Trials(m, seed, 0, sorted)
	mean, sd = MeanSD(sorted)
	slices.Sort(sorted)
	return sorted, mean, sd
}

// JCGM 101:2008, clause 9.5 (read): gauge block, Tables 10 and 11, lengths in
// nanometres. Printed: 838, u 36, shortest 99 % interval [745, 932]; 4 million trials
// apart from this package gave 35.80 and [744.5, 931.5] to [744.7, 931.9] with the
// standard deviations of Table 10.
func TestPublishedMonteCarloGaugeBlock(t *testing.T) {
	m := &Model{
		Inputs: []Input{
			normal("L_s", 50_000_623, 25, 18),
			normal("D", 215, 6, 24),
			normal("d1", 0, 4, 5),
			normal("d2", 0, 7, 8),
			rectangular("alpha_s", 11.5e-6, 2e-6, 0),
			normal("theta_0", -0.1, 0.2, 0),
			{ID: "Delta", HalfWidth: 0.5, U: 0.5 / math.Sqrt2, Dist: Arcsine},
			{ID: "d_alpha", HalfWidth: 1e-6, Inexact: 0.1e-6, U: math.Sqrt(1e-12/3 + 0.01e-12/9), Dist: CurvedTrapezoid},
			{ID: "d_theta", HalfWidth: 0.05, Inexact: 0.025, U: math.Sqrt(0.0025/3 + 0.000625/9), Dist: CurvedTrapezoid},
		},
		Eval: func(x []float64) float64 {
			return x[0] + x[1] + x[2] + x[3] - x[0]*(x[7]*(x[5]+x[6])+x[4]*x[8]) - 50_000_000
		},
	}
	sorted, mean, sd := sample(m, 1, 1_000_000)
	near(t, "mean / nm", mean, 838, 0.5)
	printed(t, "u / nm", sd, "36")
	near(t, "u against 4e6 trials / nm", sd, 35.80, 0.15)
	iv := ShortestInterval(sorted, 0.99)
	near(t, "length of the shortest interval / nm", iv[1]-iv[0], 932-745, 1)
	// Where the shortest interval lies is known less well than how long it is.
	near(t, "low end / nm", iv[0], 745, 2)
	near(t, "high end / nm", iv[1], 932, 2)

	// The law of propagation on the same model gives the first row of Table 11.
	p := Propagate(m, false)
	printed(t, "estimate / nm", p.Estimate, "838")
	printed(t, "u by propagation / nm", p.U, "32")
	k := CoverageFactor(0.99, 16) // ν_eff of JCGM 100, H.1
	near(t, "low end by propagation / nm", p.Estimate-k*p.U, 745, 1)
	near(t, "high end by propagation / nm", p.Estimate+k*p.U, 931, 1)
}

// JCGM 101:2008, clause 9.2 (read): Y = X₁ + X₂ + X₃ + X₄, 95 % symmetric intervals.
func TestPublishedMonteCarloAdditive(t *testing.T) {
	sum := func(x []float64) float64 { return x[0] + x[1] + x[2] + x[3] }
	four := func(in Input) []Input { return []Input{in, in, in, in} }
	rect := rectangular("x", 0, math.Sqrt(3), 0)
	wide := four(rect)
	wide[3] = rectangular("x4", 0, 10*math.Sqrt(3), 0)
	for _, c := range []struct {
		name          string
		inputs        []Input
		u, end, exact float64
		guide         string // the end by the law of propagation
		tolerance     float64
	}{
		{"normal", four(normal("x", 0, 1, 0)), 2.00, 3.92, 3.919928, "3.92", 0.02},
		{"rectangular", four(rect), 2.00, 3.88, 2 * math.Sqrt(3) * (2 - math.Pow(0.6, 0.25)), "3.92", 0.02},
		{"one wide", wide, 10.1, 17.0, 17.0, "19.9", 0.1},
	} {
		m := &Model{Inputs: c.inputs, Eval: sum}
		sorted, mean, sd := sample(m, 2, 1_000_000)
		near(t, c.name+": mean", mean, 0, 5*c.u/1000)
		near(t, c.name+": u", sd, c.u, 0.05*c.u/2)
		iv := SymmetricInterval(sorted, 0.95)
		near(t, c.name+": low end", iv[0], -c.exact, c.tolerance)
		near(t, c.name+": high end", iv[1], c.end, c.tolerance)
		p := Propagate(m, true)
		if c.name == "one wide" {
			printed(t, c.name+": end by propagation", CoverageFactor(0.95, p.Dof)*p.U, "19.9")
		} else {
			printed(t, c.name+": end by propagation", CoverageFactor(0.95, p.Dof)*p.U, c.guide)
		}
	}
}

// JCGM 101:2008, clause 9.3 (read): calibration of a weight in air, mg, nominal
// 100 g. First order misses the air, whose effect is a product.
func TestPublishedMonteCarloMass(t *testing.T) {
	m := &Model{
		Inputs: []Input{
			normal("m_R", 100_000, 0.050, 0),
			normal("dm_R", 1.234, 0.020, 0),
			rectangular("rho_a", 1.20, 0.10, 0),
			rectangular("rho_W", 8000, 1000, 0),
			rectangular("rho_R", 8000, 50, 0),
		},
		Eval: func(x []float64) float64 {
			return (x[0]+x[1])*(1+(x[2]-1.2)*(1/x[3]-1/x[4])) - 100_000
		},
	}
	first := Propagate(m, false)
	printed(t, "estimate / mg", first.Estimate, "1.2340")
	printed(t, "u, first order / mg", first.U, "0.0539")
	k := CoverageFactor(0.95, first.Dof)
	printed(t, "low end, first order / mg", first.Estimate-k*first.U, "1.1285")
	printed(t, "high end, first order / mg", first.Estimate+k*first.U, "1.3395")
	second := Propagate(m, true)
	// The guide's second-order formula gives 0.0750; differences over u(ρ_W),
	// an eighth of ρ_W, include part of the next order.
	near(t, "u, second order / mg", second.U, 0.0750, 0.0005)
	sorted, mean, sd := sample(m, 3, 1_000_000)
	near(t, "mean / mg", mean, 1.2341, 0.0003)
	near(t, "u / mg", sd, 0.0754, 0.0003)
	iv := ShortestInterval(sorted, 0.95)
	near(t, "low end / mg", iv[0], 1.0834, 0.003)
	near(t, "high end / mg", iv[1], 1.3825, 0.003)
}

// JCGM 101:2008, 7.9.2 (read): numerical tolerances.
func TestPublishedNumericalTolerance(t *testing.T) {
	for _, c := range []struct {
		u      float64
		digits int
		want   float64
	}{{2.0, 2, 0.05}, {0.08, 1, 0.005}, {0.0996, 2, 0.005}, {0.0994, 2, 0.0005}, {35.8, 2, 0.5}, {0, 2, 0}} {
		near(t, "δ", NumericalTolerance(c.u, c.digits), c.want, 1e-12)
	}
}

// Every distribution is drawn with the moments that the propagation assumes, and
// an estimated standard deviation stretches all members of its pool alike.
func TestDrawnMoments(t *testing.T) {
	const n = 200_000
	x := make([]float64, n)
	for _, in := range []Input{
		normal("normal", 3, 2, 0),
		rectangular("rectangular", 3, 2, 0),
		{Value: 3, HalfWidth: 2, U: 2 / math.Sqrt(6), Dist: Triangular},
		{Value: 3, HalfWidth: 2, U: 2 / math.Sqrt2, Dist: Arcsine},
		{Value: 3, HalfWidth: 2, Inexact: 0.5, U: math.Sqrt(4.0/3 + 0.25/9), Dist: CurvedTrapezoid},
		normal("t", 3, 2, 12),
		{Value: 3, U: 2, Dof: 3.5, Pool: "p"},
	} {
		Trials(&Model{Inputs: []Input{in}, Eval: func(x []float64) float64 { return x[0] }}, 7, 0, x)
		mean, sd := MeanSD(x)
		want := in.U
		if in.Dof > 0 {
			want *= math.Sqrt(in.Dof / (in.Dof - 2)) // JCGM 101, 6.4.9.4
		}
		tol := 5 / math.Sqrt(n)
		if in.Pool != "" {
			tol = 0.05 // its fourth moment does not exist
		}
		near(t, in.distributionName()+": mean", mean, 3, 5*want/math.Sqrt(n))
		near(t, in.distributionName()+": sd", sd, want, tol*want)
	}
	// Two members of one pool: the product of their squares shows the stretch.
	pool := []Input{{U: 1, Dof: 10, Pool: "p"}, {U: 1, Dof: 10, Pool: "p"}}
	_, together, _ := sample(&Model{Inputs: pool, Eval: func(x []float64) float64 { return x[0] * x[0] * x[1] * x[1] }}, 8, n)
	// E[(ν/χ²)²] = ν²/((ν − 2)(ν − 4))
	near(t, "E[x²y²] of a pool", together, 100.0/(8*6), 0.06)
}

// The same seed gives the same values whatever the order of the chunks; chunks and
// seeds give different ones.
func TestTrialsPure(t *testing.T) {
	m := endGauge()
	a, b, c, d := make([]float64, 100), make([]float64, 100), make([]float64, 100), make([]float64, 100)
	Trials(m, 5, 1, a)
	Trials(m, 5, 0, c)
	Trials(m, 6, 1, d)
	Trials(m, 5, 1, b)
	if !slices.Equal(a, b) || slices.Equal(a, c) || slices.Equal(a, d) {
		t.Error("chunks are not pure functions of seed and number")
	}
	reversed := func(first, n int, run func(int)) {
		for i := first + n - 1; i >= first; i-- {
			run(i)
		}
	}
	if x, y := MonteCarlo(m, 0.95, 5, 200_000, nil), MonteCarlo(m, 0.95, 5, 200_000, reversed); x != y {
		t.Errorf("the order of the chunks matters: %+v and %+v", x, y)
	}
	if n := testing.AllocsPerRun(3, func() { Trials(m, 1, 0, a) }); n > 20 {
		t.Errorf("%v allocations for a chunk of 100 trials, want them per chunk only", n)
	}
}

// The ends of coverage intervals on a known ladder (JCGM 101, 7.7).
func TestIntervals(t *testing.T) {
	x := make([]float64, 1000)
	for i := range x {
		x[i] = float64(i + 1)
	}
	if got := SymmetricInterval(x, 0.95); got != [2]float64{25, 975} {
		t.Errorf("symmetric %v", got)
	}
	x[0] = -100
	if got := ShortestInterval(x, 0.95); got[1]-got[0] != 950 || got[0] < 2 {
		t.Errorf("shortest %v", got)
	}
}
