package detect

import "math"

// The estimate. The two adjustments separate: the reading is
//
//	x = S + ρ₀ + ρ₁ + β·(t − t_end) + f·direction + noise
//
// with the saddle S, the residuals ρ of the two adjustments (the active one is
// zero at a pass), a drift β and the flexure f of the hand, which turns with the
// direction of the knob. Passes and rests are observations of this model; a rest
// is free of flexure. Solved by least squares with prior knowledge of β and f,
// it contains the rule "saddle = C − (E − T)" and its longer chains.

// obs is one observation.
type obs struct {
	v, s, t float64
	phase   int
	pass    bool
	dir     float64
	passes  float64 // that the observation stands for, if more than one
	resid   bool    // of the residual alone
	start   bool    // of the residual before the first phase
}

type estimate struct {
	ok       bool
	saddle   float64 // µm at tEnd
	u        float64
	tEnd     float64
	value    [2]float64 // of the turning points, µm
	valueU   [2]float64
	valueT   [2]float64
	n        [2]int
	first    [2]int // bins
	last     [2]int
	resid    [2]float64
	residU   [2]float64
	parked   [2]bool
	unseenE  bool
	flat     bool // one adjustment was too flat to see
	flatSeek int
	slope    float64 // µm/s
	wander   float64 // µm
}

// Parameters of the model, by place.
const (
	pSaddle = iota
	pDrift
	pFlex0
	pFlex1
	pStart0 // residuals before the first phase
	pStart1
	pResid // + phase
)

func (a *analyser) estimate() {
	d, e := &a.dec, &a.est
	if d.n == 0 || d.mask == 0 {
		return
	}
	var ob [maxObs]obs
	n := 0
	bySlide, started := false, false
	lastPh := &d.ph[d.n-1]
	e.tEnd = a.hinges[lastPh.to].tStart
	for i := range d.n {
		ph := &d.ph[i]
		if ph.slide > 0 && i > 0 && !started {
			// Where the slide stood before it was played.
			started = true
			if r, s, ok := a.residualOf(&a.hinges[ph.from]); ok {
				ob[n] = obs{v: r, s: s, t: a.hinges[ph.from].t, phase: i, resid: true, start: true}
				n++
				bySlide = true
			}
		}
		started = started || ph.slide > 0
		if ph.caught && ph.slide > 0 {
			f := &a.slide.at[ph.slide-1]
			ob[n] = obs{v: f.v, s: f.s, t: f.t, phase: i, pass: true, passes: math.Min(5, float64(f.crossings))}
			n++
		} else if ph.caught {
			for x := range ph.n {
				id := ph.passes[x]
				p := &a.piv[id]
				ob[n] = obs{v: p.v, s: p.s, t: p.t, phase: i, pass: true, dir: float64(ph.dirs[x])}
				n++
			}
		}
		if h := &a.hinges[ph.to]; h.seen {
			ob[n] = obs{v: h.level, s: h.s, t: h.t, phase: i}
			if a.coarse && ph.caught && ph.slide == 0 && h.s > 0.15*a.q {
				ob[n].v, ob[n].s = a.roundedRest(ph, h)
				ob[n].resid = true
			}
			n++
			if ph.slide > 0 {
				if r, s, ok := a.residualOf(h); ok {
					bySlide = true
					ob[n] = obs{v: r, s: s, t: h.t, phase: i, resid: true}
					n++
				}
			}
		}
	}
	m, b, variance, ok := a.weighModels(ob[:n])
	if !ok {
		return
	}
	e.ok = true
	e.slope = b[pDrift]
	e.saddle = b[pSaddle]
	held, hyst := a.hysteresis()
	e.saddle += 0.5 * held * float64(a.sense(lastPh.seek))
	e.u = math.Hypot(math.Hypot(math.Sqrt(variance), a.dec.blur), hyst)
	if bySlide {
		// The chain is closed by geometry; what wanders over the whole entry stays.
		e.u = math.Hypot(e.u, slideWander*e.wander)
	}
	for i := range d.n {
		ph := &d.ph[i]
		k := ph.seek
		if ph.caught {
			// The last phase of an adjustment counts.
			var st float64
			if ph.slide > 0 {
				f := &a.slide.at[ph.slide-1]
				st = f.t
				e.first[k], e.last[k] = f.a, f.b
			} else {
				for x := range ph.n {
					st += a.piv[ph.passes[x]].t
				}
				st /= float64(ph.n)
				e.first[k], e.last[k] = a.piv[ph.passes[0]].a, a.piv[ph.passes[ph.n-1]].b
			}
			o := obs{phase: i, pass: true, t: st}
			var g [maxDim]float64
			a.row(&o, &g)
			v := 0.0
			for x := range m.n {
				v += g[x] * b[x]
			}
			e.value[k], e.valueU[k], e.valueT[k] = v, math.Hypot(math.Sqrt(m.quad(&g)), hyst), st
			e.n[k] = ph.n
		}
		e.parked[k] = ph.caught && a.hinges[ph.to].seen
		if e.parked[k] {
			var g [maxDim]float64
			g[pResid+i] = 1
			e.resid[k], e.residU[k] = b[pResid+i], math.Sqrt(m.quad(&g))
		}
	}
}

// roundedRest returns the residual at rest h after phase ph, whose level a coarse
// step hides: somewhere within half a step of what is shown, not beyond the
// extremum, and there as hands park. Mean and standard deviation, µm.
func (a *analyser) roundedRest(ph *phase, h *hinge) (mean, s float64) {
	sg := -float64(a.sense(ph.seek))
	shown := (h.level - ph.value) * sg
	lo, hi := max(0, shown-0.5*a.q), max(0.15*a.q, shown+0.5*a.q)
	const cells = 32
	var sum, sumX, sumXX float64
	for i := range cells {
		x := lo + (hi-lo)*(float64(i)+0.5)/cells
		w := a.parking(x, a.span)
		sum += w
		sumX += w * x
		sumXX += w * x * x
	}
	mean = sumX / sum
	return mean * sg, math.Sqrt(sumXX/sum-mean*mean) + 0.05*a.q
}

// row fills in the coefficients of an observation.
func (a *analyser) row(o *obs, g *[maxDim]float64) {
	d := &a.dec
	if o.resid {
		i := pResid + o.phase
		if o.start {
			i = pStart0 + d.ph[o.phase].seek
		}
		g[i] = 1
		return
	}
	g[pSaddle] = 1
	g[pDrift] = o.t - a.est.tEnd
	k := d.ph[o.phase].seek
	other := 1 - k
	// Residual of the other adjustment: left by its last phase before this one.
	found := false
	for i := o.phase - 1; i >= 0; i-- {
		if d.ph[i].seek == other {
			g[pResid+i] += 1
			found = true
			break
		}
	}
	if !found {
		g[pStart0+other] += 1
	}
	if o.pass {
		g[pFlex0+k] = o.dir
	} else {
		g[pResid+o.phase] += 1
	}
}

// flatSeconds is how long the reading must stay within what can be seen, beside
// the play of the other adjustment, to be taken for an adjustment that was
// played and is too flat to see, s. A hand that only waits takes less.
const flatSeconds = 5.0

// flatAfterSeconds is the same after the other adjustment: a hand that has finished
// may wait long before it takes the ring away.
const flatAfterSeconds = 10.0

// flatRestSeconds is the same for a rest that comes after a movement of flatSettle
// seconds at most: of the carriage, or of a tilt that is flat near square only.
const flatRestSeconds, flatSettle = 8.0, 5.0

// longRest returns where a rest of flatRestSeconds or more begins, if one does in the
// first flatSettle seconds and not at once.
func (a *analyser) longRest() int {
	for _, r := range a.rests {
		if a.t[r.a]-a.t[0] > flatSettle {
			break
		}
		if a.t[r.b]-a.t[r.a] >= flatRestSeconds {
			return r.a
		}
	}
	return 0
}

// lowUM is how far the reading may move while an adjustment is played for it to be
// bounded rather than seen, µm: a tilt of 10 mrad moves it by 0.15 µm in a ring of
// 6 mm, by 0.5 µm in one of 12 mm.
const lowUM = 0.6

// settledSeconds is how long the carriage may settle at the beginning, s.
const settledSeconds = 1.5

// estimateLow handles a rotation that was played first and long, to and fro, and
// moved the reading by lowUM at most: whether its extremum was passed cannot be
// told for certain, and what it can hide is bounded by that movement.
func (a *analyser) estimateLow() bool {
	d, e := &a.dec, &a.est
	if !e.ok || d.n != 2 || d.ph[0].slide > 0 || d.ph[1].slide > 0 || !d.ph[1].caught {
		return false
	}
	one := &d.ph[0]
	flat, caught := one.seek, 1-one.seek
	h := &a.hinges[one.to]
	if s := a.p.Seeks[flat].Adjustment; s != Tilt && s != Swivel || one.n == 0 || !h.seen || one.caught && d.prob[flat] >= 1-a.p.FalseProbability {
		return false
	}
	turns := 0
	for i := range a.piv {
		if a.piv[i].k < h.a {
			turns++
		}
	}
	// What settles at first is not play.
	from := a.hinges[0].b
	for from < h.a && a.t[from]-a.t[0] < settledSeconds {
		from++
	}
	lo, up := math.Inf(1), math.Inf(-1)
	for _, v := range a.sm[from : h.b+1] {
		lo, up = math.Min(lo, v), math.Max(up, v)
	}
	low := math.Max(lowUM, math.Max(8*a.sigma, 2*a.q))
	if up-lo > low || turns < 2 || a.t[h.b]-a.t[0] < flatSeconds {
		return false
	}
	sg := -float64(a.sense(flat))
	r := math.Min(up-lo, math.Max(0, (h.level-one.value)*sg))
	e.flat, e.flatSeek = true, flat
	// Between nothing and all of what was seen to be left.
	e.saddle = e.value[caught] + e.slope*(e.tEnd-e.valueT[caught]) - 0.5*r*sg
	e.u = math.Sqrt(e.valueU[caught]*e.valueU[caught] + r*r/12 + 0.01*(up-lo)*(up-lo))
	e.value[flat], e.valueU[flat], e.valueT[flat] = one.value, 0.3*(up-lo), a.t[from]
	return true
}

// estimateFlat looks for an adjustment that was played unseen while the other
// one was caught: a long stretch at the beginning or at the end in which the
// reading moves by less than can be seen. What the adjustment can have left
// there is bounded by that movement. Only a rotation can be that flat: 1 mrad
// moves the reading by some nanometres in a ring of 6 mm, but 0.1 mm of the cross
// slide by 0.14 µm even in one of 150 mm. A cross maximum that was not seen was not
// played.
func (a *analyser) estimateFlat() {
	d, e := &a.dec, &a.est
	if a.estimateLow() || !e.ok || d.mask != 1 && d.mask != 2 {
		return
	}
	caught := d.mask >> 1
	flat := 1 - caught
	if s := a.p.Seeks[flat].Adjustment; s != Tilt && s != Swivel {
		return
	}
	start := a.longRest()
	for i := range d.n {
		ph := &d.ph[i]
		settles := i == 0 && start > 0 && !ph.caught && ph.n == 0 && a.hinges[ph.to].a <= start
		if ph.seek == flat && !settles {
			return // it was seen to be played
		}
	}
	visible := math.Max(0.15, math.Max(4*a.sigma, 1.5*a.q))
	n := len(a.sm)
	first, last := start, n-1
	lo, up := a.sm[start], a.sm[start]
	for first < n-1 {
		lo, up = math.Min(lo, a.sm[first]), math.Max(up, a.sm[first])
		if up-lo > visible {
			break
		}
		first++
	}
	lo, up = a.sm[n-1], a.sm[n-1]
	for last > 0 {
		lo, up = math.Min(lo, a.sm[last]), math.Max(up, a.sm[last])
		if up-lo > visible {
			break
		}
		last--
	}
	// What belongs to the caught adjustment's own rest does not count.
	for last < n-1 && a.t[last+1] < e.tEnd+1 {
		last++
	}
	from, to, ref := start, first, first-1
	least := flatSeconds
	if start > 0 {
		least = flatRestSeconds
	}
	if a.t[n-1]-a.t[last] > a.t[first]-a.t[start] {
		from, to, ref = last+1, n, last+1
		least = flatAfterSeconds
	}
	if to-from < 8 || a.t[to-1]-a.t[from] < least {
		return
	}
	// Means over a second: the level next to the other adjustment's play, and the
	// one nearest to the extremum.
	sg := -float64(a.sense(flat))
	level := func(i int) float64 {
		sum, m := 0.0, 0.0
		for j := from; j < to; j++ {
			if math.Abs(a.t[j]-a.t[i]) <= 0.5 {
				sum += a.z[j]
				m++
			}
		}
		return sum / m
	}
	end := level(ref)
	best := end
	for i := from; i < to; i += max(1, (to-from)/64) {
		if v := level(i); (v-best)*sg < 0 {
			best = v
		}
	}
	r := (end - best) * sg // not negative
	e.flat, e.flatSeek = true, flat
	e.saddle = e.value[caught] + e.slope*(e.tEnd-e.valueT[caught]) - 0.5*r*sg
	e.u = math.Sqrt(e.valueU[caught]*e.valueU[caught] + r*r/12 + 0.01*visible*visible)
	e.value[flat], e.valueU[flat], e.valueT[flat] = best, 0.5*visible, a.t[from]
}
