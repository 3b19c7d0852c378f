package detect

import (
	"math"
)

// play is what the reading did between two hinges, whichever adjustment moved it.
// It grows with the second hinge, so that the decision need not gather it anew for
// every pair.
type play struct {
	from, to int     // hinges
	next     int     // the first pivot beyond
	lo, up   float64 // range of its pivots, µm
	W, lnW   float64 // the range that it covers, µm, and its logarithm
	side     [2]side // its minima and its maxima
}

// side holds the reversals of one kind of a play, and what they say.
type side struct {
	sg    float64 // +1 for minima
	first int     // the first one; the others are every second pivot after it
	n     int
	idx   [maxOfKind]int // from the bound inwards

	// Where the adjustment seeks them: the evidence that the first passes of idx
	// share one value and the others are turn-backs, and whether the passes lie at
	// two levels in turn.
	caught float64
	passes int
	shape  float64 // what the shapes of the passes say together
	flexed bool
	// Where it does not: the evidence of the hand's turns on the far side.
	far float64
}

func (p *play) of(kind int8) *side { return &p.side[(kind+1)/2] }

// between returns the play between hinges i and j.
func (a *analyser) between(i, j int) *play {
	p := &a.play
	if p.from != i || p.to > j {
		*p = play{from: i, next: a.hinges[i].next, lo: math.Inf(1), up: math.Inf(-1)}
		p.side[0].sg, p.side[1].sg = 1, -1
	}
	p.to = j
	hi, hj := &a.hinges[i], &a.hinges[j]
	grown := false
	for ; p.next < len(a.piv) && a.piv[p.next].k < hj.a; p.next++ {
		v := &a.piv[p.next]
		p.lo, p.up = min(p.lo, v.v), max(p.up, v.v)
		if s := p.of(v.kind); s.n < len(s.idx) {
			s.add(a.piv, p.next)
			grown = true
		}
	}
	lo, up := min(p.lo, hi.level, hj.level), max(p.up, hi.level, hj.level)
	if W := max(1, 8*a.sigma, up-lo); grown || W != p.W {
		p.W, p.lnW = W, math.Log(W)
		for k := range p.side {
			a.weighSide(&p.side[k], W, p.lnW)
		}
	}
	return p
}

// add takes pivot id, the latest one, at its place from the bound inwards.
func (s *side) add(piv []pivot, id int) {
	if s.n == 0 {
		s.first = id
	}
	v := piv[id].v * s.sg
	k := s.n
	for k > 0 && piv[s.idx[k-1]].v*s.sg > v {
		s.idx[k] = s.idx[k-1]
		k--
	}
	s.idx[k] = id
	s.n++
}

// mixRoom is the room for the evidence of the sets of reversals that may be passes:
// the first one from the bound inwards, the first two, and so on. Set x holds x+1.
type mixRoom struct {
	n  [len(spreads)]int              // sets that are no nonsense, by spread
	at [len(spreads)][maxOfKind]agree // how well each agrees
	// Of each set: what its reversals have in favour of an even and of an uneven
	// hand, the evidence of those that are left over, and what no term of the
	// mixture exceeds, without the shape and of flexed passes.
	even, uneven, rest, top, topFlexed [maxOfKind]float64
	rank                               [maxOfKind]int // of the reversals in time
	near                               int            // sets that flexure may explain
}

// agree is the evidence of one value for a set of reversals that differ by no more
// than their noise and one of spreads: the parts of a Gaussian integral.
type agree struct{ ln, chi, sw float64 }

// lnTerms is more than a mixture may exceed its greatest term by: the logarithm of
// the number of terms, with the one of flexed passes, and of two hands.
const lnTerms = 2.4

// weighSide works out how many of the reversals agree at the bound and the
// evidence of all of them: the passes share one value, the others lie anywhere.
// The best set counts. So every set is bounded, and worked out only if it may be
// the best one.
func (a *analyser) weighSide(s *side, W, lnW float64) {
	s.caught, s.passes, s.flexed = math.Inf(-1), 0, false
	s.far = -float64(s.n) * lnW
	if s.n == 0 {
		return
	}
	a.prominence(s, W)
	m := &a.mix
	total := 0.0
	for _, id := range s.idx[:s.n] {
		total += a.piv[id].lnw
	}
	a.bound(s, total, lnW)
	turns := func(x int) float64 { return float64(s.n-x-1) * lnTurn }
	top := func(x int) float64 { return max(m.top[x]+m.likelier(x), m.topFlexed[x]) + turns(x) }
	best, bestFar := 0, 0
	for x := range s.n {
		if top(x) > top(best) {
			best = x
		}
		if m.top[x]+turns(x) > m.top[bestFar]+turns(bestFar) {
			bestFar = x
		}
	}
	caught := func(x int) {
		flexed := math.Inf(-1)
		if x >= 2 && x < m.near {
			flexed = a.flexed(s, x, lnW)
		}
		e := a.logAdd(a.sumUp(x, a.shapeOfSet(x), total, lnW), flexed) + turns(x)
		if e > s.caught || e == s.caught && x < s.passes {
			s.caught, s.passes = e, x+1
		}
	}
	caught(best)
	far := a.sumUp(bestFar, 0, total, lnW) + turns(bestFar)
	for x := range s.n {
		if x != best && top(x)+lnTerms >= s.caught {
			caught(x)
		}
		if x != bestFar && m.top[x]+turns(x)+lnTerms >= far {
			far = max(far, a.sumUp(x, 0, total, lnW)+turns(x))
		}
	}
	s.shape = a.shapeOfSet(min(max(s.passes, 1), maxPasses) - 1)
	s.flexed = s.passes >= 3 && a.flexedIsBetter(s, total, lnW)
	if s.n >= 2 {
		s.far = 0
		for _, id := range s.idx[:s.n] {
			s.far -= a.piv[id].lnw
		}
		s.far = a.logAdd(s.far, far+lnStopFar)
	}
}

// bound fills in a.mix for side s.
func (a *analyser) bound(s *side, total, lnW float64) {
	m, idx := &a.mix, s.idx[:s.n]
	first := &a.piv[idx[0]]
	var even, uneven, flexed float64
	rest := total
	m.near = 0
	for x, id := range idx {
		p := &a.piv[id]
		even += p.even
		uneven += p.uneven
		flexed -= p.flexHalfLn
		rest -= p.lnw
		m.even[x], m.uneven[x], m.rest[x] = even, uneven, rest
		m.top[x], m.topFlexed[x] = math.Inf(-1), math.Inf(-1)
		m.rank[(id-s.first)/2] = x
		if m.near == x && math.Abs(p.v-first.v) <= flexedUM {
			m.near++
			if x >= 2 {
				// The residuals vanish and the value is as uncertain as one pass.
				m.topFlexed[x] = flexed + m.likelier(x) - lnW + first.flexHalfLn - rest + lnFlexed
			}
		}
	}
	for k, sp := range spreads {
		var sw, swv, swvv, ln float64
		m.n[k] = s.n
		for x, id := range idx {
			p := &a.piv[id]
			w := p.weight[k]
			d := p.v - first.v
			sw += w
			swv += w * d
			swvv += w * d * d
			ln -= p.halfLn[k]
			chi := swvv - swv*swv/sw
			m.at[k][x] = agree{ln, chi, sw}
			// The value is at most as uncertain as one pass.
			m.top[x] = max(m.top[x], ln-0.5*chi+first.halfLn[k]-lnW-m.rest[x]+sp.lnw)
			if chi > 60 {
				m.n[k] = x + 1
				break
			}
		}
	}
	m.top[0] = -total
}

// likelier is what the shapes of set x say for the hand that they go with better.
func (m *mixRoom) likelier(x int) float64 {
	return max(lnEven+m.even[x], lnUneven+m.uneven[x])
}

// shapeOfSet is what the shapes of set x say.
func (a *analyser) shapeOfSet(x int) float64 {
	return a.handsShape(a.mix.even[x], a.mix.uneven[x])
}

// sumUp returns the evidence that set x are passes with one of spreads, and the
// others turn-backs; shape is what their shape says.
func (a *analyser) sumUp(x int, shape, total, lnW float64) float64 {
	m := &a.mix
	sum := math.Inf(-1)
	for k, sp := range spreads {
		if x >= m.n[k] {
			continue
		}
		e := -total + shape + sp.lnw
		if x > 0 {
			g := &m.at[k][x]
			e = g.ln + shape - 0.5*g.chi + 0.5*math.Log(2*math.Pi/g.sw) - lnW - m.rest[x] + sp.lnw
		}
		sum = a.logAdd(sum, e)
	}
	return sum
}

const (
	// flexUM is how much the frame may give to the hand, and flexSpreadUM how far
	// passes in one direction then differ, µm. Passes that differ by more than
	// flexedUM it does not explain.
	flexUM       = 0.25
	flexSpreadUM = 0.04
	flexedUM     = 1.2
	lnFlexed     = -1.6
)

// flexed returns the evidence that the passes of set x lie at two levels in turn:
// the frame gives to the hand, and neighbouring passes run in opposite directions.
func (a *analyser) flexed(s *side, x int, lnW float64) float64 {
	m := &a.mix
	ref := a.piv[s.idx[0]].v
	var m11, m12, m22, b1, b2, yy, ln float64
	m22 = 1 / (flexUM * flexUM)
	dir := 1.0
	for t, rank := range m.rank[:s.n] {
		if rank > x {
			continue
		}
		p := &a.piv[s.first+2*t]
		w, y := p.flexWeight, p.v-ref
		m11 += w
		m12 += w * dir
		m22 += w
		b1 += w * y
		b2 += w * dir * y
		yy += w * y * y
		ln -= p.flexHalfLn
		dir = -dir
	}
	det := m11*m22 - m12*m12
	rss := yy - (m22*b1*b1-2*m12*b1*b2+m11*b2*b2)/det
	return ln + a.shapeOfSet(x) - 0.5*rss - lnW - math.Log(flexUM*2.5066) + math.Log(2*math.Pi) - 0.5*math.Log(det) - m.rest[x] + lnFlexed
}

// flexedIsBetter reports whether flexure explains the set that it explains best
// better than one value does.
func (a *analyser) flexedIsBetter(s *side, total, lnW float64) bool {
	m := &a.mix
	set, flexed, best := -1, 0.0, math.Inf(-1)
	for x := m.near - 1; x >= 2; x-- {
		turns := float64(s.n-x-1) * lnTurn
		if m.topFlexed[x]+turns+lnTerms < best {
			continue
		}
		e := a.flexed(s, x, lnW)
		if e+turns >= best {
			set, flexed, best = x, e, e+turns
		}
	}
	return set >= 0 && flexed > a.sumUp(set, a.shapeOfSet(set), total, lnW)
}

// prominence gives each of the reversals of s the range over which it could lie
// had the hand turned at will: the climb that separates it from the next reversal
// beyond it, at most W. So wiggles prove nothing.
func (a *analyser) prominence(s *side, W float64) {
	first, last := s.first, s.first+2*(s.n-1)
	for id := first; id <= last; id += 2 {
		p := &a.piv[id]
		climb := W
		if p.before >= first {
			climb = min(climb, p.climbBefore)
		}
		if p.after <= last {
			climb = min(climb, p.climbAfter)
		}
		if room := max(climb, 0.05, 2*p.s); room != p.room {
			p.room, p.lnw = room, math.Log(room)
		}
	}
}

// findClimbs finds for every pivot the nearest ones of its kind beyond it, before
// and after, and how far the reading climbs on the way there.
func (a *analyser) findClimbs() {
	for id := range a.piv {
		p := &a.piv[id]
		p.before, p.after = -1, len(a.piv)
		sg := -float64(p.kind)
		v := p.v * sg
		for _, step := range [2]int{-1, 1} {
			top := v
			for y := id + step; y >= 0 && y < len(a.piv); y += step {
				u := a.piv[y].v * sg
				top = max(top, u)
				if a.piv[y].kind != p.kind || u > v || u == v && y > id {
					continue
				}
				if step < 0 {
					p.before, p.climbBefore = y, top-v
				} else {
					p.after, p.climbAfter = y, top-v
				}
				break
			}
		}
	}
}

// weighPivots works out what the evidence needs of every pivot.
func (a *analyser) weighPivots() {
	rounding := 0.0
	if a.coarse {
		rounding = a.q * a.q / 12
	}
	for i := range a.piv {
		p := &a.piv[i]
		for k, sp := range spreads {
			v := p.s*p.s + sp.s*sp.s + rounding
			p.weight[k], p.halfLn[k] = 1/v, 0.5*math.Log(2*math.Pi*v)
		}
		v := p.s*p.s + flexSpreadUM*flexSpreadUM + rounding
		p.flexWeight, p.flexHalfLn = 1/v, 0.5*math.Log(2*math.Pi*v)
	}
	a.findClimbs()
}
