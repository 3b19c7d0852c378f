package detect

import "math"

// A turning point is fitted locally: a polynomial in time over a window around
// the reversal, and the value at its stationary point. The window is chosen by
// the comparison of nested windows: it grows as long as the estimate stays
// within the uncertainties of all smaller ones. So it is wide where the hand
// moved evenly and narrow where it did not.

// ladder lists the drops of the windows, as multiples of the smallest.
var ladder = [...]float64{1, 1.6, 2.5, 4, 6.3, 10, 16, 25, 40}

// sumNoise sums up the local noise of bins l…r. Where it is the same everywhere, that
// is done once for every number of bins.
func (a *analyser) sumNoise(l, r int) float64 {
	n := r - l + 1
	if a.loud {
		sum := 0.0
		for _, s := range a.local[l : r+1] {
			sum += s
		}
		return sum
	}
	if len(a.sums) == 0 {
		a.sums = append(a.sums, 0)
	}
	for k := len(a.sums); k <= n; k++ {
		a.sums = append(a.sums, a.sums[k-1]+a.sigma)
	}
	return a.sums[n]
}

// fitPivot fits pivot i between its neighbours.
func (a *analyser) fitPivot(i int) {
	p := &a.piv[i]
	lo, hi := 0, len(a.z)-1
	if i > 0 {
		lo = a.piv[i-1].k
	}
	if i+1 < len(a.piv) {
		hi = a.piv[i+1].k
	}
	sg := float64(-p.kind) // +1 for a minimum: the reading rises away from it
	v0 := a.sm[p.k]
	noise := a.ss[p.k]
	base := math.Max(5*noise, 0.04)
	if a.coarse {
		base = math.Max(base, 1.1*a.q)
	}
	top := math.Max(base, 0.6*p.prom)
	p.v, p.s, p.t, p.a, p.b = v0, noise, a.t[p.k], p.k, p.k
	// Intersection of the intervals so far.
	ilo, ihi := math.Inf(-1), math.Inf(1)
	l, r := p.k, p.k
	found := false
	for _, m := range ladder {
		drop := base * m
		if found && drop > top {
			break
		}
		for l > lo && (a.sm[l-1]-v0)*sg <= drop {
			l--
		}
		for r < hi && (a.sm[r+1]-v0)*sg <= drop {
			r++
		}
		if r-l+1 < 6 {
			if l > lo {
				l--
			}
			if r < hi {
				r++
			}
		}
		// Balance: neither side may reach much further in time than the other.
		la, ra := l, r
		dl, dr := a.t[p.k]-a.t[la], a.t[ra]-a.t[p.k]
		if dl > 3*dr+2*a.period {
			for la < p.k-2 && a.t[p.k]-a.t[la] > 3*dr+2*a.period {
				la++
			}
		} else if dr > 3*dl+2*a.period {
			for ra > p.k+2 && a.t[ra]-a.t[p.k] > 3*dl+2*a.period {
				ra--
			}
		}
		f, ok := a.polyExtremum(la, ra, sg)
		if !ok {
			continue
		}
		w := 2.0 * f.s
		if found && (f.v-w > ihi || f.v+w < ilo) {
			break
		}
		ilo, ihi = math.Max(ilo, f.v-w), math.Min(ihi, f.v+w)
		if !found || f.s < p.s {
			p.v, p.s, p.t, p.a, p.b = f.v, f.s, f.t, la, ra
		}
		found = true
	}
	// Time spent within the noise of the extreme.
	l, r = p.k, p.k
	for l > lo && math.Abs(a.sm[l-1]-v0) <= 3*noise {
		l--
	}
	for r < hi && math.Abs(a.sm[r+1]-v0) <= 3*noise {
		r++
	}
	p.flat = a.t[r] - a.t[l]
}

type vertex struct{ v, s, t float64 }

// polynomial is one fitted to a window of readings, as far as it does not depend on
// how large the noise is believed to be.
type polynomial struct {
	ok      bool
	n       int     // bins
	mid, h  float64 // middle and half width of the window, s
	scatter float64 // variance of the residuals, µm²; 0 if the fit leaves none
	// Its stationary point by Newton and the best point of a grid: place from −1 to
	// 1, value, µm, and variance of that for readings of variance 1.
	newton, grid polyPoint
}

type polyPoint struct{ u, v, lever float64 }

// polyExtremum fits a polynomial of degree 2 (few points) or 4 to bins l…r and
// returns its extremum nearest the middle.
func (a *analyser) polyExtremum(l, r int, sg float64) (vertex, bool) {
	f := a.fitted(l, r, sg)
	if !f.ok {
		return vertex{}, false
	}
	p := &f.newton
	if math.Abs(p.u) > 0.85 || p.v*sg > f.grid.v*sg+1e-9+a.sigma {
		p = &f.grid
		if math.Abs(p.u) > 0.75 {
			return vertex{}, false
		}
	}
	s2 := a.sumNoise(l, r) / float64(f.n)
	s2 *= s2
	if f.scatter > s2*1.3 {
		s2 = f.scatter
	}
	return vertex{v: p.v + a.z[(l+r)/2], s: math.Sqrt(s2 * p.lever), t: f.mid + p.u*f.h}, true
}

// fitPolynomial fits the polynomial of bins l…r; values count from the bin in the
// middle.
func (a *analyser) fitPolynomial(l, r int, sg float64) (f polynomial) {
	n := r - l + 1
	if n < 5 {
		return f
	}
	deg := 2
	if n >= 12 {
		deg = 4
	}
	tm := (a.t[l] + a.t[r]) / 2
	h := (a.t[r] - a.t[l]) / 2
	if h <= 0 {
		return f
	}
	z0 := a.z[(l+r)/2]
	var mom [9]float64
	var rhs [5]float64
	szz := 0.0
	ts, zs := a.t[l:r+1], a.z[l:r+1]
	zs = zs[:len(ts)]
	for i, t := range ts {
		u := (t - tm) / h
		z := zs[i] - z0
		szz += z * z
		p2 := u * u
		p3 := p2 * u
		p4 := p3 * u
		mom[0]++
		mom[1] += u
		mom[2] += p2
		mom[3] += p3
		mom[4] += p4
		rhs[0] += z
		rhs[1] += u * z
		rhs[2] += p2 * z
		if deg == 2 {
			continue
		}
		p5 := p4 * u
		p6 := p5 * u
		p7 := p6 * u
		mom[5] += p5
		mom[6] += p6
		mom[7] += p7
		mom[8] += p7 * u
		rhs[3] += p3 * z
		rhs[4] += p4 * z
	}
	m := &a.normal
	m.n = deg + 1
	for i := range m.n {
		for j := 0; j <= i; j++ {
			m.a[i][j] = mom[i+j]
		}
	}
	if !m.factor() {
		return f
	}
	var c [maxDim]float64
	copy(c[:], rhs[:m.n])
	m.solve(&c)
	// Stationary point nearest to that of the smoothed data, by Newton from the
	// grid point with the lowest value.
	best, bu := math.Inf(1), 0.0
	for g := -8; g <= 8; g++ {
		u := float64(g) / 10
		v := polyval(c[:m.n], u) * sg
		if v < best {
			best, bu = v, u
		}
	}
	u := bu
	for range 12 {
		d1, d2 := polyder(c[:m.n], u)
		if d2*sg <= 0 {
			break
		}
		step := -d1 / d2
		step = math.Max(-0.2, math.Min(0.2, step))
		u += step
		if math.Abs(step) < 1e-9 {
			break
		}
	}
	rss := szz
	for k := range m.n {
		rss -= c[k] * rhs[k]
	}
	f = polynomial{ok: true, n: n, mid: tm, h: h}
	if dof := n - m.n; dof > 0 {
		f.scatter = rss / float64(dof)
	}
	point := func(u float64) polyPoint {
		var g [maxDim]float64
		pw := 1.0
		for k := range m.n {
			g[k] = pw
			pw *= u
		}
		return polyPoint{u: u, v: polyval(c[:m.n], u), lever: m.quad(&g)}
	}
	f.newton, f.grid = point(u), point(bu)
	return f
}

func polyval(c []float64, u float64) float64 {
	v := 0.0
	for i := len(c) - 1; i >= 0; i-- {
		v = v*u + c[i]
	}
	return v
}

// polyder returns the first and second derivative.
func polyder(c []float64, u float64) (d1, d2 float64) {
	for i := len(c) - 1; i >= 1; i-- {
		d1 = d1*u + float64(i)*c[i]
	}
	for i := len(c) - 1; i >= 2; i-- {
		d2 = d2*u + float64(i*(i-1))*c[i]
	}
	return d1, d2
}

// maxDim bounds the size of the linear systems of this package.
const maxDim = 16

// cholesky factors a small symmetric positive definite matrix in place; only
// the lower triangle is used.
type cholesky struct {
	n int
	a [maxDim][maxDim]float64
}

func (m *cholesky) factor() bool {
	for j := range m.n {
		d := m.a[j][j]
		for k := range j {
			d -= m.a[j][k] * m.a[j][k]
		}
		if !(d > 1e-14*math.Max(1e-12, m.a[j][j])) {
			return false
		}
		d = math.Sqrt(d)
		m.a[j][j] = d
		for i := j + 1; i < m.n; i++ {
			s := m.a[i][j]
			for k := range j {
				s -= m.a[i][k] * m.a[j][k]
			}
			m.a[i][j] = s / d
		}
	}
	return true
}

func (m *cholesky) solve(b *[maxDim]float64) {
	for i := range m.n {
		s := b[i]
		for k := range i {
			s -= m.a[i][k] * b[k]
		}
		b[i] = s / m.a[i][i]
	}
	for i := m.n - 1; i >= 0; i-- {
		s := b[i]
		for k := i + 1; k < m.n; k++ {
			s -= m.a[k][i] * b[k]
		}
		b[i] = s / m.a[i][i]
	}
}

// quad returns gᵀ A⁻¹ g.
func (m *cholesky) quad(g *[maxDim]float64) float64 {
	var y [maxDim]float64
	q := 0.0
	for i := range m.n {
		s := g[i]
		for k := range i {
			s -= m.a[i][k] * y[k]
		}
		y[i] = s / m.a[i][i]
		q += y[i] * y[i]
	}
	return q
}
