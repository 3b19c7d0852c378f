package detect

import "math"

// How much the reading wanders and drifts differs from room to room and is not known.
// So the model of estimate.go is solved with each of some standard deviations of
// wander and drift, and the solutions are averaged with the probability that each of
// them has after the observations (Bayesian model averaging). Wander is what the neighbours of an observation share:
// part of it is a first-order autoregressive process over time (an Ornstein–Uhlenbeck
// process), the rest is different at each observation. It is whitened by a scalar
// Kalman filter that runs over the observations in order of time.

const (
	// wanderTau is the correlation time of wander, s, and wanderOwn the share of its
	// variance that each observation has for itself: common practice, no source. Between
	// 3 and 20 s and between 0.1 and 0.6 the errors on four simulated benches differ by
	// less than a fiftieth.
	wanderTau, wanderOwn = 6.0, 0.5

	maxObs = maxPhases*(maxPasses+2) + maxPhases + 1
)

// roomLevel is a standard deviation with the logarithm of its weight beforehand.
type roomLevel struct{ s, lnw float64 }

var (
	// wanderLevels are in µm, driftLevels in units of Params.DriftMMPerMin.
	wanderLevels = [...]roomLevel{{0.01, -1.4}, {0.02, -1.0}, {0.04, -1.2}, {0.08, -2.2}, {0.16, -3.5}}
	driftLevels  = [...]roomLevel{{0.2, -1.2}, {0.7, -1.0}, {1.7, -1.4}}
)

// weighModels solves the model for the observations and returns the factors of its
// most probable normal matrix, the mean of the parameters and the variance of the
// saddle.
func (a *analyser) weighModels(ob []obs) (best cholesky, mean [maxDim]float64, variance float64, ok bool) {
	var rows [maxObs][maxDim]float64
	for x := range ob {
		a.row(&ob[x], &rows[x])
	}
	dim := pResid + a.dec.n
	coarse := 0.0
	if a.coarse {
		coarse = 0.2 * a.q
	}
	top, sum, square, wander := math.Inf(-1), 0.0, 0.0, 0.0
	for _, w := range wanderLevels {
		n := a.whiten(ob, &rows, dim, math.Hypot(w.s, coarse))
		for _, d := range driftLevels {
			m, b, ln, good := n.solve(math.Max(d.s*a.drift, 1e-6))
			if !good {
				continue
			}
			ln += w.lnw + d.lnw
			var g [maxDim]float64
			g[pSaddle] = 1
			v := m.quad(&g)
			if ln > top {
				f := math.Exp(top - ln)
				for i := range dim {
					mean[i] *= f
				}
				sum *= f
				square *= f
				wander *= f
				top, best, ok = ln, m, true
			}
			p := math.Exp(ln - top)
			sum += p
			wander += p * w.s
			square += p * (v + b[pSaddle]*b[pSaddle])
			for i := range dim {
				mean[i] += p * b[i]
			}
		}
	}
	if !ok {
		return best, mean, 0, false
	}
	for i := range dim {
		mean[i] /= sum
	}
	variance = max(0, square/sum-mean[pSaddle]*mean[pSaddle])
	mean[pSaddle] += ob[0].v
	a.est.wander = wander / sum
	return best, mean, variance, true
}

// normalModel holds the normal equations of the model for one wander, without the
// drift to expect: matrix, right-hand side, the square of the observations and the part
// of the logarithm of the likelihood that does not depend on them.
type normalModel struct {
	m       cholesky
	rhs     [maxDim]float64
	chi, ln float64
}

// whiten sets the model up for a wander, µm. The saddle counts from the first
// observation.
func (a *analyser) whiten(ob []obs, rows *[maxObs][maxDim]float64, dim int, wander float64) (n normalModel) {
	n.m.n = dim
	n.prior(pSaddle, 1e4)
	flex := math.Max(0.1, a.slide.flex)
	n.prior(pFlex0, math.Max(flex, a.flex[0]))
	n.prior(pFlex1, math.Max(flex, a.flex[1]))
	for i := pStart0; i < dim; i++ {
		n.prior(i, 1e3)
	}
	for i := range a.dec.n {
		if !a.hinges[a.dec.ph[i].to].seen {
			n.m.a[pResid+i][pResid+i] += 1 / (0.3 * 0.3)
		}
	}
	var state, v [maxDim]float64
	var stateY, last float64
	own := wanderOwn * wander * wander
	common := wander*wander - own
	P := common
	for x := range ob {
		o, g := &ob[x], &rows[x]
		F := o.s * o.s
		y := o.v
		if !o.resid {
			y -= ob[0].v
			if x > 0 {
				f := math.Exp(-math.Abs(o.t-last) / wanderTau)
				P = f*f*P + (1-f*f)*common
				stateY *= f
				for i := range dim {
					state[i] *= f
				}
			}
			last = o.t
			F += P + own/math.Max(1, o.passes)
			y -= stateY
			for i := range dim {
				v[i] = g[i] - state[i]
			}
			k := P / F
			P -= k * P
			stateY += k * y
			for i := range dim {
				state[i] += k * v[i]
			}
		} else {
			v = *g
		}
		w := 1 / F
		n.ln -= 0.5 * math.Log(F)
		n.chi += w * y * y
		for i := range dim {
			if v[i] == 0 {
				continue
			}
			n.rhs[i] += w * v[i] * y
			for j := 0; j <= i; j++ {
				n.m.a[i][j] += w * v[i] * v[j]
			}
		}
	}
	return n
}

// prior adds the standard deviation that parameter i is expected to have.
func (n *normalModel) prior(i int, s float64) {
	n.m.a[i][i] += 1 / (s * s)
	n.ln -= math.Log(s)
}

// solve solves the model with a drift to expect, µm/s. ln is the logarithm of the
// likelihood, but for a constant.
func (n normalModel) solve(drift float64) (m cholesky, b [maxDim]float64, ln float64, ok bool) {
	n.prior(pDrift, drift)
	if !n.m.factor() {
		return n.m, b, n.ln, false
	}
	b = n.rhs
	n.m.solve(&b)
	for i := range n.m.n {
		n.chi -= n.rhs[i] * b[i]
		n.ln -= math.Log(n.m.a[i][i])
	}
	return n.m, b, n.ln - 0.5*n.chi, true
}
