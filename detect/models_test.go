package detect

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// twoPhases is an entry of a tilt and a cross phase with their observations: three
// passes and a rest each. The saddle is at 0 and drifts by slope (µm/s) until the last
// pass; each pass is off by scatter times a sign of its own (µm).
func twoPhases(slope, scatter float64) (*analyser, []obs) {
	a := &analyser{drift: 0.15 / 60}
	a.dec.n, a.dec.mask = 2, 3
	a.hinges = []hinge{{}, {seen: true}, {seen: true}}
	a.dec.ph[0] = phase{seek: 0, from: 0, to: 1, caught: true}
	a.dec.ph[1] = phase{seek: 1, from: 1, to: 2, caught: true}
	a.est.tEnd = 50
	const leftTilt, leftCross, start = 0.2, -0.15, -3.0
	signs := [...]float64{1, 1, -1, 0, -1, 1, -1, 0}
	var ob []obs
	add := func(phase int, t, v float64, pass bool) {
		o := obs{v: v + slope*(t-a.est.tEnd), s: 0.01, t: t, phase: phase, pass: pass}
		if pass {
			o.v += scatter * signs[len(ob)]
			o.dir = float64(1 - 2*(len(ob)%2))
		}
		ob = append(ob, o)
	}
	for _, t := range []float64{1, 9, 17} {
		add(0, t, start, true)
	}
	add(0, 21, start+leftTilt, false)
	for _, t := range []float64{26, 37, 48} {
		add(1, t, leftTilt, true)
	}
	add(1, 52, leftTilt+leftCross, false)
	return a, ob
}

// The filter gives what generalised least squares with the whole covariance matrix
// gives (any textbook; solved here by gonum).
func TestModelIsGeneralisedLeastSquares(t *testing.T) {
	a, ob := twoPhases(0.002, 0)
	rng := rand.New(rand.NewPCG(4, 7))
	for i := range ob {
		ob[i].v += 0.05 * rng.NormFloat64()
	}
	n, dim := len(ob), pResid+a.dec.n
	var rows [maxObs][maxDim]float64
	g := mat.NewDense(n, dim, nil)
	y := mat.NewVecDense(n, nil)
	for x := range ob {
		a.row(&ob[x], &rows[x])
		for i := range dim {
			g.Set(x, i, rows[x][i])
		}
		y.SetVec(x, ob[x].v-ob[0].v)
	}
	var was, wasDense float64
	for k, wander := range []float64{0.02, 0.1} {
		const drift = 0.002
		set := a.whiten(ob, &rows, dim, wander)
		m, b, ln, ok := set.solve(drift)
		if !ok {
			t.Fatal("singular")
		}
		v := mat.NewSymDense(n, nil)
		for i := range n {
			for j := i; j < n; j++ {
				c := (1 - wanderOwn) * wander * wander * math.Exp(-math.Abs(ob[i].t-ob[j].t)/wanderTau)
				if i == j {
					c += wanderOwn*wander*wander + ob[i].s*ob[i].s
				}
				v.SetSym(i, j, c)
			}
		}
		prior := []float64{1e4, drift, 0.1, 0.1, 1e3, 1e3, 1e3, 1e3}
		var w, gw, normal, rhs, dense mat.Dense
		if err := w.Inverse(v); err != nil {
			t.Fatal(err)
		}
		gw.Mul(g.T(), &w)
		normal.Mul(&gw, g)
		for i, s := range prior {
			normal.Set(i, i, normal.At(i, i)+1/(s*s))
		}
		rhs.Mul(&gw, y)
		if err := dense.Solve(&normal, &rhs); err != nil {
			t.Fatal(err)
		}
		for _, i := range []int{pSaddle, pDrift, pFlex0, pResid, pResid + 1} {
			if d := math.Abs(b[i] - dense.At(i, 0)); d > 1e-6 {
				t.Errorf("wander %g, parameter %d: %g, dense %g", wander, i, b[i], dense.At(i, 0))
			}
		}
		var inv mat.Dense
		if err := inv.Inverse(&normal); err != nil {
			t.Fatal(err)
		}
		e := [maxDim]float64{1}
		if got, want := m.quad(&e), inv.At(0, 0); math.Abs(got-want) > 1e-6*want {
			t.Errorf("wander %g: variance %g, dense %g", wander, got, want)
		}
		// The logarithm of the likelihood, but for what is the same for both: that of
		// all observations as one normal vector, the parameters integrated out.
		var cov, tmp mat.Dense
		p := mat.NewDiagDense(dim, nil)
		for i, s := range prior {
			p.SetDiag(i, s*s)
		}
		tmp.Mul(g, p)
		cov.Mul(&tmp, g.T())
		cov.Add(&cov, v)
		logDet, _ := mat.LogDet(&cov)
		var sol mat.VecDense
		if err := sol.SolveVec(&cov, y); err != nil {
			t.Fatal(err)
		}
		lnDense := -0.5*logDet - 0.5*mat.Dot(y, &sol)
		if k > 0 {
			if d := (ln - was) - (lnDense - wasDense); math.Abs(d) > 1e-3 {
				t.Errorf("ratio of likelihoods %g, dense %g", ln-was, lnDense-wasDense)
			}
		}
		was, wasDense = ln, lnDense
	}
}

// Rooms are told apart: where passes agree and nothing drifts u is small, passes that
// scatter raise it, and a drift is found and taken out.
func TestModelsTellRoomsApart(t *testing.T) {
	solve := func(slope, scatter float64) (saddle, drift, u float64) {
		a, ob := twoPhases(slope, scatter)
		_, b, v, ok := a.weighModels(ob)
		if !ok {
			t.Fatal("singular")
		}
		return b[pSaddle], b[pDrift], math.Sqrt(v)
	}
	calm, _, uCalm := solve(0, 0)
	_, _, uRough := solve(0, 0.12)
	const slope = 0.25 / 60
	moved, found, _ := solve(slope, 0)
	t.Logf("calm %+.4f µm, u %.4f; rough u %.4f; drift of 0.25 µm/min: %+.4f µm, found %.3f", calm, uCalm, uRough, moved, found*60)
	if math.Abs(calm) > 0.01 || uCalm > 0.06 {
		t.Errorf("calm room: %+.4f µm, u %.4f", calm, uCalm)
	}
	if uRough < 1.2*uCalm {
		t.Errorf("u %.4f with passes that scatter, %.4f without", uRough, uCalm)
	}
	if math.Abs(moved) > 0.03 || found < 0.7*slope || found > 1.1*slope {
		t.Errorf("drift: %+.4f µm, found %.4f µm/s of %.4f", moved, found, slope)
	}
}
