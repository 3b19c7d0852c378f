package detect

import (
	"math"
	"math/bits"
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

	// The sets of reversals that may be passes: the first one from the bound
	// inwards, the first two, and so on. Set x holds x+1.
	set   [maxOfKind]sideSet
	at    [maxOfKind][len(spreads)]agree // how well each set agrees, by spread
	cut   [len(spreads)]int              // sets from here on are nonsense
	near  int                            // sets that flexure may explain
	bends bool                           // flexure may explain one better than one value
	total float64                        // the evidence of all as turn-backs, less
	// What a bound says without further work: the sets that may be the best one, and
	// what far does not exceed.
	likely uint64
	topFar float64

	// Where the adjustment seeks them: the evidence that the first passes of idx
	// share one value and the others are turn-backs, and whether the passes lie at
	// two levels in turn. Worked out when it is asked for.
	weighed bool
	caught  float64
	passes  int
	shape   float64 // what the shapes of the passes say together
	flexed  bool
	// Where it does not: the evidence of the hand's turns on the far side.
	weighedFar bool
	far        float64
}

// sideSet is what is known of a set of reversals that may be passes: what they have in
// favour of an even and of an uneven hand and what that makes, the evidence of those
// that are left over, and what does not depend on the range: the evidence of one value
// and of two levels in turn, which it does not exceed; for the former that is hardly
// more than it is.
type sideSet struct {
	even, uneven, like float64
	flexLn, weights    float64 // sums
	least              float64 // of the weights
	rest               float64
	one, two           float64
	sw, swv            float64 // sums for the value, which counts from the bound
}

func (p *play) of(kind int8) *side { return &p.side[(kind+1)/2] }

// between returns the play between hinges i and j.
func (a *analyser) between(i, j int) *play {
	p := &a.play
	if p.from != i || p.to > j {
		p.from, p.next, p.lo, p.up, p.W = i, a.hinges[i].next, math.Inf(1), math.Inf(-1), 0
		p.side[0].sg, p.side[1].sg = 1, -1
		p.side[0].n, p.side[1].n = 0, 0
	}
	p.to = j
	hi, hj := &a.hinges[i], &a.hinges[j]
	grown := [2]int{maxOfKind, maxOfKind} // from this set on
	for ; p.next < len(a.piv) && a.piv[p.next].k < hj.a; p.next++ {
		v := &a.piv[p.next]
		p.lo, p.up = min(p.lo, v.v), max(p.up, v.v)
		if s := p.of(v.kind); s.n < len(s.idx) {
			at := &grown[(v.kind+1)/2]
			*at = min(*at, s.add(a.piv, p.next))
		}
	}
	lo, up := min(p.lo, hi.level, hj.level), max(p.up, hi.level, hj.level)
	wider := false
	if W := max(1, 8*a.sigma, up-lo); W != p.W {
		p.W, p.lnW, wider = W, math.Log(W), true
	}
	for k := range p.side {
		s := &p.side[k]
		if grown[k] < s.n {
			a.sum(s, grown[k])
		}
		if wider || grown[k] < s.n {
			a.spread(s, p.W, p.lnW)
		}
	}
	return p
}

// add takes pivot id, the latest one, at its place from the bound inwards, and returns
// that.
func (s *side) add(piv []pivot, id int) int {
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
	return k
}

// agree is the evidence of one value for a set of reversals that differ by no more
// than their noise and one of spreads: the parts of a Gaussian integral, and the
// sums that lead there.
type agree struct{ ln, chi, sw, swv, swvv float64 }

const (
	// lnLoose is by how much the bounds of one value, which take logarithms roughly,
	// may exceed it.
	lnLoose = 0.02
	// lnAllSpreads is more than the logarithm of the weights of spreads together.
	lnAllSpreads = 0.014
	// lnSlip is more than the rounding of a sum of logarithms.
	lnSlip = 1e-6
)

// sum works out what does not depend on the range for the sets of s from set from on.
func (a *analyser) sum(s *side, from int) {
	first := &a.piv[s.idx[0]]
	t := sideSet{least: math.Inf(1)}
	if from > 0 {
		t = s.set[from-1]
	}
	near := min(s.near, from)
	for k := range s.cut {
		if from == 0 || s.cut[k] > from {
			s.cut[k] = maxOfKind
		}
	}
	for x := from; x < s.n; x++ {
		p := &a.piv[s.idx[x]]
		t.even += p.even
		t.uneven += p.uneven
		t.like = a.roughAdd(lnEven+t.even, lnUneven+t.uneven)
		t.sw += p.share
		t.swv += p.share * (p.v - first.v)
		t.flexLn -= p.flexHalfLn
		t.weights += p.flexWeight
		t.least = min(t.least, p.flexWeight)
		t.one, t.two = math.Inf(-1), math.Inf(-1)
		if near == x && math.Abs(p.v-first.v) <= flexedUM {
			near++
			if x >= 2 {
				// The first and the last one show the flexure at least, and each
				// direction has half of the passes.
				d := p.v - first.v
				chi := d * d / (4*flexUM*flexUM + 1/p.flexWeight + 1/first.flexWeight)
				det := t.weights/(flexUM*flexUM) + 4*float64((x+1)/2)*float64((x+2)/2)*t.least*t.least
				t.two = t.flexLn - 0.5*(chi+lnBelow(det)) + lnTwoPi - lnFlexWide + lnFlexed
			}
		}
		here := &s.at[x]
		d := p.v - first.v
		for k := range here {
			if x >= s.cut[k] {
				continue
			}
			g, w := &here[k], p.weight[k]
			ln, sw, swv, swvv := -p.halfLn[k], w, w*d, w*d*d
			if x > 0 {
				was := &s.at[x-1][k]
				ln, sw, swv, swvv = was.ln+ln, was.sw+sw, was.swv+swv, was.swvv+swvv
			}
			chi := swvv - swv*swv/sw
			*g = agree{ln, chi, sw, swv, swvv}
			if x > 0 {
				// A single one says nothing about the spread.
				t.one = a.roughAdd(t.one, ln-0.5*chi+0.5*(lnTwoPi-lnBelow(sw))+spreads[k].lnw)
			}
			if chi > 60 {
				s.cut[k] = x + 1
			}
		}
		s.set[x] = t
	}
	s.near = near
	s.bends = false
	for x := 2; x < near; x++ {
		s.bends = s.bends || s.set[x].two > s.set[x].one-lnLoose
	}
}

// spread works out what depends on the range W that the play covers, and bounds the
// evidence. The best set counts, and which one it is takes most of the work, so that
// is left until it is asked for.
func (a *analyser) spread(s *side, W, lnW float64) {
	s.weighed, s.weighedFar, s.topFar = false, false, -float64(s.n)*lnW
	if s.n == 0 {
		return
	}
	a.prominence(s, W, lnW)
	s.total = 0
	for _, id := range s.idx[:s.n] {
		s.total += a.piv[id].lnw
	}
	rest := s.total
	far, least := math.Inf(-1), math.Inf(-1)
	for x, id := range s.idx[:s.n] {
		rest -= a.piv[id].lnw
		t := &s.set[x]
		t.rest = rest
		one := s.tall(x, lnW)
		far = max(far, one)
		least = max(least, one+t.like-lnLoose)
	}
	s.likely = 0
	for x := range s.n {
		if a.top(s, x, lnW) >= least-lnSlip {
			s.likely |= 1 << x
		}
	}
	if s.n >= 2 {
		s.topFar = a.roughAdd(-s.total, far+lnStopFar)
	}
}

// turns is what the reversals beyond set x say, as turn-backs.
func (s *side) turns(x int) float64 { return float64(s.n-x-1) * lnTurn }

// tall bounds the evidence that set x are passes with one value and the others
// turn-backs, without the shape.
func (s *side) tall(x int, lnW float64) float64 {
	if x == 0 {
		return lnAllSpreads - s.total + s.turns(x)
	}
	t := &s.set[x]
	return t.one - lnW - t.rest + s.turns(x)
}

// plainTop bounds the evidence that set x are passes and the others turn-backs,
// without the shape, and top with it.
func (a *analyser) plainTop(s *side, x int, lnW float64) float64 {
	t, one := &s.set[x], s.tall(x, lnW)
	if x < 2 || x >= s.near {
		return one
	}
	return a.roughAdd(one, t.two-lnW-t.rest+s.turns(x))
}

func (a *analyser) top(s *side, x int, lnW float64) float64 {
	return a.plainTop(s, x, lnW) + s.set[x].like
}

// weighSide works out how many of the reversals agree at the bound and the
// evidence of all of them: the passes share one value, the others lie anywhere.
// The best set counts. So every set is bounded, and worked out only if it may be
// the best one.
func (a *analyser) weighSide(s *side, lnW float64) {
	if s.weighed {
		return
	}
	s.weighed = true
	s.caught, s.passes, s.flexed = math.Inf(-1), 0, false
	if s.n == 0 {
		return
	}
	for likely := s.likely; likely != 0; likely &= likely - 1 {
		x := bits.TrailingZeros64(likely)
		flexed := math.Inf(-1)
		if x >= 2 && x < s.near {
			flexed = a.flexed(s, x, lnW)
		}
		if e := a.logAdd(a.sumUp(s, x, a.shapeOfSet(s, x), lnW), flexed) + s.turns(x); e > s.caught {
			s.caught, s.passes = e, x+1
		}
	}
	s.shape = a.shapeOfSet(s, min(max(s.passes, 1), maxPasses)-1)
	s.flexed = s.bends && s.passes >= 3 && a.flexedIsBetter(s, lnW)
}

// weighFar works out the evidence of the reversals on the side on which the
// adjustment in play seeks nothing.
func (a *analyser) weighFar(s *side, lnW float64) {
	if s.weighedFar {
		return
	}
	s.weighedFar = true
	s.far = -float64(s.n) * lnW
	if s.n < 2 {
		return
	}
	best := math.Inf(-1)
	for x := range s.n {
		best = max(best, s.tall(x, lnW))
	}
	far := math.Inf(-1)
	for x := range s.n {
		if s.tall(x, lnW) >= best-lnLoose-lnSlip {
			far = max(far, a.sumUp(s, x, 0, lnW)+s.turns(x))
		}
	}
	s.far = 0
	for _, id := range s.idx[:s.n] {
		s.far -= a.piv[id].lnw
	}
	s.far = a.logAdd(s.far, far+lnStopFar)
}

// shapeOfSet is what the shapes of set x say.
func (a *analyser) shapeOfSet(s *side, x int) float64 {
	return a.handsShape(s.set[x].even, s.set[x].uneven)
}

// sumUp returns the evidence that set x are passes with one of spreads, and the
// others turn-backs; shape is what their shape says.
func (a *analyser) sumUp(s *side, x int, shape, lnW float64) float64 {
	sum := math.Inf(-1)
	for k, sp := range spreads {
		if x >= s.cut[k] {
			continue
		}
		e := -s.total + shape + sp.lnw
		if x > 0 {
			g := &s.at[x][k]
			e = g.ln + shape - 0.5*g.chi + 0.5*math.Log(2*math.Pi/g.sw) - lnW - s.set[x].rest + sp.lnw
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
	lnFlexWide   = -0.467421 // of flexUM·√2π
)

// flexed returns the evidence that the passes of set x lie at two levels in turn:
// the frame gives to the hand, and neighbouring passes run in opposite directions.
func (a *analyser) flexed(s *side, x int, lnW float64) float64 {
	ref := a.piv[s.idx[0]].v
	var in [maxOfKind]bool // by place in time
	for _, id := range s.idx[:x+1] {
		in[(id-s.first)/2] = true
	}
	var m11, m12, m22, b1, b2, yy, ln float64
	m22 = 1 / (flexUM * flexUM)
	dir := 1.0
	for t := range s.n {
		if !in[t] {
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
	return ln + a.shapeOfSet(s, x) - 0.5*rss - lnW - math.Log(flexUM*2.5066) + math.Log(2*math.Pi) - 0.5*math.Log(det) - s.set[x].rest + lnFlexed
}

// flexedIsBetter reports whether flexure explains the set that it explains best
// better than one value does.
func (a *analyser) flexedIsBetter(s *side, lnW float64) bool {
	set, flexed, best := -1, 0.0, math.Inf(-1)
	for x := s.near - 1; x >= 2; x-- {
		if t := &s.set[x]; t.two+t.like-lnW-t.rest+s.turns(x) < best-lnSlip {
			continue
		}
		e := a.flexed(s, x, lnW)
		if e+s.turns(x) >= best {
			set, flexed, best = x, e, e+s.turns(x)
		}
	}
	return set >= 0 && flexed > a.sumUp(s, set, a.shapeOfSet(s, set), lnW)
}

// prominence gives each of the reversals of s the range over which it could lie
// had the hand turned at will: the climb that separates it from the next reversal
// beyond it, at most W. So wiggles prove nothing.
func (a *analyser) prominence(s *side, W, lnW float64) {
	first, last := s.first, s.first+2*(s.n-1)
	for id := first; id <= last; id += 2 {
		p := &a.piv[id]
		room, ln := W, lnW
		if p.before >= first && p.climbBefore < room {
			room, ln = p.climbBefore, p.lnBefore
		}
		if p.after <= last && p.climbAfter < room {
			room, ln = p.climbAfter, p.lnAfter
		}
		if room < p.least {
			room, ln = p.least, p.lnLeast
		}
		p.room, p.lnw = room, ln
	}
}

// findClimbs finds for every pivot the nearest ones of its kind beyond it, before
// and after, and how far the reading climbs on the way there.
func (a *analyser) findClimbs() {
	for id := range a.piv {
		p := &a.piv[id]
		p.before, p.after = -1, len(a.piv)
		p.least = max(0.05, 2*p.s)
		p.lnLeast = math.Log(p.least)
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
					p.before, p.climbBefore, p.lnBefore = y, top-v, math.Log(top-v)
				} else {
					p.after, p.climbAfter, p.lnAfter = y, top-v, math.Log(top-v)
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
		p.share = 1 / (p.s*p.s + 0.0025)
	}
	a.findClimbs()
}
