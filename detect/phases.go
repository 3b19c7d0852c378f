package detect

import (
	"math"
	"slices"
)

// The decision. An entry is a chain of phases, in each of which one adjustment
// is played; between two phases the reading rests while the hand changes over.
// Every way to divide the entry at its rests is weighed by how probable it
// makes the reversals that were seen:
//
//   - passes over the extremum repeat at one value, within the noise of the
//     fits and a spread from touch and wander;
//   - turn-backs of the hand may lie anywhere within the range of the phase, on
//     the permitted side of the extremum; more rarely they repeat, as at an end
//     stop;
//   - a phase that was finished leaves the reading near its extremum.

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
}

// phase is a stretch of the entry under one hypothesis.
type phase struct {
	seek    int
	from    int // hinges
	to      int
	caught  bool
	n       int // passes
	passes  [maxPasses]int
	value   float64 // extremum, in the coordinates of the analysis
	odds    float64 // log odds of caught against not caught
	stopped bool    // own reversals look like an end stop
}

const (
	maxPasses = 12
	maxHinges = 40
	// liveHinges is how many rests a provisional look considers: the longest.
	liveHinges = 12
	maxPhases  = 5
)

// decision is the most probable chain of phases and how sure it is.
type decision struct {
	n     int
	ph    [maxPhases]phase
	logp  [4]float64 // best score by mask of caught seeks
	prob  [2]float64 // probability that the claim for each seek holds
	mask  int        // caught seeks
	doubt float64    // probability that the hands changed over elsewhere and it matters
	blur  float64    // what it may matter otherwise, µm
	end   [4][2]int8 // where the best chain of each mask ends
}

// Priors and scales of the decision.
const (
	lnCross    = -0.05 // an adjustment that was played was carried over its extremum
	lnNotCross = -2.5
	lnStopFar  = -4.5 // turn-backs that repeat
	lnStopNear = -5.0 // turn-backs short of the extremum that repeat
	lnMore     = -2.0 // each phase beyond the second
	lnOne      = -2.5 // one phase only
	lnTurn     = -0.7 // a turn-back short of the extremum
	lnHingeFar = -2.0 // the hands change over at a turn-back
	lnEcho     = -1.5 // a reversal of the next phase falls on this one's extremum
	lnEarly    = -4.0 // the hands change over at a rest that is not the last one
	parkNear   = 0.15 // µm
	parkWide   = 0.5  // µm
)

// spreads are the scales of disagreement between passes, µm, with the logarithms
// of their weights.
var spreads = [...]struct{ s, lnw float64 }{{0.03, -0.69}, {0.1, -1.05}, {0.3, -2.0}}

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

// weigh computes the scores of the stretch between hinges i and j as a phase of
// seek k: caught and not caught.
func (a *analyser) weigh(i, j, k int, ph *phase) (caught, not float64, ok bool) {
	hi, hj := &a.hinges[i], &a.hinges[j]
	sense := a.sense(k)
	sg := -float64(sense) // +1 for a minimum
	var own, opp [64]int
	nOwn, nOpp := 0, 0
	firstPiv, lastPiv := -1, -1
	lo, up := math.Inf(1), math.Inf(-1)
	see := func(v float64) { lo, up = math.Min(lo, v), math.Max(up, v) }
	see(hi.level)
	see(hj.level)
	for x := range a.piv {
		p := &a.piv[x]
		if p.k <= hi.b {
			continue
		}
		if p.k >= hj.a {
			break
		}
		see(p.v)
		lastPiv = x
		if firstPiv < 0 {
			firstPiv = x
		}
		if p.kind == sense {
			if nOwn < len(own) {
				own[nOwn] = x
				nOwn++
			}
		} else if nOpp < len(opp) {
			opp[nOpp] = x
			nOpp++
		}
	}
	*ph = phase{seek: k, from: i, to: j}
	W := math.Max(math.Max(1, 8*a.sigma), up-lo)
	lnW := math.Log(W)
	// A long rest in the middle of a phase asks for an explanation.
	dwell := 0.0
	for x := i + 1; x < j; x++ {
		dwell -= math.Min(1.5, 0.5*math.Max(0, a.hinges[x].dur-2))
	}
	// Another rest before the first reversal: the hands changed over there.
	if i > 0 && i+1 < j && (firstPiv < 0 || a.hinges[i+1].b < a.piv[firstPiv].k) {
		dwell += lnEarly
	}
	// Far side.
	far := -float64(nOpp) * lnW
	if nOpp >= 2 {
		a.prominence(opp[:nOpp], -sg, W)
		e, _ := a.cluster(opp[:nOpp], -sg, lnW, false)
		far = 0
		for _, x := range opp[:nOpp] {
			far -= a.piv[x].lnw
		}
		far = logAdd(far, e+lnStopFar)
	}
	parkOff := 0.0
	if hj.seen {
		parkOff = -lnW
	}
	if hj.far == -sense {
		dwell += lnHingeFar
	}
	far += dwell
	not = lnNotCross + far - float64(nOwn)*lnW + parkOff
	if nOwn == 0 {
		return math.Inf(-1), not, nOpp > 0 || math.Abs(hi.level-hj.level) > 0
	}
	a.prominence(own[:nOwn], sg, W)
	not = lnNotCross + far + parkOff
	for _, x := range own[:nOwn] {
		not -= a.piv[x].lnw - lnTurn
	}
	e, n := a.cluster(own[:nOwn], sg, lnW, true)
	flexed := a.flexedPasses
	// own is sorted by cluster: the first n are the passes.
	if n > maxPasses {
		n = maxPasses
	}
	ph.n = n
	var sw, swv float64
	for x := range n {
		p := &a.piv[own[x]]
		w := 1 / (p.s*p.s + 0.0025)
		sw += w
		swv += w * p.v
	}
	ph.value = swv / sw
	copy(ph.passes[:], own[:n])
	slices.Sort(ph.passes[:n])
	if flexed {
		// The mean of both directions.
		var sum, cnt [2]float64
		for x, id := range ph.passes[:n] {
			sum[x%2] += a.piv[id].v
			cnt[x%2]++
		}
		ph.value = 0.5 * (sum[0]/cnt[0] + sum[1]/cnt[1])
	}
	caught = lnCross + far + e
	stop, parkStop := math.Inf(-1), parkOff
	if n >= 2 || hj.seen {
		stop = lnNotCross + lnStopNear + far + e
		for _, x := range own[:n] {
			stop -= a.piv[x].abrupt
		}
	}
	// Nothing may lie beyond the extremum.
	tol := 0.1 + 3*math.Sqrt(1/sw)
	viol := 0.0
	if hi.seen {
		viol = math.Max(viol, (ph.value-hi.level)*sg-tol-3*hi.s)
	}
	if viol > 0 {
		z := viol / (0.1 + a.sigma)
		caught -= 0.5 * z * z
	}
	if hj.seen && a.piv[lastPiv].kind == sense && math.Abs(a.piv[lastPiv].v-hj.level) < math.Max(0.05, 4*math.Hypot(a.piv[lastPiv].s, hj.s)) {
		// The last pass and the rest are one event; it counts once.
		x := (hj.level - ph.value) * sg
		if x < 0 {
			z := x / math.Sqrt(hj.s*hj.s+1/sw+0.0064)
			caught -= 0.5 * math.Min(z*z, 400)
		}
		caught += parkOff
		if n < 2 {
			stop = math.Inf(-1)
		}
	} else if hj.seen {
		x := (hj.level - ph.value) * sg
		s := math.Sqrt(hj.s*hj.s + 1/sw + 0.0064)
		d := 0.0
		if x < 0 {
			z := x / s
			d = -0.5 * math.Min(z*z, 400)
			x = 0
		}
		dens := 0.6/parkNear*math.Exp(-x/parkNear) + 0.25/parkWide*math.Exp(-x/parkWide) + 0.15/W
		if s > parkNear {
			dens = math.Min(dens, 1/s)
		}
		caught += d + math.Log(dens)
		// A hand that always comes back to one place also rests there.
		ss := math.Sqrt(s*s + 0.09*a.q*a.q)
		z := (hj.level - ph.value) / ss
		parkStop = math.Log(0.7*math.Exp(-0.5*z*z)/(ss*2.5066) + 0.3/W)
	}
	not = logAdd(not, stop+parkStop)
	ph.odds = caught - not
	return caught, not, true
}

// cluster finds how many of the reversals idx (of one kind, sg +1 for minima)
// agree at the bound and returns the evidence of all of them: the passes share
// one value, the others lie anywhere. It sorts idx from the bound inwards.
func (a *analyser) cluster(idx []int, sg, lnW float64, shape bool) (float64, int) {
	slices.SortFunc(idx, func(x, y int) int {
		u, v := a.piv[x].v*sg, a.piv[y].v*sg
		switch {
		case u < v:
			return -1
		case u > v:
			return 1
		}
		return x - y
	})
	total := 0.0
	for _, id := range idx {
		total += a.piv[id].lnw
	}
	var ev [64]float64
	for x := range idx {
		ev[x] = math.Inf(-1)
	}
	ref := a.piv[idx[0]].v
	for _, sp := range spreads {
		var sw, swv, swvv, ln float64
		rest := total
		for x, id := range idx {
			p := &a.piv[id]
			v := p.s*p.s + sp.s*sp.s
			if a.coarse {
				v += a.q * a.q / 12
			}
			w := 1 / v
			d := p.v - ref
			sw += w
			swv += w * d
			swvv += w * d * d
			ln -= 0.5 * math.Log(2*math.Pi*v)
			if shape {
				ln += p.round
			}
			chi := swvv - swv*swv/sw
			rest -= p.lnw
			e := ln - 0.5*chi + 0.5*math.Log(2*math.Pi/sw) - lnW - rest + sp.lnw
			if x == 0 {
				e = -total + sp.lnw
				if shape {
					e += p.round
				}
			}
			ev[x] = logAdd(ev[x], e)
			if chi > 60 {
				break
			}
		}
	}
	flexed := false
	if shape {
		flexed = a.flexed(idx, total, lnW, ev[:len(idx)])
	}
	best, bestN := math.Inf(-1), 0
	for x := range idx {
		if e := ev[x] + float64(len(idx)-x-1)*lnTurn; e > best {
			best, bestN = e, x+1
		}
	}
	a.flexedPasses = flexed && bestN >= 3
	return best, bestN
}

// flexed adds to ev the evidence that the passes lie at two levels in turn: the
// frame gives to the hand, and neighbouring passes run in opposite directions.
// It reports whether that is the better explanation of the largest set.
func (a *analyser) flexed(idx []int, total, lnW float64, ev []float64) bool {
	const spread, flex, lnw = 0.04, 0.25, -1.6
	better := false
	var order [64]int
	rest := total
	round := 0.0
	best := math.Inf(-1)
	for x, id := range idx {
		rest -= a.piv[id].lnw
		round += a.piv[id].round
		// The passes in order of time.
		k := x
		for k > 0 && order[k-1] > id {
			order[k] = order[k-1]
			k--
		}
		order[k] = id
		if x < 2 || math.Abs(a.piv[id].v-a.piv[idx[0]].v) > 1.2 {
			continue
		}
		ref := a.piv[idx[0]].v
		var m11, m12, m22, b1, b2, yy, ln float64
		m22 = 1 / (flex * flex)
		for r, o := range order[:x+1] {
			p := &a.piv[o]
			v := p.s*p.s + spread*spread
			if a.coarse {
				v += a.q * a.q / 12
			}
			w, y, dir := 1/v, p.v-ref, 1.0
			if r%2 == 1 {
				dir = -1
			}
			m11 += w
			m12 += w * dir
			m22 += w
			b1 += w * y
			b2 += w * dir * y
			yy += w * y * y
			ln -= 0.5 * math.Log(2*math.Pi*v)
		}
		det := m11*m22 - m12*m12
		rss := yy - (m22*b1*b1-2*m12*b1*b2+m11*b2*b2)/det
		e := ln + round - 0.5*rss - lnW - math.Log(flex*2.5066) + math.Log(2*math.Pi) - 0.5*math.Log(det) - rest + lnw
		if e+float64(len(idx)-x-1)*lnTurn > best {
			best = e + float64(len(idx)-x-1)*lnTurn
			better = e > ev[x]
		}
		ev[x] = logAdd(ev[x], e)
	}
	return better
}

// prominence gives each of the reversals idx (in order of time) the range over
// which it could lie had the hand turned at will: the climb that separates it
// from the next reversal beyond it, at most W. So wiggles prove nothing.
func (a *analyser) prominence(idx []int, sg, W float64) {
	for x, id := range idx {
		v := a.piv[id].v * sg
		climb := W
		for _, step := range [2]int{-1, 1} {
			top := v
			y := id + step
			lo, hi := idx[0], idx[len(idx)-1]
			for y >= lo && y <= hi {
				u := a.piv[y].v * sg
				top = math.Max(top, u)
				if a.piv[y].kind == a.piv[id].kind && (u < v || u == v && y < id) {
					climb = math.Min(climb, top-v)
					break
				}
				y += step
			}
		}
		_ = x
		a.piv[id].lnw = math.Log(math.Max(climb, math.Max(0.05, 2*a.piv[id].s)))
	}
}

// node is the best chain that ends at a hinge, by its last seek, by the seeks
// caught in it, and by its number of phases.
type node struct {
	score float64
	from  int16
	mask  int8
	not   bool
	idle  bool
}

type chainTable [maxHinges][3][4][maxPhases + 1]node

// decide finds the most probable chain, and the most probable one for each set
// of seeks caught.
func (a *analyser) decide() {
	a.buildHinges()
	H := len(a.hinges)
	best := &a.table
	for h := range H {
		for k := range 3 {
			for m := range 4 {
				for n := range maxPhases + 1 {
					best[h][k][m][n].score = math.Inf(-1)
				}
			}
		}
	}
	best[0][0][0][0] = node{score: 0, from: -1}
	var ph phase
	for j := 1; j < H; j++ {
		for i := range j {
			a.extend(i, j, &ph)
		}
	}
	d := &a.dec
	top := math.Inf(-1)
	for m := range d.logp {
		d.logp[m] = math.Inf(-1)
		for k := range 3 {
			for n := range maxPhases + 1 {
				s := best[H-1][k][m][n].score
				if n < 2 {
					s += lnOne
				}
				if s > d.logp[m] {
					d.logp[m] = s
					d.end[m] = [2]int8{int8(k), int8(n)}
				}
			}
		}
		if d.logp[m] > top {
			top, d.mask = d.logp[m], m
		}
	}
	if math.IsInf(top, -1) {
		d.mask = 0
		return
	}
	sum := 0.0
	for m := range 4 {
		sum += math.Exp(d.logp[m] - top)
	}
	for k := range 2 {
		pr := 0.0
		for m := range 4 {
			if (m>>k)&1 == (d.mask>>k)&1 {
				pr += math.Exp(d.logp[m] - top)
			}
		}
		d.prob[k] = pr / sum
	}
	a.walk(d.mask, d)
}

// extend carries all chains that end at hinge i on to hinge j.
func (a *analyser) extend(i, j int, ph *phase) {
	best := &a.table
	if a.idleBetween(i, j) {
		for last := range 3 {
			for m := range 4 {
				for n := range maxPhases + 1 {
					s := best[i][last][m][n].score
					if c := s - 0.05; c > best[j][last][m][n].score {
						best[j][last][m][n] = node{score: c, from: int16(i), mask: int8(m), idle: true}
					}
				}
			}
		}
	}
	for k := range 2 {
		caught, not, ok := a.weigh(i, j, k, ph)
		if !ok {
			continue
		}
		for last := range 3 {
			if last == k+1 {
				continue
			}
			for m := range 4 {
				for n := range maxPhases {
					s := best[i][last][m][n].score
					if math.IsInf(s, -1) {
						continue
					}
					s += a.hinges[i].cost
					if n >= 2 {
						s += lnMore
					}
					if c := s + not; c > best[j][k+1][m][n+1].score {
						best[j][k+1][m][n+1] = node{score: c, from: int16(i), mask: int8(m), not: true}
					}
					m2 := m | 1<<k
					if c := s + caught; c > best[j][k+1][m2][n+1].score {
						best[j][k+1][m2][n+1] = node{score: c, from: int16(i), mask: int8(m)}
					}
				}
			}
		}
	}
}

// walk writes the best chain that catches the seeks of mask into d.
func (a *analyser) walk(mask int, d *decision) {
	best := &a.table
	j := len(a.hinges) - 1
	k, m, n := int(d.end[mask][0]), mask, int(d.end[mask][1])
	d.n = n
	rested := -1
	for j > 0 {
		nd := best[j][k][m][n]
		if nd.idle {
			if rested < 0 {
				rested = j
			}
			j = int(nd.from)
			continue
		}
		if n == 0 {
			break
		}
		a.weigh(int(nd.from), j, k-1, &d.ph[n-1])
		d.ph[n-1].caught = !nd.not
		if rested >= 0 {
			// What was left stayed as it was; the last rest tells it.
			d.ph[n-1].to = rested
			rested = -1
		}
		n--
		pk := 0
		if n > 0 {
			pk = 3 - k
		}
		j, k, m = int(nd.from), pk, int(nd.mask)
	}
}

// idleBetween reports whether nothing was played between two hinges.
func (a *analyser) idleBetween(i, j int) bool {
	hi, hj := &a.hinges[i], &a.hinges[j]
	for x := range a.piv {
		p := &a.piv[x]
		if p.k > hi.b && p.k < hj.a {
			return false
		}
	}
	s := math.Hypot(hi.s, hj.s)
	return hi.seen && hj.seen && math.Abs(hi.level-hj.level) < math.Max(0.06, 4*s)
}

func logAdd(a, b float64) float64 {
	if a < b {
		a, b = b, a
	}
	if math.IsInf(b, -1) {
		return a
	}
	return a + math.Log1p(math.Exp(b-a))
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
