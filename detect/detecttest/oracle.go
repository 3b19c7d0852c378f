package detecttest

import "math"

// level is the value of a fit, µm, and the parts of its error: the variance of
// white noise and quantisation, and what bias, flexure, hysteresis and
// vibration add.
type level struct {
	value, variance, bias, flexure, hyst, vib float64
}

// estimate is the value of one extremum, from all passes of a phase.
type estimate struct {
	level
	t, w      []float64 // s, the passes, and their weights
	flexureSS float64   // µm², weighted squares of the flexure
	slopeSD   float64   // µm/s, of a drift found from the passes
}

// stepVariance is what a readout's step adds to the variance of a mean over a
// reading that keeps still, µm²: little when noise is there to dither it.
func stepVariance(b *bench) float64 {
	return b.q * b.q / 12 * math.Exp(-39*b.noise*b.noise/(b.q*b.q))
}

// fitPass finds the window and the powers of time that serve best about a pass at
// tc, from lo to hi (s), and returns the value there.
func (j *judge) fitPass(tc, lo, hi float64) level {
	b, o := j.b, &j.seen
	shake := j.vib.variance(tc)
	least := math.Inf(1)
	var best level
	var from, to int
	var width float64
	var with []int
	c0 := at(j.l.clean, tc)
	for w := 0.08; w < 6; w *= 1.35 {
		a, z := math.Max(lo, tc-w), math.Min(hi, tc+w)
		i0 := o.before(a)
		i1 := i0
		for i1 < len(o.t) && o.t[i1] <= z {
			i1++
		}
		stride := max(1, (i1-i0)/160)
		var u, clean, flexure, hyst []float64
		bottom, top := math.Inf(1), math.Inf(-1)
		for i := i0; i < i1; i += stride {
			x := at(j.l.clean, o.t[i]) - c0
			bottom, top = math.Min(bottom, x), math.Max(top, x)
			u = append(u, (o.t[i]-tc)/w)
			clean = append(clean, x)
			flexure = append(flexure, at(j.l.flexure, o.t[i]))
			hyst = append(hyst, at(j.l.hyst, o.t[i]))
		}
		for _, powers := range [][]int{{0}, {0, 2}, {0, 2, 3}, {0, 2, 3, 4}} {
			if len(u) < len(powers)+1 {
				continue
			}
			wt, ok := intercept(u, powers)
			if !ok {
				continue
			}
			var ss float64
			var l level
			for i := range wt {
				ss += wt[i] * wt[i]
				l.bias += wt[i] * clean[i]
				l.flexure += wt[i] * flexure[i]
				l.hyst += wt[i] * hyst[i]
			}
			l.variance = (b.noise*b.noise+b.q*b.q/12+shake)*ss/float64(stride) +
				stepVariance(b)/(1+2*(top-bottom)/b.q)
			if m := l.variance + l.bias*l.bias; m < least {
				least, best = m, l
				from, to, width, with = i0, i1, w, powers
			}
		}
		if a == lo && z == hi {
			break
		}
	}
	if math.IsInf(least, 1) { // too few readings for any fit
		k := min(len(o.t)-1, o.within(0, tc))
		return level{
			value: o.x[k], variance: b.noise*b.noise + b.q*b.q/12 + 0.04,
			flexure: at(j.l.flexure, tc), hyst: at(j.l.hyst, tc), vib: o.vib[k],
		}
	}
	// The same fit to all the readings.
	u := make([]float64, 0, to-from)
	for i := from; i < to; i++ {
		u = append(u, (o.t[i]-tc)/width)
	}
	if wt, ok := intercept(u, with); ok {
		for i := range wt {
			best.value += wt[i] * o.x[from+i]
			best.vib += wt[i] * o.vib[from+i]
		}
	}
	return best
}

// intercept gives the weights of a least-squares intercept over times t, with
// these powers of time.
func intercept(t []float64, powers []int) ([]float64, bool) {
	n := len(powers)
	var m [4][5]float64
	basis := make([][4]float64, len(t))
	for i, x := range t {
		for j, p := range powers {
			y := 1.0
			for range p {
				y *= x
			}
			basis[i][j] = y
		}
		for j := range n {
			for k := range n {
				m[j][k] += basis[i][j] * basis[i][k]
			}
		}
	}
	m[0][n] = 1
	for j := range n {
		p := j
		for k := j + 1; k < n; k++ {
			if math.Abs(m[k][j]) > math.Abs(m[p][j]) {
				p = k
			}
		}
		m[j], m[p] = m[p], m[j]
		if math.Abs(m[j][j]) < 1e-9 {
			return nil, false
		}
		for k := range n {
			if k == j {
				continue
			}
			f := m[k][j] / m[j][j]
			for c := j; c <= n; c++ {
				m[k][c] -= f * m[j][c]
			}
		}
	}
	w := make([]float64, len(t))
	for i := range t {
		for j := range n {
			w[i] += m[j][n] / m[j][j] * basis[i][j]
		}
	}
	return w, true
}

// estimate weighs the passes of a phase.
func (j *judge) estimate(k look) estimate {
	var e estimate
	var ls []level
	sum := 0.0
	wander := j.b.wander * j.b.wander
	for i, tc := range k.at {
		l := j.fitPass(tc, k.lo[i], k.hi[i])
		ls = append(ls, l)
		w := 1 / (l.variance + l.bias*l.bias + l.flexure*l.flexure + wander)
		e.t, e.w = append(e.t, tc), append(e.w, w)
		sum += w
	}
	mean := 0.0
	for i, l := range ls {
		e.w[i] /= sum
		w := e.w[i]
		mean += w * e.t[i]
		e.variance += w * w * l.variance
		e.bias += w * l.bias
		e.value += w * l.value
		e.vib += w * l.vib
		e.flexure += w * l.flexure
		e.hyst += w * l.hyst
		e.flexureSS += w * w * l.flexure * l.flexure
	}
	sxx := 0.0
	for _, t := range e.t {
		sxx += (t - mean) * (t - mean)
	}
	e.slopeSD = math.Inf(1)
	if sxx > 0 {
		e.slopeSD = math.Sqrt((e.variance*float64(len(e.t)) + wander + e.flexureSS) / sxx)
	}
	return e
}

// oracle estimates the saddle, referred to ref (s), as well as can be from two
// neighbouring phases, one of each adjustment, and the level between them: the
// standard deviation and the value, µm. lost says that no reading shows that level.
func (j *judge) oracle(e *entry, looks []look, ref float64) (sd, value float64, lost bool) {
	b := j.b
	var es []estimate
	for _, k := range looks {
		es = append(es, j.estimate(k))
	}
	least := math.Inf(1)
	for i := 0; i+1 < len(es); i++ {
		one, two := es[i], es[i+1]
		if len(one.t) == 0 || len(two.t) == 0 || e.phases[i].adj == e.phases[i+1].adj {
			continue
		}
		if v, x, miss := j.chain(&one, &two, e.phases[i].to, e.phases[i+1].from, ref); v < least {
			least, value = v, x
			lost = math.Abs(miss) > math.Max(0.1, 2*b.noise)
		}
	}
	if math.IsInf(least, 1) { // nothing to estimate: about what one extremum would have
		flexure := math.Max(math.Abs(b.flexure[0]), math.Abs(b.flexure[1]))
		least = b.noise*b.noise/10 + 2*b.wander*b.wander + flexure*flexure/4 + b.hyst*b.hyst + b.q*b.q/12 + b.drift*b.drift/36
	}
	return math.Max(0.01, math.Sqrt(least)), value, lost
}

// chain adds two extrema and takes off the level between them, hands off from
// step left to step taken: variance (µm²) and value (µm) of the saddle at ref (s).
// miss is how far the level was from what is taken for it, µm.
func (j *judge) chain(one, two *estimate, left, taken int, ref float64) (variance, value, miss float64) {
	b, o := j.b, &j.seen
	g0, g1 := float64(left)*dt, float64(taken)*dt
	g0 = math.Min(g0+2*b.relaxT, g0+0.6*(g1-g0))
	var flexure, hyst float64
	for k := range 8 {
		t := g0 + (g1-g0)*(float64(k)+0.5)/8
		flexure += at(j.l.flexure, t) / 8
		hyst += at(j.l.hyst, t) / 8
	}
	var rest, shake, n float64
	i0 := o.within(0, g0)
	for k := i0; k < len(o.t) && o.t[k] <= g1; k++ {
		rest += o.x[k]
		shake += o.vib[k]
		n++
	}
	shake /= math.Max(1, n)
	if n == 0 { // no reading between the hands: the last one before has to do
		k := max(0, i0-1)
		t := o.t[k]
		miss = at(j.l.clean, t) - at(j.l.clean, g0)
		flexure, hyst = at(j.l.flexure, t), at(j.l.hyst, t)
		rest, n = o.x[k], 1
	}
	variance = one.variance + two.variance + (b.noise*b.noise+b.q*b.q/12)/n + stepVariance(b)
	// The wander is in all three levels.
	t := append(append([]float64(nil), one.t...), two.t...)
	w := append(append([]float64(nil), one.w...), two.w...)
	for k := range 4 {
		t = append(t, g0+(g1-g0)*(float64(k)+0.5)/4)
		w = append(w, -0.25)
	}
	mean := 0.0
	for i := range t {
		mean += w[i] * t[i]
		for k := range t {
			variance += b.wander * b.wander * w[i] * w[k] * math.Exp(-math.Abs(t[i]-t[k])/b.wanderT)
		}
	}
	bias := math.Hypot(one.bias+two.bias-miss, one.vib+two.vib-shake)
	flex := math.Max(math.Abs(one.flexure+two.flexure-flexure), 0.3*math.Sqrt(one.flexureSS+two.flexureSS+flexure*flexure))
	play := math.Max(math.Abs(one.hyst+two.hyst-hyst), 0.5*b.hyst)
	// The drift is left alone or taken out by the passes themselves, the better.
	arm := ref - mean
	slope := 1 / math.Sqrt(1/(one.slopeSD*one.slopeSD)+1/(two.slopeSD*two.slopeSD)+1e-12)
	drift := math.Min(math.Abs(b.drift)/60, slope) * math.Abs(arm)
	variance += bias*bias + flex*flex + play*play + drift*drift
	value = one.value + two.value - rest/n
	if math.Abs(b.drift)/60 > slope {
		value += b.drift / 60 * arm
	}
	return variance, value, miss
}
