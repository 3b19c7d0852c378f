package calibrate

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Distribution is the probability distribution assigned to an input quantity.
type Distribution int

// The distributions. Normal with finite degrees of freedom is the scaled and
// shifted t distribution of JCGM 101, 6.4.9.
const (
	Normal Distribution = iota
	Rectangular
	Triangular
	// Arcsine is the U-shaped distribution of a sinusoidal cycle (JCGM 101,
	// 6.4.6).
	Arcsine
	// CurvedTrapezoid is a rectangle with inexactly known limits (JCGM 101,
	// 6.4.3).
	CurvedTrapezoid
)

// String returns the name used in files and tables.
func (d Distribution) String() string {
	switch d {
	case Rectangular:
		return "rectangular"
	case Triangular:
		return "triangular"
	case Arcsine:
		return "arcsine"
	case CurvedTrapezoid:
		return "curvilinear trapezoid"
	default:
		return "normal"
	}
}

// Input is one input quantity of a Model.
type Input struct {
	// ID is the same wherever the same random variable enters, also in another
	// Model: that is how correlation between results is known.
	ID string
	// Term is the line of the budget under which the input is listed.
	Term string
	// Symbol, Name and Unit are for people.
	Symbol, Name, Unit string
	// Value is the estimate and U its standard uncertainty.
	Value, U float64
	// Dof is the number of degrees of freedom of U; 0 stands for infinitely many.
	Dof  float64
	Dist Distribution
	// HalfWidth bounds every distribution but Normal; Inexact is the half width
	// within which the limits of a CurvedTrapezoid lie.
	HalfWidth, Inexact float64
	// Pool names inputs whose uncertainties are all multiples of one estimated
	// standard deviation: together they have Dof degrees of freedom, not each.
	Pool string
	// Kind is "A" or "B".
	Kind string
}

// kurtosis returns the fourth central moment over u⁴ (normal: 3). For a t
// distribution the normal value is used, as the law of propagation does.
func (in Input) kurtosis() float64 {
	switch in.Dist {
	case Rectangular:
		return 1.8
	case Triangular:
		return 2.4
	case Arcsine:
		return 1.5
	default:
		return 3
	}
}

// Model is a measurement model Y = Base + f(X₁ … X_N) with what is known of its
// inputs. Both methods of uncertainty use it.
type Model struct {
	Inputs []Input
	// Base is a constant added to Eval, so that Eval can work with small numbers.
	Base float64
	// Eval returns f(x); x follows the order of Inputs. It must be pure and must
	// not keep x.
	Eval func(x []float64) float64
}

// estimates returns the vector of the inputs' values.
func (m *Model) estimates() []float64 {
	x := make([]float64, len(m.Inputs))
	for i, in := range m.Inputs {
		x[i] = in.Value
	}
	return x
}

// negligible is the part of the combined standard uncertainty below which the product
// of two inputs is left out: hundreds of pairs have nothing but rounding errors.
const negligible = 1e-7

// SecondOrder is what a pair of inputs adds to the variance beyond the first
// order. I equals J for the curvature over one input.
type SecondOrder struct {
	I, J         int
	Contribution float64
	signed       float64
}

// Propagation is the outcome of the law of propagation of uncertainty for
// independent inputs.
type Propagation struct {
	// Estimate is Base + f at the estimates. Bias is the second-order correction
	// of the expectation, ½ Σ ∂²f/∂xᵢ² u²(xᵢ), by input in Biases; it is not
	// included in Estimate.
	Estimate, Bias float64
	Biases         []float64
	// Sensitivities are ∂f/∂xᵢ and Contributions |∂f/∂xᵢ| u(xᵢ), by input.
	Sensitivities, Contributions []float64
	Second                       []SecondOrder
	// U is the combined standard uncertainty (UFirst without the second-order
	// terms) and Dof its effective number of degrees of freedom (+Inf possible).
	U, UFirst, Dof float64
}

// Propagate applies the law of propagation of uncertainty: JCGM 100, 5.1.2 with
// equation (10), and if second is true the higher-order terms of the note to
// 5.1.2,
//
//	u²(y) = Σ (∂f/∂xᵢ)² u²(xᵢ) + Σᵢ ¼ (∂²f/∂xᵢ²)² (κᵢ − 1) u⁴(xᵢ)
//	        + Σ_{i<j} (∂²f/∂xᵢ∂xⱼ)² u²(xᵢ) u²(xⱼ)
//
// where κ is the fourth moment over u⁴; κ = 3 gives the guide's ½. The guide's
// products of first and third derivatives are left out: no model here has them
// above 10⁻⁶ of u(y). Products are the whole effect where an expectation is zero,
// as with a coefficient of expansion times a temperature deviation.
//
// Derivatives are central differences over a tenth of u(xᵢ) (over u(xᵢ) for the
// second ones): exact for the bilinear and quadratic parts of a model.
//
// The effective number of degrees of freedom is that of Welch and Satterthwaite,
// JCGM 100 equation (G.2b), inputs of one Pool taken together and second-order
// terms with infinitely many.
func Propagate(m *Model, second bool) Propagation {
	n := len(m.Inputs)
	x := m.estimates()
	f0 := m.Eval(x)
	p := Propagation{
		Estimate:      m.Base + f0,
		Biases:        make([]float64, n),
		Sensitivities: make([]float64, n),
		Contributions: make([]float64, n),
	}
	at := func(i int, di float64, j int, dj float64) float64 {
		xi, xj := x[i], x[j]
		x[i] += di
		x[j] += dj
		f := m.Eval(x)
		x[j] = xj
		x[i] = xi
		return f
	}
	var variance float64
	for i, in := range m.Inputs {
		// A sensitivity is of interest also where u is zero.
		h := in.U / 10
		if h == 0 {
			h = 1e-6 * math.Max(math.Abs(in.Value), 1e-6)
		}
		c := (at(i, h, i, 0) - at(i, -h, i, 0)) / (2 * h)
		p.Sensitivities[i] = c
		p.Contributions[i] = math.Abs(c) * in.U
		variance += c * c * in.U * in.U
	}
	p.UFirst = math.Sqrt(variance)
	if second {
		// Of every input, f(x + u) + f(x − u) − 2f(x): what one input does alone.
		alone := make([]float64, n)
		for i, in := range m.Inputs {
			if in.U == 0 {
				continue
			}
			alone[i] = at(i, in.U, i, 0) + at(i, -in.U, i, 0) - 2*f0
			p.Biases[i] = alone[i] / 2
			p.Bias += p.Biases[i]
			if v := p.Biases[i] * p.Biases[i] * (in.kurtosis() - 1); v > 0 {
				p.Second = append(p.Second, SecondOrder{i, i, math.Sqrt(v), math.Copysign(math.Sqrt(v), p.Biases[i])})
				variance += v
			}
		}
		for i := range n {
			for j := i + 1; j < n; j++ {
				u, w := m.Inputs[i].U, m.Inputs[j].U
				if u == 0 || w == 0 {
					continue
				}
				d := (at(i, u, j, w) + at(i, -u, j, -w) - 2*f0 - alone[i] - alone[j]) / 2
				if math.Abs(d) > negligible*p.UFirst {
					p.Second = append(p.Second, SecondOrder{i, j, math.Abs(d), d})
					variance += d * d
				}
			}
		}
	}
	p.U = math.Sqrt(variance)
	p.Dof = effectiveDof(p.U, m.Inputs, p.Contributions, nil)
	return p
}

// effectiveDof is the Welch–Satterthwaite formula over the inputs selected by
// keep (nil: all) for the combined standard uncertainty u.
func effectiveDof(u float64, inputs []Input, contributions []float64, keep func(i int) bool) float64 {
	if u == 0 {
		return math.Inf(1)
	}
	var sum float64
	pools := map[string]float64{}
	for i, in := range inputs {
		if keep != nil && !keep(i) {
			continue
		}
		if in.Dof == 0 || contributions[i] == 0 {
			continue
		}
		r := contributions[i] / u
		if in.Pool != "" {
			pools[in.Pool] += r * r
			continue
		}
		sum += r * r * r * r / in.Dof
	}
	// In the order of the inputs, so that the sum does not depend on the map's.
	for _, in := range inputs {
		if r2, ok := pools[in.Pool]; ok && in.Pool != "" {
			sum += r2 * r2 / in.Dof
			delete(pools, in.Pool)
		}
	}
	if sum == 0 {
		return math.Inf(1)
	}
	return 1 / sum
}

// dofSlack is how far below a whole number a number of degrees of freedom may lie
// and still count as that number: the example of JCGM 100, G.4.1 computes to
// 18.9987 and is used as 19.
const dofSlack = 0.01

// TruncateDof returns the whole number of degrees of freedom to use for ν (JCGM
// 100, G.4.1: the next lower integer; a deficit of up to 0.01 is taken as
// rounding), at least 1. +Inf stays.
func TruncateDof(dof float64) float64 {
	if math.IsInf(dof, 1) {
		return dof
	}
	return math.Max(1, math.Floor(dof+dofSlack))
}

// CoverageFactor returns Student's t for the two-sided coverage probability p and
// dof degrees of freedom, truncated by TruncateDof; +Inf gives the normal
// quantile (JCGM 100, G.3 and Table G.2).
func CoverageFactor(p, dof float64) float64 {
	return studentQuantile((1+p)/2, TruncateDof(dof))
}

// studentQuantile returns the quantile of Student's t at probability q.
func studentQuantile(q, dof float64) float64 {
	if math.IsInf(dof, 1) {
		return distuv.UnitNormal.Quantile(q)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: dof}.Quantile(q)
}
