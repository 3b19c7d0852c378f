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
	seek [2]struct {
		caught, not float64
		state       uint8
	}
	idle  bool // nothing was played
	fresh bool // just weighed
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

// boundTable holds what no chain to a hinge exceeds, the same with the price of a
// further phase, and what none from there to the end adds.
type boundTable struct {
	to, out, on [maxHinges][chainN]float64
	link        [maxHinges][chainN]chainLink
	changed     [maxHinges][chainN]bool
}

// chainLink is the step by which the best chain gets to a hinge: from which hinge and
// chain, and whether anything was played.
type chainLink struct {
	hinge, chain int8
	played       bool
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
	for a.chainsTo(); ; a.chainsAgain() {
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

// chainsTo finds the best chains to every hinge.
func (a *analyser) chainsTo() {
	for h := range a.hinges {
		for c := range chainN {
			a.chainTo(h, c)
		}
	}
}

// chainTo finds the best chain c to hinge j.
func (a *analyser) chainTo(j, c int) {
	b := &a.bounds
	best, link := math.Inf(-1), chainLink{}
	if j == 0 && c == chainNone {
		best = 0
	}
	pairs := a.pairs[pairOf(0, j):pairOf(j, j)]
	for i := range pairs {
		if p := &pairs[i]; p.idle && b.to[i][c]-lnIdle > best {
			best, link = b.to[i][c]-lnIdle, chainLink{int8(i), int8(c), false}
		}
	}
	if c > chainNone {
		k := chainSeek(c)
		for _, w := range chainWays[c] {
			for i := range pairs {
				e := &pairs[i].seek[k]
				x := b.out[i][w.from]
				if w.caught {
					x += e.caught
				} else {
					x += e.not
				}
				if x > best {
					best, link = x, chainLink{int8(i), w.from, true}
				}
			}
		}
	}
	b.to[j][c], b.link[j][c] = best, link
	b.out[j][c] = best + a.hinges[j].cost
	if c >= chainMore {
		b.out[j][c] += lnMore
	}
}

// chainsAgain finds the best chains again after pairs were weighed. What is known of
// a pair only falls, so a chain stays the best unless a step of its own did.
func (a *analyser) chainsAgain() {
	b := &a.bounds
	for j := 1; j < len(a.hinges); j++ {
		for c := range chainN {
			l, was := b.link[j][c], b.to[j][c]
			b.changed[j][c] = false
			if math.IsInf(was, -1) || !b.changed[l.hinge][l.chain] && !(l.played && a.pairs[pairOf(int(l.hinge), j)].fresh) {
				continue
			}
			a.chainTo(j, c)
			b.changed[j][c] = b.to[j][c] != was
		}
		for i := range j {
			a.pairs[pairOf(i, j)].fresh = false
		}
	}
}

// weighChain weighs the pairs of the best chain c to the end. It returns how many
// phases it has and whether all had been weighed.
func (a *analyser) weighChain(c int) (n int, weighed bool) {
	j := len(a.hinges) - 1
	weighed = true
	for j > 0 {
		l := a.bounds.link[j][c]
		if l.played {
			n++
			p := &a.pairs[pairOf(int(l.hinge), j)]
			if k := chainSeek(c); p.seek[k].state == pairBounded {
				a.weighPair(int(l.hinge), j, k)
				p.fresh, weighed = true, false
			}
		}
		j, c = int(l.hinge), int(l.chain)
	}
	return n, weighed
}

// chainsOn finds, for every hinge, by how much the best chain from there to the end
// exceeds the least score of its set of seeks that matters.
func (a *analyser) chainsOn(least *[4]float64) {
	b, H := &a.bounds, len(a.hinges)
	for i := range H {
		for c := range chainN {
			b.on[i][c] = math.Inf(-1)
		}
	}
	for c := range chainN {
		b.on[H-1][c] = endCost(c) - least[chainMask[c]]
	}
	for j := H - 1; j > 0; j-- {
		pairs := a.pairs[pairOf(0, j):pairOf(j, j)]
		for c, on := range &b.on[j] {
			if math.IsInf(on, -1) {
				continue
			}
			for i := range pairs {
				if pairs[i].idle {
					b.on[i][c] = max(b.on[i][c], on-lnIdle)
				}
			}
			for _, w := range chainWays[c] {
				k := chainSeek(c)
				for i := range pairs {
					e := &pairs[i].seek[k]
					x := on + b.out[i][w.from] - b.to[i][w.from]
					if w.caught {
						x += e.caught
					} else {
						x += e.not
					}
					if x > b.on[i][w.from] {
						b.on[i][w.from] = x
					}
				}
			}
		}
	}
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
				if every {
					a.weighPair(i, j, k)
					continue
				}
				matters := false
				for c, on := range &b.on[j] {
					if c == chainNone || chainSeek(c) != k {
						continue
					}
					for _, w := range chainWays[c] {
						x := e.not
						if w.caught {
							x = e.caught
						}
						matters = matters || b.out[i][w.from]+x+on > -lnTie
					}
				}
				if matters {
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
