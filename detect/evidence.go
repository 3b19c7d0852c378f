package detect

import "math"

// The chain of phases says which reversals are taken for passes over an extremum.
// Whether they are is judged once more from what the chain does not weigh, or
// weighs by rules of thumb: a generalised additive model gives the logarithm of the
// odds that a phase's passes are passes as a sum of parts, one for each feature,
// each read from a curve. It was fitted by penalised logistic regression to the 74,000
// phases claimed in 35,000 traces of six simulated hands that know nothing of each
// other. A claim counts as right if three fifths of its passes, and two at least, are
// passes. Every fourth or fifth trace held a trap: an extremum never crossed, crossed
// once, an adjustment not played, an end stop, remembered digits. Wrong claims at traps
// weigh three times as much as others, those at stops and digits, which hardly anything
// tells, 0.8 times, and those in entries with a diameter 0.2 times; evPrior was set
// afterwards, by what all of it gives (TestProbabilityIsCalibrated).

// The features of a phase.
const (
	evChain    = iota // log odds of the claim among all chains
	evPasses          // number of passes
	evSpread          // logarithm of how far those of one direction lie apart, µm
	evPark            // how far off them the reading is left at the end, µm
	evDepth           // logarithm of the median leg over the range of the phase
	evStep            // logarithm of the step of the readout, µm
	evSpeed           // logarithm of the mean speed on the flanks, µm/s
	evFarDwell        // logarithm of the mean dwell at the turns on the far side, s
	evLean            // how unlike the two flanks are, low down
	evSlide           // 1 where the second axis shows the stretches of the other adjustment
	evTenth           // logarithm of the share of a leg's time, from the pass on, in which a tenth of it is done
	evHalf            // the same share for half of it
	evDwell           // logarithm of the mean dwell at the passes, s
	evLeg             // logarithm of the median leg, µm
	evLastLeg         // the leg after the last pass over the median one
	evN
)

// evPrior is the sum without any part; evidence holds the curves.
const evPrior = 4.71

var evidence = [evN]curve{
	evChain:  {[]float64{0, 2, 4, 6, 8, 11}, []float64{-2.72, -2.07, -1.42, -0.99, -0.56, 1.03}},
	evPasses: {[]float64{1, 2, 3, 4, 6}, []float64{-1.49, -0.34, -0.04, 0.26, 0.97}},
	// Passes that agree better than hands, frames and rooms let them are a stop's.
	evSpread:   {[]float64{-5.3, -4.33, -3.06, -2.42, -1.88, -1.34}, []float64{-0.34, -0.02, 0.28, 0.30, -0.19, -0.97}},
	evPark:     {[]float64{-0.1, 0, 0.05, 0.15, 0.4, 1, 3}, []float64{-0.55, 0.09, 0.39, 0.27, -0.48, -0.96, -0.93}},
	evDepth:    {[]float64{-3.5, -2.1, -1.4, -0.827, -0.367, -0.0745}, []float64{-0.34, 0.40, 0.31, -0.12, -0.23, -0.35}},
	evStep:     {[]float64{-4.61, -2.3, 0}, []float64{-0.07, -0.06, 2.07}},
	evSpeed:    {[]float64{-2.43, -1.18, -0.403, 0.425, 1.28, 2.18}, []float64{-0.10, -0.12, -0.08, 0.11, 0.08, -0.07}},
	evFarDwell: {[]float64{-3.51, -1.94, -1.3, -0.748, -0.0251, 0.472}, []float64{-0.49, -0.42, -0.19, -0.03, 0.57, 0.97}},
	evLean:     {[]float64{noLean, -2.75, -2.27, -1.79, -1.2, -0.579, -0.0358}, []float64{-0.34, 0.46, 0.63, 0.36, 0.08, -0.56, -1.37}},
	evSlide:    {[]float64{0, 1}, []float64{-0.05, 2.31}},
	evTenth:    {[]float64{noLean, -2.31, -1.77, -1.47, -1.25, -1.09, -0.874}, []float64{0.12, 0.39, 0.43, 0.20, -0.01, -0.33, -0.96}},
	// A hand that passes is fast at the pass and slow at the far turn, and one that
	// turns back is slow at both.
	evHalf:    {[]float64{noLeg, 0.293, 0.42, 0.517, 0.603, 0.663, 0.728}, []float64{0.26, -0.06, 0.06, -0.58, -0.23, 0.56, 0.81}},
	evDwell:   {[]float64{-3.09, -2.17, -1.55, -0.982, -0.295, 0.352}, []float64{0.28, 0.41, 0.21, -0.08, -0.29, -0.92}},
	evLeg:     {[]float64{noLean, -0.564, 0.24, 0.807, 1.5, 2.24, 3}, []float64{0.01, -0.19, 0.13, 0.29, 0.16, -0.24, -0.85}},
	evLastLeg: {[]float64{noLeg, 0.0224, 0.117, 0.38, 0.784, 1.06, 3.99}, []float64{0.22, 0.37, 0.53, 0.19, -0.13, -0.37, -0.05}},
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

// noLeg stands for a phase without a leg that is deep enough to be timed.
const noLeg = -1

// noLean stands for a pass too shallow to tell its flanks.
const noLean = -9

// features fills in what the curves are read for, of phase i of the decision.
func (a *analyser) features(i int, f *[evN]float64) {
	ph := &a.dec.ph[i]
	sense := a.sense(ph.seek)
	from, to := &a.hinges[ph.from], &a.hinges[ph.to]
	lo, up := [2]float64{math.Inf(1), math.Inf(1)}, [2]float64{math.Inf(-1), math.Inf(-1)}
	flexed := ph.n >= 3 && a.flex[ph.seek] > leastFlexUM
	var pace, lean, leaning, still float64
	var proms [maxPasses]float64
	var t timing
	for x, id := range ph.passes[:ph.n] {
		p := &a.piv[id]
		way := 0
		if flexed && ph.dirs[x] < 0 {
			way = 1
		}
		lo[way], up[way] = min(lo[way], p.v), max(up[way], p.v)
		pace += p.pace / float64(ph.n)
		if p.lean != noLean {
			lean += p.lean
			leaning++
		}
		still += p.flat
		proms[x] = p.prom
		a.timeLegs(id, from.a, to.a, &t)
	}
	var dwell, far float64
	bottom, top := min(from.level, to.level), max(from.level, to.level)
	for x := from.next; x < len(a.piv) && a.piv[x].k < to.a; x++ {
		p := &a.piv[x]
		bottom, top = min(bottom, p.v), max(top, p.v)
		if p.kind != sense {
			dwell += p.flat
			far++
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
	f[evDepth] = math.Log(max(nth(proms[:ph.n], ph.n/2), 1e-9) / max(top-bottom, 1e-9))
	f[evStep] = math.Log(a.q)
	f[evSpeed] = pace
	f[evFarDwell] = math.Log(0.03 + dwell/max(far, 1))
	f[evLean] = noLean
	if leaning > 0 {
		f[evLean] = lean / leaning
	}
	if a.slide.n > 0 {
		f[evSlide] = 1
	}
	t.features(f)
	f[evDwell] = math.Log(0.01 + still/float64(ph.n))
}

// timing holds the legs beside the passes of a phase.
type timing struct {
	legs           [2 * maxPasses]float64 // µm
	tenths, halves [2 * maxPasses]float64 // shares of the time, from the pass on
	n, h           int
}

// timeLegs adds the legs on both sides of pivot id; those that end between bins first
// and last at a reversal are timed.
func (a *analyser) timeLegs(id, first, last int, t *timing) {
	p := &a.piv[id]
	for dir := -1; dir <= 1; dir += 2 {
		end, turns := 0, false
		switch j := id + dir; {
		case j < 0:
		case j == len(a.piv):
			end = len(a.sm) - 1
		default:
			end = a.piv[j].k
			turns = end > first && end < last
		}
		leg := math.Abs(a.sm[end] - p.v)
		if end == p.k || leg < 6*a.ss[p.k]+0.05 {
			continue
		}
		t.legs[t.n] = leg
		t.n++
		if !turns {
			continue
		}
		time := math.Abs(a.t[end] - p.t)
		x := p.k
		for x != end && math.Abs(a.sm[x]-p.v) < 0.1*leg {
			x += dir
		}
		at := a.t[x]
		if x != p.k {
			u, v := math.Abs(a.sm[x-dir]-p.v), math.Abs(a.sm[x]-p.v)
			at = a.t[x-dir] + (at-a.t[x-dir])*(0.1*leg-u)/(v-u)
		}
		t.tenths[t.h] = (math.Abs(at-p.t) + 0.5*a.period) / time
		// Between reversals the reading moves one way, but for noise.
		near, far := p.k, end
		for near-far > 1 || far-near > 1 {
			if mid := (near + far) / 2; math.Abs(a.sm[mid]-p.v) < leg/2 {
				near = mid
			} else {
				far = mid
			}
		}
		t.halves[t.h] = (math.Abs(a.t[far]-p.t) + 0.5*a.period) / (time + a.period)
		t.h++
	}
}

// features fills in what the legs tell.
func (t *timing) features(f *[evN]float64) {
	f[evTenth], f[evHalf], f[evLeg], f[evLastLeg] = noLean, noLeg, noLean, noLeg
	if t.n > 0 {
		last := t.legs[t.n-1]
		leg := nth(t.legs[:t.n], t.n/2)
		f[evLeg], f[evLastLeg] = math.Log(leg), last/leg
	}
	if t.h > 0 {
		f[evTenth], f[evHalf] = math.Log(nth(t.tenths[:t.h], t.h/2)), nth(t.halves[:t.h], t.h/2)
	}
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
