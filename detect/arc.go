package detect

import "math"

// Parameters of the arc.
const (
	arcLevel = iota
	arcLine
	arcBend
	arcDrift
	arcFlex
	arcLag
	arcN
)

// fitSlide fits the arc to s and says whether its vertex was passed.
func (a *analyser) fitSlide(s *slide) {
	v := &a.slide
	s.claim = slideOdd
	n := s.b - s.a + 1
	if n < 16 {
		return
	}
	sense := float64(a.sense(v.seek))
	mid, h := (s.lo+s.hi)/2, (s.hi-s.lo)/2
	z0 := a.z[s.a]
	a.tmp = grow(a.tmp, n)
	w := a.tmp
	for i := range w {
		w[i] = 1
	}
	var m cholesky
	var c [maxDim]float64
	tm, scale := 0.0, 0.0
	row := func(k int, g *[maxDim]float64) float64 {
		u := (a.y[k] - mid) / h
		g[arcLevel], g[arcLine], g[arcBend] = 1, u, u*u
		g[arcDrift], g[arcFlex] = a.t[k]-tm, v.dir[k]
		g[arcLag] = 0
		z := a.z[k] - z0
		if s.kappa > 0 {
			d := a.y[k] - s.y0
			z += sense * 0.25 * s.kappa * s.kappa * s.kappa * d * d * d * d
			// The carriage lags behind the reading, which runs towards the extremum
			// where the slide does.
			g[arcLag] = math.Max(-1, math.Min(1, d/(0.05*h))) * v.dir[k]
		}
		return z
	}
	yvar := v.noise*v.noise + v.step*v.step/12
	for iter := range 5 {
		sw, swt := 0.0, 0.0
		for i, x := range w {
			sw += x
			swt += x * a.t[s.a+i]
		}
		tm = swt / sw
		m = cholesky{n: arcN}
		c = [maxDim]float64{}
		prior := func(i int, sd float64) { m.a[i][i] += 1 / (sd * sd) }
		prior(arcDrift, math.Hypot(a.drift, 0.003))
		prior(arcFlex, 0.2)
		prior(arcLag, 0.03)
		for i := range w {
			k := s.a + i
			var g [maxDim]float64
			z := row(k, &g)
			q := a.local[k]*a.local[k] + a.q*a.q/12
			if s.kappa > 0 {
				slope := 2 * s.kappa * (a.y[k] - s.y0)
				q += slope * slope * yvar
			}
			if scale > 0 {
				q = math.Max(q, 0.25*scale*scale)
			}
			x := w[i] / q
			if !v.moving[k] {
				x *= 0.25
			}
			for r := range arcN {
				c[r] += x * g[r] * z
				for q := 0; q <= r; q++ {
					m.a[r][q] += x * g[r] * g[q]
				}
			}
		}
		if !m.factor() {
			return
		}
		m.solve(&c)
		// Residuals, their scale, and weights.
		for i := range w {
			var g [maxDim]float64
			r := row(s.a+i, &g)
			for x := range arcN {
				r -= g[x] * c[x]
			}
			w[i] = r
		}
		scale = math.Max(1.4826*nthAbs(w, n/2), 0.7*a.sigma)
		if iter == 4 {
			break
		}
		for i, r := range w {
			u := r / (5 * scale)
			u = max(0, 1-u*u)
			w[i] = u * u
		}
		s.kappa = -sense * c[arcBend] / (h * h)
		s.y0 = mid
		if s.kappa > 0 {
			s.y0 = mid - h*c[arcLine]/(2*c[arcBend])
			if math.Abs(s.y0-mid) > 3*h {
				s.kappa = 0
			}
		}
		if s.kappa > 1/minRhoUM {
			s.kappa = 0
		}
	}
	// The residuals of neighbours are alike: variance of means of half a second
	// against that of independent ones.
	infl := a.alike(s, w, scale)
	var g [maxDim]float64
	g[arcBend] = 1
	s.sk = infl * math.Sqrt(m.quad(&g)) / (h * h)
	s.kappa = -sense * c[arcBend] / (h * h)
	b1, b2 := c[arcLine], c[arcBend]
	straight := math.Abs(b1) > 2*math.Abs(b2) // on all of the travel
	plausible := s.kappa > 1/maxRhoUM && s.kappa < 1/minRhoUM && s.kappa > 6*s.sk
	switch {
	case scale > math.Max(0.4, math.Max(4*a.sigma, a.q)):
		return
	case !plausible && straight:
		g = [maxDim]float64{}
		g[arcLine] = 1
		if math.Abs(b1) > 6*infl*math.Sqrt(m.quad(&g)) {
			s.claim = slideMissed
		}
		s.kappa = 0
		return
	case !plausible:
		s.kappa = 0
		return
	}
	u0 := -b1 / (2 * b2)
	g = [maxDim]float64{}
	g[arcLine], g[arcBend] = -1/(2*b2), b1/(2*b2*b2)
	s.y0, s.sy0 = mid+h*u0, infl*h*math.Sqrt(m.quad(&g))
	s.v = z0 + c[arcLevel] + c[arcLine]*u0 + c[arcBend]*u0*u0
	g = [maxDim]float64{}
	g[arcLevel], g[arcLine], g[arcBend] = 1, u0, u0*u0
	s.s, s.t = infl*math.Sqrt(m.quad(&g)), tm
	s.flex = math.Abs(c[arcFlex])
	inside := math.Min(s.y0-s.lo, s.hi-s.y0)
	edge := s.kappa * inside * math.Abs(inside)
	sure := 4*s.sy0 + 2*v.step + 3*v.noise
	switch {
	case inside > sure && edge > math.Max(0.1, math.Max(2*scale/math.Sqrt(float64(min(n, 16)))+2*s.s, 0.3*a.q)):
		s.claim = slideCrossed
	case inside < 0 && (-inside > 2*s.sy0 || edge < -0.05):
		s.claim = slideMissed
	default:
		s.claim = slideOpen
	}
	// Passes of the slide over the vertex.
	far := math.Max(math.Max(3*v.noise, 2*v.step), math.Max(4*s.sy0, math.Sqrt(0.02/s.kappa)))
	side := 0.0
	for k := s.a; k <= s.b; k++ {
		d := a.y[k] - s.y0
		if math.Abs(d) < far {
			continue
		}
		if now := math.Copysign(1, d); now != side {
			if side != 0 {
				s.crossings++
			}
			side = now
		}
	}
	if s.claim == slideCrossed && s.crossings == 0 {
		s.claim = slideOpen
	}
}

// alike returns by how much the uncertainty of a fit with residuals r exceeds
// that of one with independent ones.
func (a *analyser) alike(s *slide, r []float64, scale float64) float64 {
	single, ns, block, nb := 0.0, 0, 0.0, 0
	lim := 5 * scale
	for i := 0; i < len(r); {
		j := i
		sum, m := 0.0, 0
		for j < len(r) && a.t[s.a+j]-a.t[s.a+i] < blockSeconds {
			if math.Abs(r[j]) < lim {
				sum += r[j]
				single += r[j] * r[j]
				m++
				ns++
			}
			j++
		}
		if m > 0 {
			block += sum * sum / float64(m)
			nb++
		}
		i = max(j, i+1)
	}
	if ns == 0 || nb < 3 || single == 0 {
		return 1.5
	}
	return math.Max(1, math.Sqrt(block/float64(nb)/(single/float64(ns))))
}
