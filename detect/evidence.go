package detect

import (
	"math"
	"slices"
)

// The chain of phases says which reversals are taken for passes over an extremum.
// Whether they are is judged once more from what the chain does not weigh, or
// weighs by rules of thumb: a generalised additive model gives the logarithm of the
// odds that a phase's passes are passes as a sum of parts, one for each feature,
// each read from a curve. It was fitted by penalised logistic regression to the
// phases claimed in 45,000 traces of five simulated hands that know nothing of each
// other, of which every fifth held a trap: an extremum never crossed, crossed
// once, an adjustment not played, an end stop, remembered digits. A hand that was left out of
// the fit is judged nearly as well as those in it, and what is said to be probable
// is as frequent as it says.

// The features of a phase.
const (
	evChain    = iota // log odds of the claim among all chains
	evPasses          // number of passes
	evSpread          // logarithm of how far those of one direction lie apart, µm
	evPark            // how far off them the reading is left at the end, µm
	evTurns           // reversals of the same kind that are taken for turn-backs
	evShape           // shapes of the passes together, as a log likelihood ratio
	evDepth           // logarithm of the median leg over the range of the phase
	evStep            // logarithm of the step of the readout, µm
	evSpeed           // logarithm of the mean speed on the flanks, µm/s
	evFarDwell        // logarithm of the mean dwell at the turns on the far side, s
	evRest            // what the rest at the end says for a change of hands
	evLean            // how unlike the two flanks are, low down
	evFlex            // flexure of the frame, µm
	evSlide           // 1 where the second axis shows the stretches of the other adjustment
	evN
)

// evPrior is the sum without any part; evidence holds the curves.
const evPrior = 3.65

var evidence = [evN]curve{
	evChain:  {[]float64{0, 2, 4, 6, 8, 11}, []float64{-1.07, -0.51, -0.08, 0.25, 0.53, 0.89}},
	evPasses: {[]float64{1, 2, 3, 4, 6}, []float64{-1.03, -0.09, 0.02, 0.26, 0.84}},
	// Passes that agree better than hands, frames and rooms let them are a stop's.
	evSpread:   {[]float64{-5.3, -3.53, -2.73, -2.13, -1.66, -1.17}, []float64{-1.02, -0.25, 0.25, 0.55, 0.52, -0.04}},
	evPark:     {[]float64{-0.1, 0, 0.05, 0.15, 0.4, 1, 3}, []float64{0.28, 0.95, 0.84, 0.66, 0.26, -0.66, -2.34}},
	evTurns:    {[]float64{0, 1, 2, 4}, []float64{0.09, 0.06, -0.13, -0.01}},
	evShape:    {[]float64{-3, -1.5, 0, 1.5, 3}, []float64{-0.78, -0.51, -0.26, 0.48, 1.07}},
	evDepth:    {[]float64{-3.84, -2.26, -1.5, -0.86, -0.451, -0.0864}, []float64{0.81, 0.55, 0.25, -0.24, -0.49, -0.87}},
	evStep:     {[]float64{-4.61, -2.3, 0}, []float64{-0.47, -0.39, 0.87}},
	evSpeed:    {[]float64{-1.69, -0.906, -0.309, 0.481, 1.29, 2.38}, []float64{0.93, 0.33, 0.23, -0.14, -0.64, -0.71}},
	evFarDwell: {[]float64{-2.63, -1.71, -1.26, -0.719, -0.116, 0.434}, []float64{-0.41, -0.30, -0.10, 0.23, 0.36, 0.22}},
	evRest:     {[]float64{-1.18, -0.1, 0, 0.569, 0.9}, []float64{-0.18, -0.28, -0.08, 0.04, 0.50}},
	evLean:     {[]float64{noLean, -2.26, -1.67, -1.04, -0.535, 0.0106}, []float64{-0.22, 0.42, 0.64, 0.35, -0.20, -0.99}},
	evFlex:     {[]float64{0, 0.05, 0.1, 0.2, 0.35}, []float64{0.02, 0.16, 0.30, 0.02, -0.49}},
	evSlide:    {[]float64{0, 1}, []float64{-1.17, 1.17}},
}

// curve is a function of one feature: linear between knots, constant beyond them.
type curve struct{ at, part []float64 }

func (c *curve) of(x float64) float64 {
	n := len(c.at)
	if x <= c.at[0] {
		return c.part[0]
	}
	for i := 1; i < n; i++ {
		if x < c.at[i] {
			f := (x - c.at[i-1]) / (c.at[i] - c.at[i-1])
			return c.part[i-1] + f*(c.part[i]-c.part[i-1])
		}
	}
	return c.part[n-1]
}

// flexUnlike is the share of the flexure of one adjustment below which that of the
// other one is not believed.
const flexUnlike = 0.5

// leastFlexUM is the least flexure that counts, µm.
const leastFlexUM = 0.08

// noLean stands for a pass too shallow to tell its flanks.
const noLean = -9

// features fills in what the curves are read for, of phase i of the decision.
func (a *analyser) features(i int, f *[evN]float64) {
	ph := &a.dec.ph[i]
	sense := a.sense(ph.seek)
	from, to := &a.hinges[ph.from], &a.hinges[ph.to]
	lo, up := [2]float64{math.Inf(1), math.Inf(1)}, [2]float64{math.Inf(-1), math.Inf(-1)}
	flexed := ph.n >= 3 && a.flex[ph.seek] > leastFlexUM
	var even, uneven, pace, lean, leaning float64
	var legs [maxPasses]float64
	for x, id := range ph.passes[:ph.n] {
		p := &a.piv[id]
		way := 0
		if flexed && ph.dirs[x] < 0 {
			way = 1
		}
		lo[way], up[way] = min(lo[way], p.v), max(up[way], p.v)
		even += p.even
		uneven += p.uneven
		pace += p.pace / float64(ph.n)
		if p.lean != noLean {
			lean += p.lean
			leaning++
		}
		legs[x] = p.prom
	}
	var turns, dwell, far float64
	bottom, top := min(from.level, to.level), max(from.level, to.level)
	for x := from.next; x < len(a.piv) && a.piv[x].k < to.a; x++ {
		p := &a.piv[x]
		bottom, top = min(bottom, p.v), max(top, p.v)
		switch {
		case p.kind != sense:
			dwell += p.flat
			far++
		case !slices.Contains(ph.passes[:ph.n], x):
			turns++
		}
	}
	odds := a.dec.chain[ph.seek]
	f[evChain] = math.Log((odds + 1e-9) / (1 - odds + 1e-9))
	f[evPasses] = float64(ph.n)
	f[evSpread] = math.Log(max(up[0]-lo[0], up[1]-lo[1]) + 0.005)
	f[evPark] = 0
	if to.seen {
		f[evPark] = (ph.value - to.level) * float64(sense)
	}
	f[evTurns] = turns
	f[evShape] = a.handsShape(even, uneven)
	f[evDepth] = math.Log(max(nth(legs[:ph.n], ph.n/2), 1e-9) / max(top-bottom, 1e-9))
	f[evStep] = math.Log(a.q)
	f[evSpeed] = pace
	f[evFarDwell] = math.Log(0.03 + dwell/max(far, 1))
	f[evRest] = to.cost
	f[evLean] = noLean
	if leaning > 0 {
		f[evLean] = lean / leaning
	}
	if a.slide.n > 0 {
		f[evSlide] = 1
	}
	f[evFlex] = a.flex[ph.seek]
}

// assure replaces the probability of every claim by what the evidence says of its
// phases. Of an adjustment that was played more than once the surest phase counts, if
// the others can be left out, else the weakest.
func (a *analyser) assure() {
	d := &a.dec
	d.chain = d.prob
	var odds [maxPhases]float64
	for i := range d.n {
		odds[i] = math.Inf(1)
		if ph := &d.ph[i]; ph.caught && ph.slide == 0 && ph.n > 0 {
			var f [evN]float64
			a.features(i, &f)
			odds[i] = evPrior
			for k := range evidence {
				odds[i] += evidence[k].of(f[k])
			}
			if a.unlike(ph) && a.doubtful(ph) {
				odds[i] = min(odds[i], 0)
			}
		}
	}
	a.leaveOut(&odds)
	for k := range 2 {
		least := math.Inf(1)
		for i := range d.n {
			if d.ph[i].seek == k && d.ph[i].caught {
				least = min(least, odds[i])
			}
		}
		if d.mask>>k&1 == 1 && !math.IsInf(least, 1) {
			d.prob[k] = 1 / (1 + math.Exp(-least))
		}
	}
}

// unlike reports whether the slide's arcs show a frame that gives to the hand, and
// the passes of ph, which x alone shows, do not.
func (a *analyser) unlike(ph *phase) bool {
	return a.slide.n > 0 && a.slide.flex > flexLimUM && a.flex[ph.seek] < flexUnlike*a.slide.flex
}

// leaveOut takes the claims back that are not sure, of adjustments of which another
// phase is: the saddle stands without them.
func (a *analyser) leaveOut(odds *[maxPhases]float64) {
	d := &a.dec
	sure := math.Log(1/a.p.FalseProbability - 1)
	for i := range d.n {
		if !d.ph[i].caught || odds[i] >= sure {
			continue
		}
		for j := range d.n {
			if j != i && d.ph[j].seek == d.ph[i].seek && d.ph[j].caught && odds[j] >= sure {
				d.ph[i].caught = false
				break
			}
		}
	}
}
