package detect

import (
	"math"
	"slices"
)

// hinge is a place where one phase may end and the next begin.
type hinge struct {
	a, b   int // bins
	level  float64
	s, t   float64
	seen   bool // level was read while at rest
	dur    float64
	cost   float64
	curved float64 // part of cost
	onWay  bool    // no reversal lies in it
	tStart float64
	far    int8    // kind of a deep reversal within the rest, 0 if there is none
	next   int     // the first pivot after it
	pause  float64 // what it costs as a pause within a phase
}

// buildHinges makes the hinges of the rests, of the beginning and of the end.
func (a *analyser) buildHinges() {
	a.hinges = a.hinges[:0]
	n := len(a.z)
	first := hinge{a: 0, b: 0, level: a.sm[0], s: a.ss[0], t: a.t[0]}
	rs := a.rests
	if len(rs) > 0 && a.t[rs[0].a]-a.t[0] < 0.4 {
		r := rs[0]
		first = hinge{a: 0, b: r.b, level: r.level, s: r.s, t: r.t, seen: true, dur: a.t[r.b] - a.t[r.a], tStart: a.t[r.a]}
		rs = rs[1:]
	}
	a.hinges = append(a.hinges, first)
	last := hinge{a: n - 1, b: n - 1, level: a.sm[n-1], s: a.ss[n-1], t: a.t[n-1], tStart: a.t[n-1]}
	a.endRest = false
	if len(rs) > 0 && a.t[n-1]-a.t[rs[len(rs)-1].b] < 0.4 {
		r := rs[len(rs)-1]
		last = hinge{a: r.a, b: r.b, level: r.level, s: r.s, t: r.t, seen: true, dur: a.t[r.b] - a.t[r.a], tStart: a.t[r.a]}
		rs = rs[:len(rs)-1]
		a.endRest = true
	}
	rs = a.withSlowSpots(rs, first.b, last.a)
	// Keep the longest rests if there are too many.
	minDur := 0.0
	keep := maxHinges - 2
	if a.live {
		keep = liveHinges
	}
	if len(rs) > keep {
		d := a.tmp[:0]
		for _, r := range rs {
			d = append(d, a.t[r.b]-a.t[r.a])
		}
		slices.Sort(d)
		minDur = d[len(d)-keep]
		a.tmp = d
	}
	for _, r := range rs {
		dur := a.t[r.b] - a.t[r.a]
		if dur < minDur || len(a.hinges) >= maxHinges-1 {
			continue
		}
		a.hinges = append(a.hinges, hinge{
			a: r.a, b: r.b, level: r.level, s: r.s, t: r.t, seen: true, dur: dur, tStart: a.t[r.a],
			cost: changeOver(dur) + r.curved, curved: r.curved, onWay: true,
		})
	}
	a.hinges = append(a.hinges, last)
	a.linkHinges()
	j := 0
	for i := range a.piv {
		p := &a.piv[i]
		for j < len(a.hinges)-1 && a.hinges[j].b+1 < p.k {
			j++
		}
		for x := j; x < len(a.hinges) && a.hinges[x].a-1 <= p.k; x++ {
			a.hinges[x].onWay = a.hinges[x].onWay && p.prom <= minPlayUM
		}
		for j < len(a.hinges)-1 && a.hinges[j].b < p.k {
			j++
		}
		if h := &a.hinges[j]; h.seen && h.a <= p.k && p.k <= h.b && p.prom > 0.5 {
			h.far = p.kind
		}
	}
}

// linkHinges notes the first pivot after each hinge, and what a rest costs as a pause
// in play.
func (a *analyser) linkHinges() {
	a.play.from = -1
	next := 0
	for i := range a.hinges {
		h := &a.hinges[i]
		for next < len(a.piv) && a.piv[next].k <= h.b {
			next++
		}
		h.next = next
		h.pause = min(1.5, 0.5*max(0, h.dur-2))
	}
}

// slowSeconds is the shortest halt on the way from one reversal to the next that
// may be a change of hands, s.
const slowSeconds = 0.2

// withSlowSpots adds to the rests the slowest place of every way between two
// reversals on which no rest lies, if the reading halts there: hands may change
// over faster than minRestSeconds. Only places between bins first and last count.
func (a *analyser) withSlowSpots(rs []rest, first, last int) []rest {
	a.slow = append(a.slow[:0], rs...)
	n := len(a.sm)
	t, sm := a.t[:n], a.sm
	L := math.Max(slowSeconds, 3*a.period)
	// Reversals at which the reading stands still.
	for i := range a.piv {
		p := &a.piv[i]
		if p.rest >= 0 || len(a.slow) >= maxPivots {
			continue
		}
		from, to := p.k, p.k
		near := math.Max(0.05, math.Max(4*a.ss[p.k], 1.05*a.q))
		for from > 0 && math.Abs(a.sm[from-1]-a.sm[p.k]) <= near {
			from--
		}
		for to < n-1 && math.Abs(a.sm[to+1]-a.sm[p.k]) <= near {
			to++
		}
		if a.t[to]-a.t[from] < L {
			continue
		}
		overlaps := false
		for _, r := range a.rests {
			overlaps = overlaps || r.a <= to && r.b >= from
		}
		if !overlaps && from > first && to < last {
			r := a.measureRest(from, to)
			r.curved -= math.Max(0, math.Max(p.even, p.uneven))
			a.slow = append(a.slow, r)
		}
	}
	// A halt stays within a band, which is no wider than this.
	widest := math.Inf(1)
	if !a.loud && a.half > 0 {
		widest = 1.001 * max(4.5*max(a.sigma, 0.25*a.q), 1.05*a.q, 0.035)
	}
	for i := 0; i+1 < len(a.piv); i++ {
		p, q := &a.piv[i], &a.piv[i+1]
		rested := false
		for _, r := range a.rests {
			rested = rested || r.a > p.k && r.b < q.k
		}
		if rested || math.Abs(q.v-p.v) < 0.5 {
			continue
		}
		best, from, to := widest, 0, 0
		hi := p.k
		for lo := p.k; lo < q.k; lo++ {
			now := t[lo]
			for hi < q.k && t[hi]-now < L {
				hi++
			}
			if t[hi]-now < L {
				break
			}
			d := math.Abs(sm[hi] - sm[lo])
			if d >= best {
				continue
			}
			mid := sm[(lo+hi)/2]
			near := max(0.12, 6*a.ss[lo], 1.5*a.q)
			if math.Abs(mid-sm[p.k]) < near || math.Abs(mid-sm[q.k]) < near {
				continue
			}
			best, from, to = d, lo, hi
		}
		if to == 0 {
			continue
		}
		band := math.Max(math.Max(4.5*a.ss[from], 1.05*a.q), 0.035)
		speed := math.Abs(q.v-p.v) / (a.t[q.k] - a.t[p.k])
		if best > band || best > 0.2*speed*(a.t[to]-a.t[from]) {
			continue
		}
		mid := a.sm[(from+to)/2]
		for from > p.k && math.Abs(a.sm[from-1]-mid) < 0.5*band {
			from--
		}
		for to < q.k && to < n-1 && math.Abs(a.sm[to+1]-mid) < 0.5*band {
			to++
		}
		if len(a.slow) < maxPivots && from > first && to < last {
			a.slow = append(a.slow, a.measureRest(from, to))
		}
	}
	slices.SortStableFunc(a.slow, func(x, y rest) int { return x.a - y.a })
	return a.slow
}

// mixUM is how far apart, µm, the saddles of two ways to change hands may be to
// be averaged; others are doubt.
const mixUM = 0.4

// changeOver is the logarithm of how much better a rest of dur seconds goes with
// a change of hands than with a pause in the play of one knob, up to a constant.
func changeOver(dur float64) float64 {
	x := math.Log(dur / 1.2)
	if x < 0 {
		return -0.3 + 1.2*x
	}
	return -0.3 + math.Min(1.2, 1.1*x)
}

// Weights of a place at which the hands may have changed over, beside others of
// the same entry: conditional logistic regression over the places of 3,200
// change-overs of two simulated hands. Half as many others confirmed it: the
// places taken with confidence that were wrong fell from 1.2 to 0.2 % and from
// 0.4 to 0.6 %, those left open from 7.9 to 4.5 % and from 4.4 to 5.9 %.
const (
	placePlay   = 0.6  // what the play on both sides says
	placeRest   = 2.65 // per e-fold of the rest's duration up to placeLong
	placeLong   = 4.0  // s
	placeOnWay  = 1.1  // no reversal in the rest: a hand that pauses turns back mostly
	placeBefore = 0.45 // each pass before it, up to placePasses
	placeAfter  = 1.2  // and after it
	placePasses = 4
)

// placePark corrects parking for rests that are passes themselves, by upper limits
// of the residual, µm.
var placePark = [...]struct{ um, w float64 }{{0.1, 0}, {0.3, 1.0}, {1, 0.25}, {3, -0.45}, {math.Inf(1), 0}}

// placeParkTop is the greatest of these.
const placeParkTop = 1.0

// placeScore is the logarithm of how well hinge h goes with a change of hands between
// the phases one and two, up to a constant.
func (a *analyser) placeScore(h int, one, two *phase) float64 {
	x := &a.hinges[h]
	w := x.curved + placeRest*math.Log(math.Min(x.dur, placeLong))
	w += placeBefore*float64(min(one.n, placePasses)) + placeAfter*float64(min(two.n, placePasses))
	if x.onWay {
		w += placeOnWay
	}
	left := -(x.level - one.value) * float64(a.sense(one.seek))
	for _, p := range placePark {
		if left < p.um {
			return w + p.w
		}
	}
	return w
}

// weighHinges asks how else the hands may have changed over: for every place
// between two neighbouring phases, what the saddle would be if it were another
// one, and how probable that is. The best place is kept. It sets doubt, the
// probability that the saddle lies elsewhere than the chain says, and blur, the
// spread of those that differ little, µm.
func (a *analyser) weighHinges() {
	d := &a.dec
	tol := math.Max(mixUM, math.Max(2*a.sigma, 2*a.q))
	for b := 0; b+1 < d.n; b++ {
		one, two := &d.ph[b], &d.ph[b+1]
		if !one.caught || !two.caught {
			continue
		}
		var at [maxHinges]place
		for h := one.from + 1; h < two.to; h++ {
			at[h] = place{score: math.Inf(-1), top: a.placeTop(one, two, h)}
		}
		// A place that is not worth a mention beside that of the chain is not looked at.
		least := math.Inf(-1)
		if h := one.to; h < two.to && a.weighBefore(one, h, &at[h]) && a.weighAfter(one, two, h, &at[h]) {
			least = at[h].score - lnNoPlace
		}
		for h := one.from + 1; h < two.to; h++ {
			if x := &at[h]; h != one.to {
				x.open = x.top >= least && a.weighBefore(one, h, x)
			}
		}
		best := -1
		for h := one.from + 1; h < two.to; h++ {
			x := &at[h]
			if x.open {
				a.weighAfter(one, two, h, x)
			}
			if !math.IsInf(x.score, -1) && (best < 0 || x.score > at[best].score) {
				best = h
			}
		}
		if best < 0 {
			continue
		}
		if best != one.to {
			caught1, caught2, from, to := one.caught, two.caught, one.from, two.to
			a.weigh(from, best, one.seek, one)
			a.weigh(best, to, two.seek, two)
			one.caught, two.caught = caught1, caught2
		}
		sum, off, blur := 0.0, 0.0, 0.0
		for h := one.from + 1; h < two.to; h++ {
			if math.IsInf(at[h].score, -1) {
				continue
			}
			w := math.Exp(at[h].score - at[best].score)
			if dv := at[h].saddle - at[best].saddle; math.Abs(dv) > tol {
				off += w
			} else {
				sum += w
				blur += w * dv * dv
			}
		}
		d.doubt = math.Max(d.doubt, off/(sum+off))
		d.blur = math.Max(d.blur, math.Sqrt(blur/sum))
	}
}

// lnNoPlace is how much less probable, as a logarithm, a place must be to be left out:
// nothing that is computed from it shows that.
const lnNoPlace = 60

// place is a hinge at which the hands may have changed over.
type place struct {
	top    float64 // what score does not exceed
	open   bool    // what comes after it is still to be weighed
	before float64 // evidence of the phase before it,
	n      int     // its passes
	value  float64 // and its extremum
	score  float64 // how probable the place is, as a logarithm
	saddle float64 // where the saddle lies then
}

// weighBefore weighs phase one as it is if it ends at hinge h; it reports whether it
// can.
func (a *analyser) weighBefore(one *phase, h int, x *place) bool {
	if !a.hinges[h].seen {
		return false
	}
	var p phase
	caught, _, ok := a.weigh(one.from, h, one.seek, &p)
	x.before, x.n, x.value = caught, p.n, p.value
	return ok && !math.IsInf(caught, -1)
}

// weighAfter weighs phase two as it is if it begins at hinge h, and with it the place;
// it reports whether it can.
func (a *analyser) weighAfter(one, two *phase, h int, x *place) bool {
	var q phase
	caught, _, ok := a.weigh(h, two.to, two.seek, &q)
	if !ok || math.IsInf(caught, -1) {
		return false
	}
	p := phase{seek: one.seek, n: x.n, value: x.value}
	x.score = placePlay*(x.before+caught) + a.placeScore(h, &p, &q) + a.echoes(&p, h, two.to)
	x.saddle = q.value - (a.hinges[h].level - p.value)
	return true
}

// placeTop bounds the score of a place.
func (a *analyser) placeTop(one, two *phase, h int) float64 {
	x := &a.hinges[h]
	if !x.seen {
		return math.Inf(-1)
	}
	c := placePlay * (a.pairs[pairOf(one.from, h)].seek[one.seek].caught + a.pairs[pairOf(h, two.to)].seek[two.seek].caught)
	return c + x.curved + placeRest*math.Log(min(x.dur, placeLong)) + (placeBefore+placeAfter)*placePasses + placeOnWay + placeParkTop
}

// echoes prices the reversals after hinge h that fall on the extremum of the
// phase before: passes over it that a wrong hinge leaves to the next phase.
func (a *analyser) echoes(ph *phase, h, to int) float64 {
	sense := a.sense(ph.seek)
	sum := 0.0
	for x := range a.piv {
		p := &a.piv[x]
		if p.k <= a.hinges[h].b || p.kind != sense {
			continue
		}
		if p.k >= a.hinges[to].a {
			break
		}
		if math.Abs(p.v-ph.value) < 0.08+2*p.s+0.3*a.q {
			sum += lnEcho
		}
	}
	return sum
}
