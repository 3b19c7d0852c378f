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
	tStart float64
	far    int8 // kind of a deep reversal within the rest, 0 if there is none
	next   int  // the first pivot after it
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
			cost: -0.3 - math.Max(0, 1.2*math.Log(1.2/dur)) + r.curved,
		})
	}
	a.hinges = append(a.hinges, last)
	a.linkHinges()
	j := 0
	for i := range a.piv {
		p := &a.piv[i]
		for j < len(a.hinges)-1 && a.hinges[j].b < p.k {
			j++
		}
		if h := &a.hinges[j]; h.seen && h.a <= p.k && p.k <= h.b && p.prom > 0.5 {
			h.far = p.kind
		}
	}
}

// linkHinges notes the first pivot after each hinge.
func (a *analyser) linkHinges() {
	next := 0
	for i := range a.hinges {
		h := &a.hinges[i]
		for next < len(a.piv) && a.piv[next].k <= h.b {
			next++
		}
		h.next = next
	}
}

// weighHinges asks how else the hands may have changed over: for every place
// between two neighbouring phases, what the saddle would be if it were another
// one, and how probable that is. The best place is kept. It sets doubt, the
// probability that the saddle lies elsewhere than the chain says, and blur, the
// spread of those that differ little, µm.
func (a *analyser) weighHinges() {
	d := &a.dec
	tol := math.Max(0.12, math.Max(2*a.sigma, 2*a.q))
	var p, q phase
	for b := 0; b+1 < d.n; b++ {
		one, two := &d.ph[b], &d.ph[b+1]
		if !one.caught || !two.caught {
			continue
		}
		var score, saddle [maxHinges]float64
		best := -1
		for h := one.from + 1; h < two.to; h++ {
			score[h] = math.Inf(-1)
			if !a.hinges[h].seen {
				continue
			}
			c1, _, ok1 := a.weigh(one.from, h, one.seek, &p)
			c2, _, ok2 := a.weigh(h, two.to, two.seek, &q)
			if !ok1 || !ok2 || math.IsInf(c1, -1) || math.IsInf(c2, -1) {
				continue
			}
			score[h] = c1 + c2 + a.hinges[h].cost + a.echoes(&p, h, two.to)
			saddle[h] = q.value - (a.hinges[h].level - p.value)
			if best < 0 || score[h] > score[best] {
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
			if math.IsInf(score[h], -1) {
				continue
			}
			w := math.Exp(score[h] - score[best])
			sum += w
			if dv := math.Abs(saddle[h] - saddle[best]); dv > tol {
				off += w
			} else {
				blur += w * dv * dv
			}
		}
		d.doubt = math.Max(d.doubt, off/sum)
		d.blur = math.Max(d.blur, math.Sqrt(blur/sum))
	}
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
