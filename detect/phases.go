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

// phase is a stretch of the entry under one hypothesis.
type phase struct {
	seek   int
	from   int // hinges
	to     int
	caught bool
	n      int // passes
	passes [maxPasses]int
	dirs   [maxPasses]int8 // in which the knob turned, ±1
	value  float64         // extremum, in the coordinates of the analysis
	odds   float64         // log odds of caught against not caught
	slide  int             // 1 + index of the stretch of the second axis, 0 if there is none
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
	chain [2]float64 // the same among the chains alone
	mask  int        // caught seeks
	doubt float64    // probability that the hands changed over elsewhere and it matters
	blur  float64    // what it may matter otherwise, µm
	end   [4][2]int8 // where the best chain of each mask ends
}

// Priors and scales of the decision.
const (
	lnCross    = -0.05 // an adjustment that was played was carried over its extremum
	lnNotCross = -2.5
	lnStopFar  = -5.5 // turn-backs that repeat
	lnStopNear = -6.5 // turn-backs short of the extremum that repeat
	lnMore     = -2.0 // each phase beyond the second
	lnOne      = -3.0 // one phase only
	lnTurn     = -0.7 // a turn-back short of the extremum
	lnHingeFar = -2.0 // the hands change over at a turn-back
	lnEcho     = -1.5 // a reversal of the next phase falls on this one's extremum
	lnIdle     = 0.05 // less for each rest at which nothing was played since the one before
	lnEarly    = -4.0 // the hands change over at a rest that is not the last one
	minPlayUM  = 0.3  // µm, least movement that is play of an adjustment
	nearTurns  = 0.5  // share of hands that stop among their turn-backs
	parkNear   = 0.15 // µm
	parkWide   = 0.5  // µm
	parkFar    = 2.0  // µm

	// What the logarithms of the densities of a rest do not exceed: of one near the
	// extremum, and of one at a place to which the hand always comes back.
	lnParked     = 1.27
	lnParkedStop = 1.34
)

// parking is the density of the distance x from its extremum at which a finished
// adjustment is left, 1/µm, in a phase that covers W. Some technicians park to a
// tenth of a micrometre, some do not care.
func (a *analyser) parking(x, W float64) float64 {
	return 0.4/parkNear*a.expNeg(x/parkNear) + 0.33/parkWide*a.expNeg(x/parkWide) + 0.12/parkFar*a.expNeg(x/parkFar) + 0.15/W
}

// spreads are the scales of disagreement between passes, µm, with the logarithms
// of their weights.
var spreads = [...]struct{ s, lnw float64 }{{0.012, -1.9}, {0.03, -0.97}, {0.1, -1.05}, {0.3, -2.0}}

// weigh computes the scores of the stretch between hinges i and j as a phase of
// seek k: caught and not caught.
func (a *analyser) weigh(i, j, k int, ph *phase) (caught, not float64, ok bool) {
	hi, hj := &a.hinges[i], &a.hinges[j]
	sense := a.sense(k)
	pl := a.between(i, j)
	own, opp := pl.of(sense), pl.of(-sense)
	W, lnW := pl.W, pl.lnW
	a.weighSide(own, lnW)
	a.weighFar(opp, lnW)
	*ph = phase{seek: k, from: i, to: j}
	dwell := a.pauses(i, j, pl)
	far := opp.far
	parkOff := 0.0
	if hj.seen {
		parkOff = -lnW
	}
	if hj.far == -sense {
		dwell += lnHingeFar
	}
	far += dwell
	if own.n == 0 {
		not = lnNotCross + far + parkOff
		return math.Inf(-1), not, opp.n > 0 || a.moved(hi, hj)
	}
	n := min(own.passes, maxPasses)
	passes := own.idx[:n]
	ph.n = n
	var sw, swv float64
	for _, id := range passes {
		p := &a.piv[id]
		sw += p.share
		swv += p.share * p.v
	}
	ph.value = swv / sw
	copy(ph.passes[:], passes)
	slices.Sort(ph.passes[:n])
	if own.flexed {
		// The mean of both directions.
		var sum, cnt [2]float64
		for x, id := range ph.passes[:n] {
			sum[x%2] += a.piv[id].v
			cnt[x%2]++
		}
		ph.value = 0.5 * (sum[0]/cnt[0] + sum[1]/cnt[1])
	}
	c := claim{far: far, e: own.caught, shape: own.shape, n: n, value: ph.value, sw: sw}
	c.parkOff, c.not = a.unpassed(own, hj, far, W)
	caught, not = a.judge(pl, sense, &c)
	ph.odds = caught - not
	return caught, not, true
}

// claim is what the play says about the claim that an extremum was passed.
type claim struct {
	far     float64 // evidence of the other side and of the rests
	e       float64 // of the passes and turn-backs
	shape   float64 // and of the shape of the passes, a part of e
	n       int     // passes
	value   float64
	sw      float64 // reciprocal of the variance of value
	parkOff float64 // of the rest after it, had none been a pass
	not     float64 // of all of it, had none been a pass
}

// unpassed weighs the rest after the reversals of own, and with it all of them, as
// turn-backs.
func (a *analyser) unpassed(own *side, hj *hinge, far, W float64) (parkOff, not float64) {
	if hj.seen {
		parkOff = a.parkedOff(own, hj.level, W)
	}
	not = lnNotCross + far + parkOff
	if a.rough {
		return parkOff, not - own.total + float64(own.n)*lnTurn
	}
	for x := range own.n {
		not -= a.piv[own.first+2*x].lnw - lnTurn
	}
	return parkOff, not
}

// judge returns the scores of pl as a phase: caught and not caught. They grow with
// c.e, and not with c.shape.
func (a *analyser) judge(pl *play, sense int8, c *claim) (caught, not float64) {
	hi, hj := &a.hinges[pl.from], &a.hinges[pl.to]
	sg := -float64(sense)
	caught = lnCross + c.far + c.e
	stop, parkStop := math.Inf(-1), c.parkOff
	if c.n >= 2 || hj.seen {
		stop = lnNotCross + lnStopNear + c.far + c.e - c.shape
	}
	// Nothing may lie beyond the extremum.
	tol := 0.1 + 3*math.Sqrt(1/c.sw)
	viol := 0.0
	if hi.seen {
		viol = max(viol, (c.value-hi.level)*sg-tol-3*hi.s)
	}
	if hj.seen && pl.next < len(a.piv) {
		if p := &a.piv[pl.next]; p.k <= hj.b && p.kind == sense {
			if d := (c.value - p.v) * sg; d > 0 {
				caught -= 0.5 * min(400, d*d/(0.01+p.s*p.s+1/c.sw))
			}
		}
	}
	if viol > 0 {
		z := viol / (0.1 + a.sigma)
		caught -= 0.5 * z * z
	}
	if last := &a.piv[pl.next-1]; hj.seen && last.kind == sense && math.Abs(last.v-hj.level) < max(0.05, 4*math.Hypot(last.s, hj.s)) {
		// The last pass and the rest are one event; it counts once.
		x := (hj.level - c.value) * sg
		if x < 0 {
			z := x / math.Sqrt(hj.s*hj.s+1/c.sw+0.0064)
			caught -= 0.5 * min(z*z, 400)
		}
		caught += c.parkOff
		if c.n < 2 {
			stop = math.Inf(-1)
		}
	} else if hj.seen {
		x := (hj.level - c.value) * sg
		s := math.Sqrt(hj.s*hj.s + 1/c.sw + 0.0064)
		d := 0.0
		if x < 0 {
			z := x / s
			d = -0.5 * min(z*z, 400)
			x = 0
		}
		var dens float64
		if c.n < 2 {
			// One pass is borne out only by a rest at its level.
			dens = 0.4/parkNear*a.expNeg(x/parkNear) + 0.6/pl.W
		} else {
			dens = a.parking(x, pl.W)
		}
		if s > parkNear {
			dens = min(dens, 1/s)
		}
		caught += d + a.ln(dens)
		// A hand that always comes back to one place also rests there.
		ss := math.Sqrt(s*s + 0.09*a.q*a.q)
		z := (hj.level - c.value) / ss
		parkStop = a.ln(0.7*a.expNeg(0.5*z*z)/(ss*2.5066) + 0.3/pl.W)
	}
	return caught, a.logAdd(c.not, stop+parkStop)
}

// pauses prices the rests within a phase between hinges i and j.
func (a *analyser) pauses(i, j int, pl *play) float64 {
	// A long rest in the middle of a phase asks for an explanation.
	dwell := 0.0
	for x := i + 1; x < j; x++ {
		dwell -= a.hinges[x].pause
	}
	// Another rest before the first reversal: the hands changed over there.
	hi := &a.hinges[i]
	if i > 0 && i+1 < j && (hi.next == pl.next || a.hinges[i+1].b < a.piv[hi.next].k) && a.hinges[i+1].dur > 0.7*hi.dur {
		dwell += lnEarly
	}
	return dwell
}

// moved reports whether one-way play shows in the level it leaves.
func (a *analyser) moved(hi, hj *hinge) bool {
	return math.Abs(hi.level-hj.level) > max(minPlayUM, 6*math.Hypot(hi.s, hj.s), a.q)
}

// parkedOff returns the logarithm of the probability density with which a hand
// that has not passed the extremum stops at a level: anywhere in the range W, or
// among its own turn-backs.
func (a *analyser) parkedOff(own *side, level, W float64) float64 {
	near, room := 0.0, math.Inf(1)
	for _, x := range own.idx[:own.n] {
		if p := &a.piv[x]; p.room < room && math.Abs(level-p.v) < p.room {
			room = p.room
		}
	}
	if room < math.Inf(1) {
		near = 1 / room
	}
	return a.ln((1-nearTurns)/W + nearTurns*near)
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
// of seeks caught. Sets that are less probable than that by lnNil or more are left
// out where that saves work; no probability notices them.
func (a *analyser) decide() {
	a.buildHinges()
	a.choosePairs()
	a.chain()
}

// chain finds the best chains of the pairs that were weighed.
func (a *analyser) chain() {
	H := len(a.hinges)
	best := &a.table
	for k := range 3 {
		for m := range 4 {
			for n := range maxPhases + 1 {
				best[0][k][m][n] = node{score: math.Inf(-1)}
			}
		}
	}
	for h := 1; h < H; h++ {
		best[h] = best[0]
	}
	best[0][0][0][0] = node{score: 0, from: -1}
	for i := range H {
		a.extend(i)
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

// extend carries all chains that end at hinge i on to the hinges after it.
func (a *analyser) extend(i int) {
	best := &a.table
	// The chains that there are, in order.
	type chain struct{ last, m, n int8 }
	var at [3 * 4 * (maxPhases + 1)]chain
	c := 0
	for last := range 3 {
		for m := range 4 {
			for n := range maxPhases + 1 {
				if !math.IsInf(best[i][last][m][n].score, -1) {
					at[c] = chain{int8(last), int8(m), int8(n)}
					c++
				}
			}
		}
	}
	for j := i + 1; j < len(a.hinges); j++ {
		p := &a.pairs[pairOf(i, j)]
		if p.idle {
			for _, x := range at[:c] {
				s := best[i][x.last][x.m][x.n].score
				if c, to := s-lnIdle, &best[j][x.last][x.m][x.n]; c > to.score {
					*to = node{score: c, from: int16(i), mask: x.m, idle: true}
				}
			}
		}
		for k := range 2 {
			e := &p.seek[k]
			if e.state != pairWeighed {
				continue
			}
			for _, x := range at[:c] {
				if int(x.last) == k+1 || x.n == maxPhases {
					continue
				}
				s := best[i][x.last][x.m][x.n].score
				s += a.hinges[i].cost
				if x.n >= 2 {
					s += lnMore
				}
				if c, to := s+e.not, &best[j][k+1][x.m][x.n+1]; c > to.score {
					*to = node{score: c, from: int16(i), mask: x.m, not: true}
				}
				if c, to := s+e.caught, &best[j][k+1][x.m|1<<k][x.n+1]; c > to.score {
					*to = node{score: c, from: int16(i), mask: x.m}
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
	if hi.next < len(a.piv) && a.piv[hi.next].k < hj.a {
		return false
	}
	s := math.Hypot(hi.s, hj.s)
	return hi.seen && hj.seen && math.Abs(hi.level-hj.level) < math.Max(0.06, 4*s)
}
