package detect

import "math"

// The shape of a reversal in time. Where the hand moves on through an extremum
// the reading falls away with the square of the time on both sides, at the same
// rate, because a hand does not change its speed in an instant. Where the hand
// turns back the reading rests, leaves nearly in proportion to the time, and the
// two sides belong to two movements with speeds of their own. None of this is
// proof: hands slow down at the extremum and turn smoothly off it. The two
// features below are therefore weighed with wide distributions and bounded.
const (
	roundMin  = -1.2
	roundMax  = 1.2
	abruptMin = -2.0
)

// weighShape sets round and abrupt of every pivot.
func (a *analyser) weighShape() {
	for i := range a.piv {
		r := a.shapeOf(i)
		a.piv[i].round = math.Max(roundMin, math.Min(roundMax, r))
		a.piv[i].abrupt = math.Max(abruptMin, math.Min(roundMax, r))
	}
}

func (a *analyser) shapeOf(i int) float64 {
	p := &a.piv[i]
	leg := math.Min(p.prom, 4)
	d0 := math.Max(0.05*leg, 4*a.ss[p.k])
	if a.coarse {
		d0 = math.Max(d0, 2*a.q)
	}
	d1 := math.Min(3*d0, 0.65*leg)
	if d1 < 2*d0 {
		return 0
	}
	l0, l1 := a.fallTimes(i, -1, d0, d1)
	r0, r1 := a.fallTimes(i, +1, d0, d1)
	w0, w1 := l0+r0, l1+r1
	if w0 < 4*a.period {
		return 0 // too few readings to tell
	}
	// 1 for a parabola, 2 for a corner, less for a rest followed by a flank.
	ratio := math.Log(w1/w0) / (0.5 * math.Log(d1/d0))
	asym := math.Abs(math.Log((l1 + a.period) / (r1 + a.period)))
	pass := math.Log(0.85*gauss(ratio, 0.95, 0.2) + 0.15*gauss(ratio, 0.85, 0.65))
	turn := math.Log(0.75*gauss(ratio, 0.6, 0.33) + 0.25*gauss(ratio, 1.45, 0.9))
	pass += math.Log(0.9*gauss(asym, 0, 0.42) + 0.1*gauss(asym, 0, 1))
	turn += math.Log(gauss(asym, 0, 0.85))
	return pass - turn
}

func gauss(x, m, s float64) float64 {
	z := (x - m) / s
	return math.Exp(-0.5*z*z) / s
}

// fallTimes returns how long before or after the pivot the reading has left it
// by d0 and by d1, s.
func (a *analyser) fallTimes(i, dir int, d0, d1 float64) (t0, t1 float64) {
	p := &a.piv[i]
	sg := float64(-p.kind)
	lim := 0
	if dir > 0 {
		lim = len(a.sm) - 1
	}
	if j := i + dir; j >= 0 && j < len(a.piv) {
		lim = a.piv[j].k
	}
	v := p.v
	x := p.k
	for x != lim && (a.sm[x]-v)*sg < d0 {
		x += dir
	}
	t0 = math.Abs(a.t[x] - p.t)
	for x != lim && (a.sm[x]-v)*sg < d1 {
		x += dir
	}
	return t0, math.Abs(a.t[x] - p.t)
}
