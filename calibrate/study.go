package calibrate

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// PooledSD returns the standard deviation within groups of repeated values, and
// its degrees of freedom: √(Σ νᵢsᵢ²/Σ νᵢ). Groups of fewer than two values say
// nothing. Without any degree of freedom both are 0.
func PooledSD(groups [][]float64) (sd float64, dof int) {
	var ss float64
	for _, g := range groups {
		if len(g) < 2 {
			continue
		}
		_, s := MeanSD(g)
		ss += s * s * float64(len(g)-1)
		dof += len(g) - 1
	}
	if dof == 0 {
		return 0, 0
	}
	return math.Sqrt(ss / float64(dof)), dof
}

// PoolSDs pools standard deviations that are already known with their degrees of
// freedom.
func PoolSDs(sds, dofs []float64) (sd, dof float64, err error) {
	if len(sds) != len(dofs) || len(sds) == 0 {
		return 0, 0, errors.New("pooled standard deviation: as many degrees of freedom as standard deviations are needed, at least one")
	}
	var ss float64
	for i, s := range sds {
		if !(s >= 0) || !(dofs[i] > 0) {
			return 0, 0, fmt.Errorf("pooled standard deviation: s[%d] = %g with %g degrees of freedom; permitted: s ≥ 0, more than 0", i, s, dofs[i])
		}
		ss += s * s * dofs[i]
		dof += dofs[i]
	}
	return math.Sqrt(ss / dof), dof, nil
}

// Lag1 returns the lag-1 autocorrelation Σ(xᵢ − x̄)(xᵢ₊₁ − x̄)/Σ(xᵢ − x̄)²; 0 for a
// constant series. Deviations are taken about the first value, so that large means
// cost no digits.
func Lag1(x []float64) float64 {
	if len(x) < 2 {
		return 0
	}
	d := make([]float64, len(x))
	for i, v := range x {
		d[i] = v - x[0]
	}
	mean, _ := MeanSD(d)
	var num, den float64
	for i := range d {
		a := d[i] - mean
		den += a * a
		if i > 0 {
			num += a * (d[i-1] - mean)
		}
	}
	if den == 0 {
		return 0
	}
	return num / den
}

// ANOVA is a one-way analysis of variance between groups (days, technicians).
type ANOVA struct {
	Mean                  float64
	BetweenSS, WithinSS   float64
	BetweenDof, WithinDof int
	// F is the ratio of the mean squares and P the probability of one at least as
	// large if the groups do not differ. With no scatter within the groups F is
	// +Inf or, if there is none between them either, 0.
	F, P float64
	// WithinSD is s_W. BetweenSD is the standard deviation of the group effect,
	// √((MS_between − MS_within)/n₀) and 0 if that is negative; n₀ is the group
	// size, for unequal groups (N − Σnᵢ²/N)/(J − 1) (JCGM 100, H.5.2).
	WithinSD, BetweenSD float64
	// Significant is P < 0.05.
	Significant bool
	// MeanU is the standard uncertainty of Mean with MeanDof degrees of freedom:
	// from the scatter of the group means if the effect is significant (equal
	// group sizes assumed), else from all values together (JCGM 100, H.5.2.5).
	MeanU   float64
	MeanDof int
}

// OneWay analyses at least two groups with, in all, more values than groups.
func OneWay(groups [][]float64) (ANOVA, error) {
	n, sizes2 := 0, 0.0
	var all []float64
	for i, g := range groups {
		if len(g) == 0 {
			return ANOVA{}, fmt.Errorf("analysis of variance: group %d is empty", i)
		}
		n += len(g)
		sizes2 += float64(len(g) * len(g))
		all = append(all, g...)
	}
	j := len(groups)
	if j < 2 || n <= j {
		return ANOVA{}, fmt.Errorf("analysis of variance: %d values in %d groups; permitted: at least two groups and more values than groups", n, j)
	}
	a := ANOVA{BetweenDof: j - 1, WithinDof: n - j}
	var total float64
	a.Mean, total = MeanSD(all)
	for _, g := range groups {
		m, s := MeanSD(g)
		a.BetweenSS += float64(len(g)) * (m - a.Mean) * (m - a.Mean)
		a.WithinSS += s * s * float64(len(g)-1)
	}
	a.finish((float64(n) - sizes2/float64(n)) / float64(j-1))
	a.MeanU, a.MeanDof = total/math.Sqrt(float64(n)), n-1
	if a.Significant {
		a.MeanU = math.Sqrt(a.BetweenSS / float64(a.BetweenDof) / float64(n))
		a.MeanDof = a.BetweenDof
	}
	return a, nil
}

// OneWayFromSummary analyses groups of equal size known by mean and standard
// deviation.
func OneWayFromSummary(means, sds []float64, size int) (ANOVA, error) {
	j := len(means)
	if j < 2 || len(sds) != j || size < 2 {
		return ANOVA{}, fmt.Errorf("analysis of variance: %d means, %d standard deviations, group size %d; permitted: at least two of each, as many, size 2 or more", j, len(sds), size)
	}
	mean, s := MeanSD(means)
	a := ANOVA{Mean: mean, BetweenDof: j - 1, WithinDof: j * (size - 1)}
	a.BetweenSS = s * s * float64((j-1)*size)
	for _, sd := range sds {
		a.WithinSS += sd * sd * float64(size-1)
	}
	a.finish(float64(size))
	n := float64(j * size)
	a.MeanU, a.MeanDof = math.Sqrt((a.BetweenSS+a.WithinSS)/(n-1)/n), j*size-1
	if a.Significant {
		a.MeanU, a.MeanDof = s/math.Sqrt(float64(j)), j-1
	}
	return a, nil
}

func (a *ANOVA) finish(n0 float64) {
	between := a.BetweenSS / float64(a.BetweenDof)
	within := a.WithinSS / float64(a.WithinDof)
	a.WithinSD = math.Sqrt(within)
	a.BetweenSD = math.Sqrt(math.Max(0, between-within) / n0)
	switch {
	case within > 0:
		a.F = between / within
		a.P = distuv.F{D1: float64(a.BetweenDof), D2: float64(a.WithinDof)}.Survival(a.F)
	case between > 0:
		a.F, a.P = math.Inf(1), 0
	default:
		a.F, a.P = 0, 1
	}
	a.Significant = a.P < significance
}

// FactorF returns the quantile of the F distribution: the value that a ratio of
// two variances exceeds with probability alpha.
func FactorF(alpha, d1, d2 float64) float64 {
	return distuv.F{D1: d1, D2: d2}.Quantile(1 - alpha)
}

// ControlConstants are the constants of Shewhart charts for groups of N values.
type ControlConstants struct {
	N int
	// C4 is E[s]/σ, D2 E[range]/σ, SD3 the standard deviation of range/σ (d₃).
	C4, D2, SD3 float64
	// Limits of means from the mean range (A2) and the mean s (A3), of s (B3, B4)
	// and of the range (D3, D4).
	A2, A3, B3, B4, D3, D4 float64
}

// NewControlConstants computes the constants for n from 2 to 100: c₄ from gamma
// functions, d₂ and d₃ as moments of the range of n normal values,
// E[W] = ∫ (1 − Φⁿ − (1 − Φ)ⁿ) dx and E[W²] = 2 ∬_{x<y} (1 − Φ(y)ⁿ − (1 − Φ(x))ⁿ +
// (Φ(y) − Φ(x))ⁿ) dx dy.
func NewControlConstants(n int) (ControlConstants, error) {
	if n < 2 || n > 100 {
		return ControlConstants{}, fmt.Errorf("control chart: groups of %d; permitted: 2 to 100", n)
	}
	c := ControlConstants{N: n}
	nf := float64(n)
	g1, _ := math.Lgamma(nf / 2)
	g0, _ := math.Lgamma((nf - 1) / 2)
	c.C4 = math.Sqrt(2/(nf-1)) * math.Exp(g1-g0)
	phi := distuv.UnitNormal.CDF
	const reach = 9
	c.D2 = quad.Fixed(func(x float64) float64 {
		return 1 - math.Pow(phi(x), nf) - math.Pow(1-phi(x), nf)
	}, -reach, reach, 200, nil, 0)
	second := 2 * quad.Fixed(func(y float64) float64 {
		py := phi(y)
		return quad.Fixed(func(x float64) float64 {
			px := phi(x)
			return 1 - math.Pow(py, nf) - math.Pow(1-px, nf) + math.Pow(py-px, nf)
		}, -reach, y, 120, nil, 0)
	}, -reach, reach, 120, nil, 0)
	c.SD3 = math.Sqrt(second - c.D2*c.D2)
	root := math.Sqrt(nf)
	c.A2 = 3 / (c.D2 * root)
	c.A3 = 3 / (c.C4 * root)
	spread := 3 * math.Sqrt(1-c.C4*c.C4) / c.C4
	c.B3, c.B4 = math.Max(0, 1-spread), 1+spread
	spread = 3 * c.SD3 / c.D2
	c.D3, c.D4 = math.Max(0, 1-spread), 1+spread
	return c, nil
}

// ControlLimits are centre and limits of a chart.
type ControlLimits struct{ Lower, Centre, Upper float64 }

// Out is true for a value beyond the limits.
func (l ControlLimits) Out(x float64) bool { return x < l.Lower || x > l.Upper }

// Shewhart returns the limits for the means and for the standard deviations of
// groups of equal size.
func Shewhart(groups [][]float64) (means, sds ControlLimits, err error) {
	if len(groups) < 2 {
		return means, sds, errors.New("control chart: at least two groups are needed")
	}
	for i, g := range groups {
		if len(g) != len(groups[0]) {
			return means, sds, fmt.Errorf("control chart: group %d has %d values, the first has %d; permitted: equal sizes", i, len(g), len(groups[0]))
		}
		m, s := MeanSD(g)
		means.Centre += m / float64(len(groups))
		sds.Centre += s / float64(len(groups))
	}
	c, err := NewControlConstants(len(groups[0]))
	if err != nil {
		return means, sds, err
	}
	means.Lower = means.Centre - c.A3*sds.Centre
	means.Upper = means.Centre + c.A3*sds.Centre
	sds.Lower, sds.Upper = c.B3*sds.Centre, c.B4*sds.Centre
	return means, sds, nil
}

// ShewhartSingle returns the limits for single values in their order (closing
// differences, for instance) from the mean moving range of neighbours:
// x̄ ± 3·MR/d₂ with d₂ of two values.
func ShewhartSingle(x []float64) (ControlLimits, error) {
	if len(x) < 2 {
		return ControlLimits{}, errors.New("control chart: at least two values are needed")
	}
	mean, _ := MeanSD(x)
	var mr float64
	for i := 1; i < len(x); i++ {
		mr += math.Abs(x[i]-x[i-1]) / float64(len(x)-1)
	}
	w := 3 * mr / (2 / math.SqrtPi)
	return ControlLimits{mean - w, mean, mean + w}, nil
}

// CheckLimits are the limits for a value of a check ring: accepted value ±
// t(1 − alpha/2, dof)·sd.
func CheckLimits(accepted, sd, dof, alpha float64) ControlLimits {
	w := studentQuantile(1-alpha/2, dof) * sd
	return ControlLimits{accepted - w, accepted, accepted + w}
}

// EWMAPoint is one point of an exponentially weighted moving average.
type EWMAPoint struct {
	Value float64
	ControlLimits
	Signal bool
}

// EWMA returns the chart zᵢ = λxᵢ + (1 − λ)zᵢ₋₁ with z₀ = target and limits
// target ± width·sd·√(λ/(2 − λ)·(1 − (1 − λ)²ⁱ)), which settle at the steady ones.
func EWMA(x []float64, target, sd, lambda, width float64) ([]EWMAPoint, error) {
	if !(lambda > 0 && lambda <= 1) || !(sd > 0) || !(width > 0) {
		return nil, fmt.Errorf("EWMA: λ = %g, s = %g, width = %g; permitted: 0 < λ ≤ 1, s and width above 0", lambda, sd, width)
	}
	z := target
	out := make([]EWMAPoint, 0, len(x))
	for i, v := range x {
		z = lambda*v + (1-lambda)*z
		w := width * sd * math.Sqrt(lambda/(2-lambda)*(1-math.Pow(1-lambda, 2*float64(i+1))))
		p := EWMAPoint{Value: z, ControlLimits: ControlLimits{target - w, target, target + w}}
		p.Signal = p.Out(z)
		out = append(out, p)
	}
	return out, nil
}

// CUSUMPoint is one point of a two-sided cumulative sum.
type CUSUMPoint struct {
	High, Low float64
	Signal    bool
}

// CUSUM returns S⁺ᵢ = max(0, S⁺ᵢ₋₁ + xᵢ − target − k) and S⁻ᵢ = max(0, S⁻ᵢ₋₁ +
// target − k − xᵢ), with a signal where either exceeds h. k and h are in the unit
// of x.
func CUSUM(x []float64, target, k, h float64) ([]CUSUMPoint, error) {
	if !(k >= 0) || !(h > 0) {
		return nil, fmt.Errorf("CUSUM: k = %g, h = %g; permitted: k ≥ 0, h above 0", k, h)
	}
	var p CUSUMPoint
	out := make([]CUSUMPoint, 0, len(x))
	for _, v := range x {
		p.High = math.Max(0, p.High+v-target-k)
		p.Low = math.Max(0, p.Low+target-k-v)
		p.Signal = p.High > h || p.Low > h
		out = append(out, p)
	}
	return out, nil
}
