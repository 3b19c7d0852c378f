package detect

import "math"

// The shape of a reversal in time. Where the hand moves on through an extremum
// the reading falls away with the square of the time on both sides, at the same
// rate, because a hand does not change its speed in an instant; and both flanks
// belong to one movement, so that the root of the depth is nearly proportional
// to the time far up the flanks. Where the hand turns back the reading rests, or
// leaves in proportion to the time, and the two flanks are two movements with
// speeds of their own. None of this is proof: hands slow down at the extremum and
// turn smoothly off it.
//
// Four features of a reversal are weighed, from the times l and r at which the
// reading passes given depths on its two flanks: how unlike the flanks are, low
// and half-way up, and how the width grows with the depth, low and high (1 for a
// parabola, 2 for a corner, less for a rest followed by a flank). Their densities
// are mixtures of normal distributions, fitted to the labelled reversals of three
// simulated hands. Passes have two: of a hand that moves evenly, and of one that
// slows down at the extremum or is uneven. Which hand plays is the same for all
// reversals of a phase.

// shapeBell is one part of a mixture: its weight, and mean and standard deviation
// of the four features, which are independent within it.
type shapeBell struct {
	w    float64
	m, s [4]float64
}

var (
	evenPass = [...]shapeBell{
		{0.344, [4]float64{-1.82, -0.08, 1.12, 0.13}, [4]float64{0.64, 0.35, 0.14, 0.20}},
		{0.084, [4]float64{-0.60, -0.30, 0.87, 0.04}, [4]float64{0.65, 0.34, 0.34, 0.15}},
		{0.055, [4]float64{-1.52, -0.01, 1.53, 0.22}, [4]float64{0.89, 1.03, 0.63, 1.09}},
		{0.517, [4]float64{-2.18, -1.15, 1.03, 0.08}, [4]float64{0.54, 0.50, 0.14, 0.14}},
	}
	unevenPass = [...]shapeBell{
		{0.073, [4]float64{-0.93, 0.23, 1.25, -0.24}, [4]float64{0.63, 0.53, 0.48, 0.81}},
		{0.537, [4]float64{-1.66, -0.72, 0.84, -0.01}, [4]float64{0.64, 0.57, 0.19, 0.13}},
		{0.390, [4]float64{-0.50, -0.34, 0.65, 0.00}, [4]float64{0.39, 0.25, 0.17, 0.12}},
	}
	turnBack = [...]shapeBell{
		{0.223, [4]float64{-0.22, -0.38, 0.60, 0.16}, [4]float64{0.39, 0.31, 0.22, 0.15}},
		{0.052, [4]float64{-0.22, -1.30, 0.62, 0.27}, [4]float64{0.47, 0.74, 0.20, 0.25}},
		{0.243, [4]float64{0.36, -0.07, 0.35, 0.13}, [4]float64{0.30, 0.25, 0.16, 0.11}},
		{0.065, [4]float64{-1.10, 0.29, 1.68, -0.17}, [4]float64{0.96, 0.92, 0.81, 1.28}},
		{0.093, [4]float64{-0.63, 0.11, 1.13, 0.01}, [4]float64{0.59, 0.27, 0.27, 0.36}},
		{0.325, [4]float64{-1.72, -0.54, 1.02, 0.10}, [4]float64{0.67, 0.66, 0.28, 0.16}},
	}
)

const (
	// shapeSmooth is the share of turn-backs that look just like the passes of an
	// even hand, whatever the hands above did; it bounds what one shape can say.
	shapeSmooth = 0.1
	// shapeStray is the share of passes that look like nothing above.
	shapeStray = 0.02
	lnEven     = -0.5 // ln of the share of even hands
	lnUneven   = -0.93
)

// shapeDepths are the depths at which a flank is timed, as shares of the leg.
var shapeDepths = [...]float64{0.06, 0.12, 0.25, 0.5, 0.8}

// keptShapes is how many shapes are kept from look to look: most reversals have the
// same at each.
const keptShapes = 128

type keptShape struct {
	known        bool
	f            [4]float64
	even, uneven float64
}

// weighShape sets the shape of every pivot.
func (a *analyser) weighShape() {
	for i := range a.piv {
		a.piv[i].even, a.piv[i].uneven = a.shapeOf(i)
	}
}

// shapeOf returns the logarithms of the likelihood ratios of a pass, by an even
// and by an uneven hand, against a turn-back. It notes the pace and the lean of the
// pivot.
func (a *analyser) shapeOf(i int) (even, uneven float64) {
	p := &a.piv[i]
	var l, r [len(shapeDepths)]float64
	depth := a.movedInOne(i)
	a.flankTimes(i, -1, depth, &l)
	a.flankTimes(i, +1, depth, &r)
	low := 4 * a.ss[p.k]
	if a.coarse {
		low = math.Max(low, 2*a.q)
	}
	const half, top = 3, 4
	p.pace, p.lean = math.Log(math.Max(depth/(l[half]+r[half]), 1e-9)), noLean
	j := 0
	for j < half && (shapeDepths[j]*depth < low || l[j]+r[j] < 5*a.period) {
		j++
	}
	if j == half {
		return 0, 0 // too shallow, or too few readings, to tell
	}
	grow := func(u, v int) float64 {
		return 2 * math.Log((l[v]+r[v])/(l[u]+r[u])) / math.Log(shapeDepths[v]/shapeDepths[u])
	}
	var f [4]float64
	f[0] = math.Log(0.05 + math.Abs(math.Log(l[j]/r[j])))
	p.lean = f[0]
	f[1] = math.Log(0.05+math.Abs(math.Log(l[half]/r[half]))) - f[0]/2
	f[2] = grow(j, half)
	f[3] = grow(half-1, top) - f[2]
	kept := &a.shapes[uint32(a.bin[p.k])%keptShapes]
	if kept.known && kept.f == f {
		return kept.even, kept.uneven
	}
	e, u, t := density(evenPass[:], &f), density(unevenPass[:], &f), density(turnBack[:], &f)
	t = (1-shapeSmooth)*t + shapeSmooth*e + 1e-9
	even = math.Log(((1-shapeStray)*e + shapeStray*t) / t)
	uneven = math.Log(((1-shapeStray)*u + shapeStray*t) / t)
	*kept = keptShape{true, f, even, uneven}
	return even, uneven
}

func density(m []shapeBell, f *[4]float64) float64 {
	sum := 0.0
	for i := range m {
		b := &m[i]
		chi, norm := 0.0, b.w
		for k, x := range f {
			z := (x - b.m[k]) / b.s[k]
			chi += z * z
			norm /= b.s[k]
		}
		sum += norm * math.Exp(-0.5*chi)
	}
	return sum
}

// handsShape joins the shapes of all reversals of one hand, given the sums for an
// even and an uneven one.
func (a *analyser) handsShape(even, uneven float64) float64 {
	return a.logAdd(lnEven+even, lnUneven+uneven)
}

// movedInOne returns how far both flanks of pivot i reach in one movement, µm: to
// the next reversal, or to where the reading rests on its way there.
func (a *analyser) movedInOne(i int) float64 {
	p := &a.piv[i]
	depth := p.prom
	for _, r := range a.rests {
		k := r.a
		switch {
		case r.b < p.k && (i == 0 || r.a > a.piv[i-1].k):
			k = r.b
		case r.a > p.k && (i+1 == len(a.piv) || r.b < a.piv[i+1].k):
		default:
			continue
		}
		// A rest at the level of the reversal is part of it.
		if d := math.Abs(a.sm[k] - a.sm[p.k]); d > math.Max(0.06, 4*a.ss[k]) {
			depth = math.Min(depth, d)
		}
	}
	return depth
}

// flankTimes fills in how long before or after the pivot the reading has left it
// by each of shapeDepths times depth, s.
func (a *analyser) flankTimes(i, dir int, depth float64, out *[len(shapeDepths)]float64) {
	p := &a.piv[i]
	sg := float64(-p.kind)
	lim := 0
	if dir > 0 {
		lim = len(a.sm) - 1
	}
	if j := i + dir; j >= 0 && j < len(a.piv) {
		lim = a.piv[j].k
	}
	x := p.k
	for n, share := range shapeDepths {
		d := share * depth
		for x != lim && (a.sm[x]-p.v)*sg < d {
			x += dir
		}
		t := a.t[x]
		if x != p.k {
			u, v := (a.sm[x-dir]-p.v)*sg, (a.sm[x]-p.v)*sg
			if u < d && d <= v {
				t = a.t[x-dir] + (t-a.t[x-dir])*(d-u)/(v-u)
			}
		}
		out[n] = math.Abs(t-p.t) + 0.5*a.period
	}
}

// shapeOfAll returns what the shapes of some reversals of one phase say together,
// as the logarithm of the likelihood ratio of passes against turn-backs.
func (a *analyser) shapeOfAll(idx []int) float64 {
	even, uneven := 0.0, 0.0
	for _, x := range idx {
		even += a.piv[x].even
		uneven += a.piv[x].uneven
	}
	return a.handsShape(even, uneven)
}
