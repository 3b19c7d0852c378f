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
