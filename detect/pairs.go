package detect

import (
	"math"
	"math/bits"
)

// Which pairs of hinges are weighed. Weighing what was played between two hinges
// takes most of the work of a decision, and most pairs belong to no chain that
// matters. So all are bounded first, from above, and the best chains by these bounds
// are weighed until those pairs that are left cannot change the best chain of any
// set of seeks. What comes out is the same as if all pairs had been weighed.

// What is known of a pair as a phase of one seek.
const (
	pairNone    uint8 = iota // it cannot be one
	pairBounded              // caught and not are not exceeded
	pairWeighed              // caught and not are what weigh gives
)

// pair is what the stretch between two hinges may be.
type pair struct {
	seek  [2]pairSeek
	idle  bool // nothing was played
	fresh bool // just weighed
}

type pairSeek struct {
	caught, not float64
	state       uint8
}

// pairOf is the place of hinges i < j in a pairTable.
func pairOf(i, j int) int { return j*(j-1)/2 + i }

type pairTable [maxHinges * (maxHinges - 1) / 2]pair

// Chains that end at a hinge are told apart by what bears on how they go on:
// whether they have no phase, one, or more, the last seek, and the seeks caught.
const (
	chainNone = 0
	chainOne  = 1 // + 2·seek + caught
	chainMore = 5 // + 4·seek + mask
	chainN    = 13
)

// chainWays is how a chain is reached from one that ends at an earlier hinge, by a
// phase of its last seek.
var chainWays = [chainN][]chainWay{
	chainOne:      {{chainNone, false}},
	chainOne + 1:  {{chainNone, true}},
	chainOne + 2:  {{chainNone, false}},
	chainOne + 3:  {{chainNone, true}},
	chainMore:     {{chainOne + 2, false}, {chainMore + 4, false}},
	chainMore + 1: {{chainMore + 5, false}, {chainOne + 2, true}, {chainMore + 4, true}, {chainMore + 5, true}},
	chainMore + 2: {{chainOne + 3, false}, {chainMore + 6, false}},
	chainMore + 3: {{chainMore + 7, false}, {chainOne + 3, true}, {chainMore + 6, true}, {chainMore + 7, true}},
	chainMore + 4: {{chainOne, false}, {chainMore, false}},
	chainMore + 5: {{chainOne + 1, false}, {chainMore + 1, false}},
	chainMore + 6: {{chainMore + 2, false}, {chainOne, true}, {chainMore, true}, {chainMore + 2, true}},
	chainMore + 7: {{chainMore + 3, false}, {chainOne + 1, true}, {chainMore + 1, true}, {chainMore + 3, true}},
}

type chainWay struct {
	from   int8
	caught bool
}

// chainSeek is the last seek of a chain.
func chainSeek(c int) int {
	if c < chainMore {
		return (c - chainOne) >> 1
	}
	return (c - chainMore) >> 2
}

// chainMask is the seeks caught in a chain.
var chainMask = [chainN]int8{0, 0, 1, 0, 2, 0, 1, 2, 3, 0, 1, 2, 3}

// boundTable holds, for each hinge, what no chain to it exceeds, and by chain the
// hinge and whether anything was played since; the same with the price of a further
// phase; of these the best ones for a phase of each seek by the seeks caught; and what
// no chain from there to the end adds.
type boundTable struct {
	to, out, on [maxHinges][chainN]float64
	next        [maxHinges][2][4]float64
	link        [maxHinges][chainN]chainLink
	changed     [maxHinges]bool
}

type chainLink struct {
	hinge  int8
	played bool
}

const (
	// lnNil is how much less probable, as a logarithm, a set of seeks is that is left
	// out.
	lnNil = 75
	// lnTie is the difference below which two chains are taken for equal.
	lnTie = 1e-6
	// fewHinges is up to how many hinges it is not worth while to bound pairs.
	fewHinges = 4
)

// choosePairs bounds all pairs and weighs those that may matter.
func (a *analyser) choosePairs() {
	H := len(a.hinges)
	few := H <= fewHinges
	a.rough = !few
	for i := range H {
		for j := i + 1; j < H; j++ {
			p := &a.pairs[pairOf(i, j)]
			p.idle, p.fresh = a.idleBetween(i, j), false
			for k := range 2 {
				if few {
					a.weighPair(i, j, k)
				} else {
					a.boundPair(i, j, k)
				}
			}
		}
	}
	a.rough = false
	if few {
		return
	}
	for j := range H {
		a.chainsTo(j)
	}
	for ; ; a.chainsAgain() {
		end, top := a.ends()
		// The least score of each set of seeks that matters.
		least := [4]float64{math.Inf(1), math.Inf(1), math.Inf(1), math.Inf(1)}
		weighed, long := true, false
		for m, e := range end {
			if e >= 0 && a.bounds.to[H-1][e]+endCost(e) > top-lnNil {
				least[m] = a.bounds.to[H-1][e] + endCost(e)
				n, all := a.weighChain(e)
				weighed, long = weighed && all, long || n > maxPhases
			}
		}
		if !weighed {
			continue
		}
		if !long {
			a.chainsOn(&least)
		}
		a.weighRest(long)
		return
	}
}

// endCost is what is added where a chain ends.
func endCost(chain int) float64 {
	if chain < chainMore {
		return lnOne
	}
	return 0
}

// ends returns the best chain to the end for each set of seeks, -1 if there is none,
// and the best score.
func (a *analyser) ends() (end [4]int, top float64) {
	last := &a.bounds.to[len(a.hinges)-1]
	end, top = [4]int{-1, -1, -1, -1}, math.Inf(-1)
	for c, s := range last {
		if math.IsInf(s, -1) {
			continue
		}
		s += endCost(c)
		if m := chainMask[c]; end[m] < 0 || s > last[end[m]]+endCost(end[m]) {
			end[m] = c
		}
		top = max(top, s)
	}
	return end, top
}

// chainsTo finds the best chains to hinge j.
func (a *analyser) chainsTo(j int) {
	b := &a.bounds
	to, link := &b.to[j], &b.link[j]
	for c := range to {
		to[c] = math.Inf(-1)
	}
	if j == 0 {
		to[chainNone] = 0
	}
	pairs := a.pairs[pairOf(0, j):pairOf(j, j)]
	for i := range pairs {
		p := &pairs[i]
		if p.idle {
			for c, x := range &b.to[i] {
				if x -= lnIdle; x > to[c] {
					to[c], link[c] = x, chainLink{int8(i), false}
				}
			}
		}
		played := chainLink{int8(i), true}
		for k := range 2 {
			e := &p.seek[k]
			if e.state == pairNone {
				continue
			}
			if x := b.out[i][chainNone]; !math.IsInf(x, -1) {
				c := chainOne + 2*k
				if y := x + e.not; y > to[c] {
					to[c], link[c] = y, played
				}
				if y := x + e.caught; y > to[c+1] {
					to[c+1], link[c+1] = y, played
				}
			}
			from, c, bit := &b.next[i][k], chainMore+4*k, 1<<k
			for half := range 2 {
				m := half * (3 - bit) // without the seek
				x, y := from[m], from[m|bit]
				if v := x + e.not; v > to[c+m] {
					to[c+m], link[c+m] = v, played
				}
				if v := max(y+e.not, max(x, y)+e.caught); v > to[c+(m|bit)] {
					to[c+(m|bit)], link[c+(m|bit)] = v, played
				}
			}
		}
	}
	out, cost := &b.out[j], a.hinges[j].cost
	for c := range out {
		out[c] = to[c] + cost
		if c >= chainMore {
			out[c] += lnMore
		}
	}
	for k := range 2 {
		o := 1 - k
		next := &b.next[j][k]
		copy(next[:], out[chainMore+4*o:])
		next[0] = max(next[0], out[chainOne+2*o])
		next[1<<o] = max(next[1<<o], out[chainOne+2*o+1])
	}
}

// chainsAgain finds the best chains again after pairs were weighed. What is known of
// a pair only falls, so a chain stays the best unless a step of its own did.
func (a *analyser) chainsAgain() {
	b := &a.bounds
	for j := 1; j < len(a.hinges); j++ {
		b.changed[j] = false
		for c, l := range &b.link[j] {
			if math.IsInf(b.to[j][c], -1) {
				continue
			}
			if p := &a.pairs[pairOf(int(l.hinge), j)]; b.changed[l.hinge] || l.played && p.fresh {
				b.changed[j] = true
				break
			}
		}
		if b.changed[j] {
			a.chainsTo(j)
		}
	}
}

// weighChain weighs the pairs of the best chain c to the end. It returns how many
// phases it has and whether all had been weighed.
func (a *analyser) weighChain(c int) (n int, weighed bool) {
	b := &a.bounds
	weighed = true
	for j := len(a.hinges) - 1; j > 0; {
		l := b.link[j][c]
		i := int(l.hinge)
		if l.played {
			n++
			k := chainSeek(c)
			p := &a.pairs[pairOf(i, j)]
			e := &p.seek[k]
			for _, w := range chainWays[c] {
				x := e.not
				if w.caught {
					x = e.caught
				}
				if b.out[i][w.from]+x == b.to[j][c] {
					c = int(w.from)
					break
				}
			}
			if e.state == pairBounded {
				a.weighPair(i, j, k)
				p.fresh, weighed = true, false
			}
		}
		j = i
	}
	return n, weighed
}

// chainsOn finds, for every hinge, by how much the best chain from there to the end
// exceeds the least score of its set of seeks that matters.
func (a *analyser) chainsOn(least *[4]float64) {
	b, H := &a.bounds, len(a.hinges)
	for i := range H - 1 {
		for c := range chainN {
			b.on[i][c] = math.Inf(-1)
		}
	}
	for c := range chainN {
		b.on[H-1][c] = endCost(c) - least[chainMask[c]]
	}
	for i := H - 2; i >= 0; i-- {
		on := &b.on[i]
		var next [2][4]float64 // with a phase of each seek
		for k := range next {
			for m := range next[k] {
				next[k][m] = math.Inf(-1)
			}
		}
		for j := i + 1; j < H; j++ {
			p, then := &a.pairs[pairOf(i, j)], &b.on[j]
			if p.idle {
				for c := range on {
					on[c] = max(on[c], then[c]-lnIdle)
				}
			}
			for k := range 2 {
				e := &p.seek[k]
				if e.state == pairNone {
					continue
				}
				c := chainOne + 2*k
				on[chainNone] = max(on[chainNone], a.hinges[i].cost+max(e.not+then[c], e.caught+then[c+1]))
				for m := range 4 {
					next[k][m] = max(next[k][m], e.toEnd(then, k, m))
				}
			}
		}
		cost := a.hinges[i].cost
		for k := range 2 {
			o := 1 - k
			for m := range 4 {
				c := chainMore + 4*o + m
				on[c] = max(on[c], next[k][m]+cost+lnMore)
			}
			c := chainOne + 2*o
			on[c] = max(on[c], next[k][0]+cost)
			on[c+1] = max(on[c+1], next[k][1<<o]+cost)
		}
	}
}

// toEnd is what the better one of both claims and the chains on from there add to one
// that has caught the seeks of m.
func (e *pairSeek) toEnd(then *[chainN]float64, k, m int) float64 {
	c := chainMore + 4*k
	return max(e.not+then[c+m], e.caught+then[c+(m|1<<k)])
}

// weighRest weighs every pair through which a chain may go that is as good as the
// best one for its set of seeks, or every pair.
func (a *analyser) weighRest(every bool) {
	b := &a.bounds
	for i := range a.hinges {
		for j := i + 1; j < len(a.hinges); j++ {
			for k := range 2 {
				e := &a.pairs[pairOf(i, j)].seek[k]
				if e.state != pairBounded {
					continue
				}
				then, c := &b.on[j], chainOne+2*k
				best := b.out[i][chainNone] + max(e.not+then[c], e.caught+then[c+1])
				for m, x := range &b.next[i][k] {
					best = max(best, x+e.toEnd(then, k, m))
				}
				if every || best > -lnTie {
					a.weighPair(i, j, k)
				}
			}
		}
	}
}

// weighPair weighs the stretch between hinges i and j as a phase of seek k.
func (a *analyser) weighPair(i, j, k int) {
	var ph phase
	e := &a.pairs[pairOf(i, j)].seek[k]
	var ok bool
	e.caught, e.not, ok = a.weigh(i, j, k, &ph)
	e.state = pairWeighed
	if !ok {
		e.state, e.caught, e.not = pairNone, math.Inf(-1), math.Inf(-1)
	}
}

// loosen adds to a bound what rounding may have taken from it.
func loosen(x float64) float64 { return x + lnSlip + 1e-9*min(math.Abs(x), 1e300) }

// boundPair bounds what weigh gives for the stretch between hinges i and j as a phase
// of seek k.
func (a *analyser) boundPair(i, j, k int) {
	e := &a.pairs[pairOf(i, j)].seek[k]
	hi, hj := &a.hinges[i], &a.hinges[j]
	sense := a.sense(k)
	pl := a.between(i, j)
	own, opp := pl.of(sense), pl.of(-sense)
	far := opp.topFar + a.pauses(i, j, pl)
	if hj.far == -sense {
		far += lnHingeFar
	}
	e.state, e.caught, e.not = pairBounded, math.Inf(-1), math.Inf(-1)
	if own.n == 0 {
		if opp.n == 0 && !a.moved(hi, hj) {
			e.state = pairNone
			return
		}
		e.not = lnNotCross + far
		if hj.seen {
			e.not -= pl.lnW
		}
		return
	}
	parkOff, not := a.unpassed(own, hj, far, pl.W)
	first := a.piv[own.idx[0]].v
	for likely := own.likely; likely != 0; likely &= likely - 1 {
		x := bits.TrailingZeros64(likely)
		top, plain := a.top(own, x, pl.lnW), a.plainTop(own, x, pl.lnW)
		if x >= maxPasses {
			plain = top - own.set[maxPasses-1].like + lnLoose
		}
		n := min(x, maxPasses-1)
		t := &own.set[n]
		c := claim{far: far, e: top, shape: top - plain, n: n + 1, sw: t.sw, value: first + t.swv/t.sw, parkOff: parkOff, not: not}
		caught, not := a.judge(pl, sense, &c)
		if own.bends && x >= 2 {
			// The value may be another one.
			park, stop := 0.0, parkOff
			if hj.seen {
				park, stop = max(parkOff, lnParked), max(parkOff, lnParkedStop)
			}
			caught = lnCross + far + top + park
			not = a.roughAdd(c.not, lnNotCross+lnStopNear+far+plain+stop)
		}
		e.caught, e.not = max(e.caught, caught), max(e.not, not)
	}
	e.caught, e.not = loosen(e.caught), loosen(e.not)
}
