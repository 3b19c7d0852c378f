package narrow

import (
	"math"
	"sort"

	"ringsaddle/detect/detecttest"
)

// oracle estimates the saddle of a contact as well as can be by who knows the passes
// but not the motion. Values are µm beside the base, with the drift of step ref and
// without the speck if it went.
type oracle struct {
	*truth
	e      *entry
	ref    int
	gone   bool
	passes [][]int // of each phase, those that show
}

// estimate is the value of one extremum, its variance, µm², and when, ms.
type estimate struct{ value, variance, ms float64 }

// reading is the time (ms) and the value of reading i.
func (o *oracle) reading(i int) (ms, value float64) {
	r := o.tr.Readings[i]
	ms = o.ms(i)
	value = (float64(r.X)*detecttest.Step.MM() - o.baseMM) * 1e3
	value += o.driftPerMS() * (float64(o.ref) - ms)
	if o.gone && ms < float64(o.dust.goes) {
		value += o.dust.um
	}
	return ms, value
}

// ms is the time of reading i in steps.
func (o *oracle) ms(i int) float64 { return float64(o.tr.Readings[i].At-o.startNS) * 1e-6 }

// before returns how many readings were taken before a time, ms.
func (o *oracle) before(ms float64) int {
	return sort.Search(len(o.tr.Readings), func(i int) bool { return o.ms(i) >= ms })
}

// wanderVariance is what wander adds to a level, µm².
func (o *oracle) wanderVariance() float64 { return o.wander * o.wander * 0.45 }

// saddle takes the extremum of the last phase that was passed, and takes off what the
// other adjustment was left off its own. Where there is nothing to chain, not ok, the
// variance is that of what there is.
func (o *oracle) saddle() (value, variance float64, ok bool) {
	ph := o.e.phases
	variance = o.wanderVariance() + 0.5*o.hyst*o.hyst
	j := len(ph) - 1
	for j >= 0 && len(o.passes[j]) == 0 {
		j--
	}
	if j < 0 {
		return 0, variance + o.q*o.q/12, false
	}
	two, ok := o.extremum(j)
	if !ok {
		return 0, variance + o.q*o.q/12, false
	}
	variance += two.variance
	i := j - 1
	for i >= 0 && (ph[i].adj == ph[j].adj || len(o.passes[i]) == 0 && ph[i].manner != tooLow) {
		i--
	}
	if i < 0 {
		return 0, variance, false
	}
	if ph[i].manner == tooLow {
		const bound = 0.013 // µm, half of what the tilt may add
		return two.value, variance + bound*bound, true
	}
	one, ok := o.extremum(i)
	if !ok {
		return 0, variance, false
	}
	left, leftVariance := o.left(i, one)
	return two.value - left, variance + leftVariance, true
}

// left is how far the reading was left off the extremum one of phase i, signed, and
// its variance.
func (o *oracle) left(i int, one estimate) (d, variance float64) {
	to := float64(o.e.phases[i].to)
	from, until := to+max(300, min(1000, 3500*o.relaxT)), float64(o.e.phases[i+1].from)
	level, levelVariance := o.rest(from, until, one.value)
	bend := 0.3 * o.flexure * math.Exp(-(from-to)/1000/o.relaxT)
	levelVariance += bend*bend + 0.5*o.hyst*o.hyst
	for _, u := range o.bursts {
		if u.to > from && u.from < until {
			levelVariance += 0.003 * u.amp * u.amp
		}
	}
	d = level - one.value
	const wanderMS = 9000
	apart := math.Abs(one.ms - (from+until)/2)
	variance = levelVariance + one.variance + 2*o.wanderVariance()*(1-math.Exp(-apart/wanderMS))
	if o.q <= 0.5 {
		return d, variance
	}
	// Where the steps are coarse, what persons usually leave says more.
	const usual, usualVariance = 0.08, 0.15 * 0.15 // µm, µm²
	sense := 1.0 - 2*float64(o.e.phases[i].adj)
	d = sense * max(0, (sense*d*usualVariance+usual*variance)/(usualVariance+variance))
	variance = usualVariance * variance / (usualVariance + variance)
	return d, variance
}

// rest is the mean of the sound readings between two times, ms, and its variance;
// where there are none, another value has to do.
func (o *oracle) rest(from, until, other float64) (level, variance float64) {
	a, b := o.before(from), o.before(until)
	if b <= a {
		a = max(0, b-2)
	}
	n := 0.0
	for i := a; i < b; i++ {
		if o.tr.Bad[i] {
			continue
		}
		_, v := o.reading(i)
		level += v
		n++
	}
	if n == 0 {
		return other, 0.04
	}
	variance = o.q * o.q / 12 * min(1, max(0.5, o.q*2))
	if o.dithered() {
		variance /= n
	}
	return level / n, variance + o.noise*o.noise/n
}

// dithered reports whether the noise is enough for means to go below the step.
func (o *oracle) dithered() bool { return o.noise > 0.4*o.q }

// heap sums what the fits at passes in one direction say.
type heap struct{ weight, value, ms float64 }

func (h heap) mean() float64 { return h.value / h.weight }

// extremum weighs the passes of a phase: the directions alike if flexure parts them.
func (o *oracle) extremum(i int) (estimate, bool) {
	p := o.e.phases[i]
	pos := o.adjusted[p.adj]
	var up, down heap
	var weights, misfit float64 // the misfit of the curve has one sign: passes share it
	for _, x := range o.passes[i] {
		l, ok := o.fit(p, float64(x))
		if !ok {
			continue
		}
		w := 1 / (l.misfit + l.noise + 1e-5)
		weights += w
		misfit += w * l.misfit
		h := &down
		if pos[x] > pos[x-1] {
			h = &up
		}
		h.weight += w
		h.value += w * l.value
		h.ms += w * float64(x)
	}
	if weights == 0 {
		return estimate{}, false
	}
	var e estimate
	f := math.Abs(o.flexure)
	ways := up.weight > 0 && down.weight > 0
	if ways && f > 0.02 {
		e.value = (down.mean() + up.mean()) / 2
		e.ms = (down.ms/down.weight + up.ms/up.weight) / 2
		e.variance = (1/down.weight+1/up.weight)/4 + 0.001*f*f
	} else {
		w := down.weight + up.weight
		e = estimate{(down.value + up.value) / w, 1 / w, (down.ms + up.ms) / w}
		if ways {
			e.variance += 0.02 * f * f
		} else {
			e.variance += 0.8 * f * f
		}
	}
	if o.q < 0.5 {
		e.variance += 0.5 * misfit / weights
	}
	drift := 0.12 * o.driftPerMS() * (float64(o.ref) - e.ms)
	e.variance += drift * drift
	return e, true
}
