package calibrate

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// LeastSquares is the solution of a weighted linear least-squares problem.
type LeastSquares struct {
	// Coefficients and their standard uncertainties. These come from the stated
	// weights if every observation had a standard uncertainty, else from the
	// residuals.
	Coefficients, U []float64
	// Operator has one row per coefficient: coefficient = Σ operator·y.
	Operator [][]float64
	// Covariance of the coefficients, on the same footing as U.
	Covariance [][]float64
	// SumSquares is the weighted sum of squares of the residuals, Dof its degrees
	// of freedom and S = √(SumSquares/Dof); S is 0 when Dof is 0. With stated
	// uncertainties S is the Birge ratio.
	SumSquares float64
	Dof        int
	S          float64
	Residuals  []float64
	// Known is true if the weights are stated standard uncertainties.
	Known bool
}

// SolveLeastSquares minimises Σ ((yᵢ − Σⱼ xᵢⱼ bⱼ)/uᵢ)² by QR decomposition with the
// columns scaled to a length near one. u nil gives unit weights; else every uᵢ is
// positive. The rows are at least as many as the columns and the columns
// independent.
func SolveLeastSquares(x [][]float64, y, u []float64) (LeastSquares, error) {
	n := len(y)
	if n == 0 || len(x) != n || (u != nil && len(u) != n) {
		return LeastSquares{}, errors.New("least squares: as many rows as observations are needed, at least one")
	}
	m := len(x[0])
	if n < m {
		return LeastSquares{}, fmt.Errorf("least squares: %d observations do not determine %d coefficients", n, m)
	}
	weight := func(i int) float64 {
		if u == nil {
			return 1
		}
		return 1 / u[i]
	}
	scale := make([]float64, m)
	for j := range m {
		for i := range n {
			scale[j] = math.Hypot(scale[j], x[i][j]*weight(i))
		}
		if scale[j] == 0 {
			return LeastSquares{}, fmt.Errorf("least squares: column %d is zero", j)
		}
		// A power of two scales without rounding.
		_, e := math.Frexp(scale[j])
		scale[j] = math.Ldexp(1, e)
	}
	a := mat.NewDense(n, m, nil)
	for i := range n {
		for j := range m {
			a.Set(i, j, x[i][j]*weight(i)/scale[j])
		}
	}
	var qr mat.QR
	qr.Factorize(a)
	if c := qr.Cond(); c > 1e13 || math.IsNaN(c) {
		return LeastSquares{}, fmt.Errorf("least squares: the design is singular (condition %.2g, permitted up to 1e13): measure at more different times", c)
	}
	identity := mat.NewDense(n, n, nil)
	for i := range n {
		identity.Set(i, i, 1)
	}
	var pinv mat.Dense
	if err := qr.SolveTo(&pinv, false, identity); err != nil {
		return LeastSquares{}, fmt.Errorf("least squares: %w", err)
	}
	b := mat.NewDense(n, 1, nil)
	for i := range n {
		b.Set(i, 0, y[i]*weight(i))
	}
	var sol mat.Dense
	if err := qr.SolveTo(&sol, false, b); err != nil {
		return LeastSquares{}, fmt.Errorf("least squares: %w", err)
	}
	out := LeastSquares{Dof: n - m, Known: u != nil}
	for j := range m {
		out.Coefficients = append(out.Coefficients, sol.At(j, 0)/scale[j])
		row := make([]float64, n)
		for i := range n {
			row[i] = pinv.At(j, i) * weight(i) / scale[j]
		}
		out.Operator = append(out.Operator, row)
	}
	for i := range n {
		r := y[i]
		for j := range m {
			r -= x[i][j] * out.Coefficients[j]
		}
		out.Residuals = append(out.Residuals, r)
		out.SumSquares += r * r * weight(i) * weight(i)
	}
	if out.Dof > 0 {
		out.S = math.Sqrt(out.SumSquares / float64(out.Dof))
	}
	s2 := 1.0
	if !out.Known {
		s2 = out.S * out.S
	}
	for j := range m {
		row := make([]float64, m)
		for k := range m {
			for i := range n {
				row[k] += pinv.At(j, i) * pinv.At(k, i)
			}
			row[k] *= s2 / (scale[j] * scale[k])
		}
		out.Covariance = append(out.Covariance, row)
		out.U = append(out.U, math.Sqrt(row[j]))
	}
	return out, nil
}

// ResidualU returns the standard uncertainty of coefficient j from the residuals
// alone, whatever the stated weights.
func (l LeastSquares) ResidualU(j int) float64 {
	if l.Known {
		return l.U[j] * l.S
	}
	return l.U[j]
}

// ChiSquareP returns the probability of a sum of squares at least as large if the
// stated uncertainties are right and the model fits. It is 1 without degrees of
// freedom or without stated uncertainties.
func (l LeastSquares) ChiSquareP() float64 {
	if l.Dof == 0 || !l.Known {
		return 1
	}
	return distuv.ChiSquared{K: float64(l.Dof)}.Survival(l.SumSquares)
}
