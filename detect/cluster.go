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

// weighSide works out how many of the reversals agree at the bound and the
// evidence of all of them: the passes share one value, the others lie anywhere.
func (a *analyser) weighSide(s *side, W, lnW float64) {
	s.caught, s.passes, s.flexed = math.Inf(-1), 0, false
	s.far = -float64(s.n) * lnW
	if s.n == 0 {
		return
	}
	a.prominence(s, W)
	idx := s.idx[:s.n]
	total := 0.0
	for _, id := range idx {
		total += a.piv[id].lnw
	}
	shape := &a.shapes
	var even, uneven float64
	for x, id := range idx {
		even += a.piv[id].even
		uneven += a.piv[id].uneven
		shape[x] = a.handsShape(even, uneven)
	}
	// The evidence that the first x+1 are passes, and that they are a hand's turns
	// at one place, whatever their shape.
	pass, stop := a.evidence[:s.n], a.stops[:s.n]
	for x := range idx {
		pass[x], stop[x] = math.Inf(-1), math.Inf(-1)
	}
	ref := a.piv[idx[0]].v
	for k, sp := range spreads {
		var sw, swv, swvv, ln float64
		rest := total
		for x, id := range idx {
			p := &a.piv[id]
			w := p.weight[k]
			d := p.v - ref
			sw += w
			swv += w * d
			swvv += w * d * d
			ln -= p.halfLn[k]
			chi := swvv - swv*swv/sw
			rest -= p.lnw
			var e, f float64
			if x == 0 {
				e, f = -total+shape[x]+sp.lnw, -total+sp.lnw
			} else {
				value := 0.5 * math.Log(2*math.Pi/sw)
				e = ln + shape[x] - 0.5*chi + value - lnW - rest + sp.lnw
				f = ln - 0.5*chi + value - lnW - rest + sp.lnw
			}
			if k > 0 {
				e, f = a.logAdd(pass[x], e), a.logAdd(stop[x], f)
			}
			pass[x], stop[x] = e, f
			if chi > 60 {
				break
			}
		}
	}
	flexed := a.flexed(idx, total, lnW, pass)
	best := math.Inf(-1)
	for x := range idx {
		turns := float64(s.n-x-1) * lnTurn
		if e := pass[x] + turns; e > s.caught {
			s.caught, s.passes = e, x+1
		}
		best = max(best, stop[x]+turns)
	}
	s.shape = shape[min(s.passes, maxPasses)-1]
	s.flexed = flexed && s.passes >= 3
	if s.n >= 2 {
		s.far = 0
		for _, id := range idx {
			s.far -= a.piv[id].lnw
		}
		s.far = a.logAdd(s.far, best+lnStopFar)
	}
}

// flexed adds to ev the evidence that the passes lie at two levels in turn: the
// frame gives to the hand, and neighbouring passes run in opposite directions.
// It reports whether that is the better explanation of the largest set.
func (a *analyser) flexed(idx []int, total, lnW float64, ev []float64) bool {
	const lnw = -1.6
	better := false
	order := &a.order
	rest := total
	best := math.Inf(-1)
	ref := a.piv[idx[0]].v
	for x, id := range idx {
		if math.Abs(a.piv[id].v-ref) > 1.2 {
			break
		}
		rest -= a.piv[id].lnw
		// The passes in order of time.
		k := x
		for k > 0 && order[k-1] > id {
			order[k] = order[k-1]
			k--
		}
		order[k] = id
		if x < 2 {
			continue
		}
		var m11, m12, m22, b1, b2, yy, ln float64
		m22 = 1 / (flexUM * flexUM)
		for r, o := range order[:x+1] {
			p := &a.piv[o]
			w, y, dir := p.flexWeight, p.v-ref, 1.0
			if r%2 == 1 {
				dir = -1
			}
			m11 += w
			m12 += w * dir
			m22 += w
			b1 += w * y
			b2 += w * dir * y
			yy += w * y * y
			ln -= p.flexHalfLn
		}
		det := m11*m22 - m12*m12
		rss := yy - (m22*b1*b1-2*m12*b1*b2+m11*b2*b2)/det
		e := ln + a.shapes[x] - 0.5*rss - lnW - math.Log(flexUM*2.5066) + math.Log(2*math.Pi) - 0.5*math.Log(det) - rest + lnw
		if e+float64(len(idx)-x-1)*lnTurn > best {
			best = e + float64(len(idx)-x-1)*lnTurn
			better = e > ev[x]
		}
		ev[x] = a.logAdd(ev[x], e)
	}
	return better
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

const (
	// flexUM is how much the frame may give to the hand, and flexSpreadUM how far
	// passes in one direction then differ, µm.
	flexUM       = 0.25
	flexSpreadUM = 0.04
)

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
