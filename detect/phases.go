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
	value  float64 // extremum, in the coordinates of the analysis
	odds   float64 // log odds of caught against not caught
	slide  int     // 1 + index of the stretch of the second axis, 0 if there is none
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
	lnStopFar  = -5.5 // turn-backs that repeat
	lnStopNear = -6.5 // turn-backs short of the extremum that repeat
	lnMore     = -2.0 // each phase beyond the second
	lnOne      = -3.0 // one phase only
	lnTurn     = -0.7 // a turn-back short of the extremum
	lnHingeFar = -2.0 // the hands change over at a turn-back
	lnEcho     = -1.5 // a reversal of the next phase falls on this one's extremum
	lnEarly    = -4.0 // the hands change over at a rest that is not the last one
	minPlayUM  = 0.3  // µm, least movement that is play of an adjustment
	nearTurns  = 0.5  // share of hands that stop among their turn-backs
	parkNear   = 0.15 // µm
	parkWide   = 0.5  // µm
	parkFar    = 2.0  // µm
)

// parking is the density of the distance x from its extremum at which a finished
// adjustment is left, 1/µm, in a phase that covers W. Some technicians park to a
// tenth of a micrometre, some do not care.
func parking(x, W float64) float64 {
	return 0.4/parkNear*math.Exp(-x/parkNear) + 0.33/parkWide*math.Exp(-x/parkWide) + 0.12/parkFar*math.Exp(-x/parkFar) + 0.15/W
}

// spreads are the scales of disagreement between passes, µm, with the logarithms
// of their weights.
var spreads = [...]struct{ s, lnw float64 }{{0.012, -1.9}, {0.03, -0.97}, {0.1, -1.05}, {0.3, -2.0}}

// weigh computes the scores of the stretch between hinges i and j as a phase of
// seek k: caught and not caught.
func (a *analyser) weigh(i, j, k int, ph *phase) (caught, not float64, ok bool) {
	hi, hj := &a.hinges[i], &a.hinges[j]
	sense := a.sense(k)
	sg := -float64(sense) // +1 for a minimum
	pl := a.between(i, j)
	own, opp := pl.of(sense), pl.of(-sense)
	W, lnW := pl.W, pl.lnW
	*ph = phase{seek: k, from: i, to: j}
	// A long rest in the middle of a phase asks for an explanation.
	dwell := 0.0
	for x := i + 1; x < j; x++ {
		dwell -= min(1.5, 0.5*max(0, a.hinges[x].dur-2))
	}
	// Another rest before the first reversal: the hands changed over there.
	if i > 0 && i+1 < j && (hi.next == pl.next || a.hinges[i+1].b < a.piv[hi.next].k) && a.hinges[i+1].dur > 0.7*hi.dur {
		dwell += lnEarly
	}
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
		// One-way play shows in the level it leaves.
		moved := math.Abs(hi.level-hj.level) > max(minPlayUM, 6*math.Hypot(hi.s, hj.s), a.q)
		return math.Inf(-1), not, opp.n > 0 || moved
	}
	if hj.seen {
		parkOff = a.parkedOff(own, hj.level, W)
	}
	not = lnNotCross + far + parkOff
	for x := range own.n {
		not -= a.piv[own.first+2*x].lnw - lnTurn
	}
	e, n := own.caught, min(own.passes, maxPasses)
	passes := own.idx[:n]
	ph.n = n
	var sw, swv float64
	for _, id := range passes {
		p := &a.piv[id]
		w := 1 / (p.s*p.s + 0.0025)
		sw += w
		swv += w * p.v
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
	caught = lnCross + far + e
	stop, parkStop := math.Inf(-1), parkOff
	if n >= 2 || hj.seen {
		stop = lnNotCross + lnStopNear + far + e - own.shape
	}
	// Nothing may lie beyond the extremum.
	tol := 0.1 + 3*math.Sqrt(1/sw)
	viol := 0.0
	if hi.seen {
		viol = math.Max(viol, (ph.value-hi.level)*sg-tol-3*hi.s)
	}
	if hj.seen && pl.next < len(a.piv) {
		if p := &a.piv[pl.next]; p.k <= hj.b && p.kind == sense {
			if d := (ph.value - p.v) * sg; d > 0 {
				caught -= 0.5 * math.Min(400, d*d/(0.01+p.s*p.s+1/sw))
			}
		}
	}
	if viol > 0 {
		z := viol / (0.1 + a.sigma)
		caught -= 0.5 * z * z
	}
	if last := &a.piv[pl.next-1]; hj.seen && last.kind == sense && math.Abs(last.v-hj.level) < math.Max(0.05, 4*math.Hypot(last.s, hj.s)) {
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
		dens := parking(x, W)
		if n < 2 {
			// One pass is borne out only by a rest at its level.
			dens = 0.4/parkNear*math.Exp(-x/parkNear) + 0.6/W
		}
		if s > parkNear {
			dens = math.Min(dens, 1/s)
		}
		caught += d + math.Log(dens)
		// A hand that always comes back to one place also rests there.
		ss := math.Sqrt(s*s + 0.09*a.q*a.q)
		z := (hj.level - ph.value) / ss
		parkStop = math.Log(0.7*math.Exp(-0.5*z*z)/(ss*2.5066) + 0.3/W)
	}
	not = a.logAdd(not, stop+parkStop)
	ph.odds = caught - not
	return caught, not, true
}

// parkedOff returns the logarithm of the probability density with which a hand
// that has not passed the extremum stops at a level: anywhere in the range W, or
// among its own turn-backs.
func (a *analyser) parkedOff(own *side, level, W float64) float64 {
	near := 0.0
	for _, x := range own.idx[:own.n] {
		if p := &a.piv[x]; math.Abs(level-p.v) < p.room {
			near = max(near, 1/p.room)
		}
	}
	return math.Log((1-nearTurns)/W + nearTurns*near)
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
	for i := range H {
		for j := i + 1; j < H; j++ {
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
	if hi.next < len(a.piv) && a.piv[hi.next].k < hj.a {
		return false
	}
	s := math.Hypot(hi.s, hj.s)
	return hi.seen && hj.seen && math.Abs(hi.level-hj.level) < math.Max(0.06, 4*s)
}
