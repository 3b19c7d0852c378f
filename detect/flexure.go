package detect

import "math"

// Flexure belongs to the frame and the hand: while a hand turns a knob, the reading
// is off by f in the direction of the knob. Passes over an extremum run in opposite
// directions in turn, so a frame that gives shows passes at two levels, V + f and
// V − f, in turn. Taking those of one level for passes and those of the other one
// for turn-backs is off by f.
//
// So where the reversals near the extremum of a phase do not agree, all ways to call
// each of them a pass or a turn-back are weighed for every V and f of a grid, by a
// forward recursion over the reversals with the knob's direction as its state: from
// one reversal to the next the knob turns once on the far side, and once more at a
// turn-back. The frame is the same for both adjustments, so what one shows of f
// counts for the other one.

const (
	flexSteps = 31   // values of f, from −flexMost to flexMost
	flexMost  = 15   // steps of flexStep
	flexStep  = 0.04 // µm
	// levelSteps is how many values of V are tried, from levelBelow steps of
	// flexStep beyond the outermost reversal inwards.
	levelSteps, levelBelow = 36, 17
	// flexNearUM is how far from the extremum a reversal may lie for its level to leave
	// doubt, µm.
	flexNearUM = 1.3
	// flexScatterUM is what passes of one direction differ by beyond their fits, µm.
	flexScatterUM = 0.04
	// flexWide is the share of those that differ by flexWideUM: flexure grows and
	// fades with the hand's force.
	flexWide, flexWideUM = 0.3, 0.12
	// flexTurn is the share of turn-backs among the reversals, and flexSlip that of
	// those after which the knob's direction is another than the rule says.
	flexTurn, flexSlip = 0.35, 0.05
	// flexRest is how far beyond the extremum a rest may seem to lie, µm.
	flexRest = 0.08
	// Flexure is little in most rooms, of flexLittleUM, and of the order of
	// flexMuchUM in some; that of one adjustment is flexAlike e-folds of that of
	// the other one.
	flexLittleUM, flexMuchUM, flexMuchShare, flexAlike = 0.04, 0.2, 0.25, 0.6
	// flexSameSteps is how far apart, in steps, values of V may be to be averaged.
	flexSameSteps = 7
)

// flexRoom is the room for the reversals of one phase.
type flexRoom struct {
	n         int
	id        [maxOfKind]int
	pass, low [maxOfKind][levelSteps + 2*flexMost]float64 // densities at V ± f
	base      float64                                     // the first V, µm
	w         [flexSteps][levelSteps]float64              // of the phase in hand
	rest      [levelSteps]float64
	prior     [flexMost + 1][flexMost + 1]float64 // flexPrior
	// of every phase: the likelihood of |f|, over all V
	of [maxPhases][flexMost + 1]float64
}

func (r *flexRoom) fill() {
	for x := range r.prior {
		for y := range r.prior[x] {
			r.prior[x][y] = flexPrior(x, y)
		}
	}
}

// findLevels decides anew which reversals of the phases are passes where their
// levels leave doubt, and in which direction each one was passed.
func (a *analyser) findLevels() {
	d := &a.dec
	a.flex = [2]float64{}
	doubtful := false
	for i := range d.n {
		ph := &d.ph[i]
		for x := range ph.dirs {
			ph.dirs[x] = int8(1 - 2*(x&1))
		}
		doubtful = doubtful || a.levelsDiffer(ph)
	}
	if !doubtful {
		return
	}
	for i := range d.n {
		a.room.of[i] = [flexMost + 1]float64{}
		if a.flexes(&d.ph[i]) {
			a.weighLevels(&d.ph[i])
			for f := range flexSteps {
				k, share := flexSize(f)
				for _, w := range a.room.w[f] {
					a.room.of[i][k] += share * w
				}
			}
		}
	}
	for i := range d.n {
		if a.flexes(&d.ph[i]) {
			a.settleLevels(i)
		}
	}
}

// flexes reports whether the levels of ph can be asked for.
func (a *analyser) flexes(ph *phase) bool { return ph.caught && ph.slide == 0 && ph.n > 0 }

// flexSize returns the size of flexure f, in steps, and its share among those of that
// size.
func flexSize(f int) (k int, share float64) {
	switch {
	case f > flexMost:
		return f - flexMost, 0.5
	case f < flexMost:
		return flexMost - f, 0.5
	}
	return 0, 1
}

// levelsDiffer reports whether reversals near the extremum of ph lie at other levels
// than its passes, or those at more than one.
func (a *analyser) levelsDiffer(ph *phase) bool {
	if !a.flexes(ph) {
		return false
	}
	sense := a.sense(ph.seek)
	sg := -float64(sense)
	lo, up := math.Inf(1), math.Inf(-1)
	for x := a.hinges[ph.from].next; x < len(a.piv) && a.piv[x].k < a.hinges[ph.to].a; x++ {
		p := &a.piv[x]
		if p.kind == sense && (p.v-ph.value)*sg < flexNearUM && p.prom > 0.15 {
			lo, up = min(lo, p.v), max(up, p.v)
		}
	}
	return up-lo > max(0.12, 0.5*a.q)
}

// weighLevels fills in the weights of all V and f for phase ph, up to a factor.
func (a *analyser) weighLevels(ph *phase) {
	r := &a.room
	a.between(ph.from, ph.to) // gives the reversals their room
	sense := a.sense(ph.seek)
	sg := -float64(sense)
	to := &a.hinges[ph.to]
	r.n = 0
	first := math.Inf(1)
	for x := a.hinges[ph.from].next; x < len(a.piv) && a.piv[x].k < to.a && r.n < maxOfKind; x++ {
		if p := &a.piv[x]; p.kind == sense {
			r.id[r.n] = x
			r.n++
			first = min(first, p.v*sg)
		}
	}
	r.base = first - levelBelow*flexStep
	rounding := 0.0
	if a.coarse {
		rounding = a.q * a.q / 12
	}
	for i, id := range r.id[:r.n] {
		p := &a.piv[id]
		v := p.s*p.s + flexScatterUM*flexScatterUM + rounding
		wide := v + flexWideUM*flexWideUM
		norm := (1 - flexTurn) * (1 - flexWide) / math.Sqrt(2*math.Pi*v)
		normWide := (1 - flexTurn) * flexWide / math.Sqrt(2*math.Pi*wide)
		turn := flexTurn / max(p.room, 0.3)
		for u := range r.pass[i] {
			level := r.base + float64(u-flexMost)*flexStep
			x := p.v*sg - level
			r.pass[i][u] = norm*math.Exp(-0.5*x*x/v) + normWide*math.Exp(-0.5*x*x/wide) + 1e-12
			r.low[i][u] = turn
			if x < 0 {
				z := x / (flexRest + p.s)
				r.low[i][u] = turn*math.Exp(-0.5*z*z) + 1e-12
			}
		}
	}
	for v := range r.rest {
		r.rest[v] = 1
		if !to.seen {
			continue
		}
		x := to.level*sg - (r.base + float64(v)*flexStep)
		if x >= 0 {
			r.rest[v] = a.parking(x, a.span)
		} else {
			z := x / math.Hypot(flexRest, to.s)
			r.rest[v] = a.parking(0, a.span) * math.Exp(-0.5*z*z)
		}
	}
	for f := range flexSteps {
		k := f - flexMost
		for v := range levelSteps {
			// Chances of the reversals so far, with the knob now turning one way or the
			// other. At first it turns one way: f has both signs.
			one, two := 1.0, 0.0
			at := v + flexMost
			scale := r.rest[v]
			for i := range r.n {
				passOne, passTwo := one*r.pass[i][at+k], two*r.pass[i][at-k]
				turnOne, turnTwo := one*r.low[i][at+k], two*r.low[i][at-k]
				stay, swap := turnOne+passTwo, turnTwo+passOne
				one = (1-flexSlip)*stay + flexSlip*swap
				two = (1-flexSlip)*swap + flexSlip*stay
			}
			r.w[f][v] = scale * (one + two)
		}
	}
}

// flexPrior is the density of flexures of i and j steps of the two adjustments, up to
// a factor.
func flexPrior(i, j int) float64 {
	x, y := float64(i)*flexStep, float64(j)*flexStep
	little := math.Exp(-0.5*(x*x+y*y)/(flexLittleUM*flexLittleUM)) / (flexLittleUM * flexLittleUM)
	l := math.Log((x + 0.5*flexStep) / (y + 0.5*flexStep))
	much := math.Exp(-(x+y)/(2*flexMuchUM)-0.5*l*l/(flexAlike*flexAlike)) / (flexMuchUM * flexMuchUM)
	return (1-flexMuchShare)*little + flexMuchShare*much
}

// settleLevels takes for the passes of phase i those of the most probable levels. The
// probability of other levels goes into doubt and blur.
func (a *analyser) settleLevels(i int) {
	r, d := &a.room, &a.dec
	ph := &d.ph[i]
	sg := -float64(a.sense(ph.seek))
	// What the other adjustment shows of its flexure.
	var other [flexMost + 1]float64
	known := false
	for x := range other {
		other[x] = 1
		for j := range d.n {
			if d.ph[j].seek != ph.seek && a.flexes(&d.ph[j]) {
				other[x] *= r.of[j][x]
				known = true
			}
		}
	}
	if f := a.slide.flex; !known && a.slide.n > 0 {
		known = true
		for x := range other {
			z := (float64(x)*flexStep - f) / (0.03 + 0.2*f)
			other[x] = math.Exp(-0.5 * z * z)
		}
	}
	var prior [flexMost + 1]float64
	for x := range prior {
		for y, w := range other {
			if !known || w > 0 {
				prior[x] += w * r.prior[x][y]
			}
		}
	}
	a.weighLevels(ph)
	sum, best, bf, bv := 0.0, -1.0, 0, 0
	for f := range flexSteps {
		k, share := flexSize(f)
		for v := range r.w[f] {
			w := r.w[f][v] * prior[k] * share
			r.w[f][v] = w
			sum += w
			if w > best {
				best, bf, bv = w, f, v
			}
		}
	}
	if !(sum > 0) {
		return
	}
	// The level of most weight within what may be averaged.
	var mass [levelSteps]float64
	for f := range flexSteps {
		for v, w := range r.w[f] {
			mass[v] += w / sum
		}
	}
	at, top := bv, 0.0
	for v := range mass {
		m := 0.0
		for x := max(0, v-flexSameSteps); x <= min(levelSteps-1, v+flexSameSteps); x++ {
			m += mass[x]
		}
		if m > top {
			at, top = v, m
		}
	}
	if at < bv-flexSameSteps || at > bv+flexSameSteps {
		best = -1
		for f := range flexSteps {
			for v := max(0, at-flexSameSteps); v <= min(levelSteps-1, at+flexSameSteps); v++ {
				if r.w[f][v] > best {
					best, bf, bv = r.w[f][v], f, v
				}
			}
		}
	}
	mean, square, flex := 0.0, 0.0, 0.0
	for v := max(0, at-flexSameSteps); v <= min(levelSteps-1, at+flexSameSteps); v++ {
		x := float64(v-at) * flexStep
		mean += mass[v] * x / top
		square += mass[v] * x * x / top
	}
	for f := range flexSteps {
		for _, w := range r.w[f] {
			k, _ := flexSize(f)
			flex += w / sum * float64(k) * flexStep
		}
	}
	a.tracePasses(ph, bf-flexMost, bv)
	ph.value = (r.base + float64(bv)*flexStep) * sg
	a.flex[ph.seek] = max(a.flex[ph.seek], flex)
	d.doubt = max(d.doubt, 1-top)
	d.blur = max(d.blur, math.Sqrt(max(0, square-mean*mean)))
}

// tracePasses sets the passes of ph and their directions by the most probable way to
// call the reversals at levels V and f, in steps.
func (a *analyser) tracePasses(ph *phase, k, v int) {
	r := &a.room
	at := v + flexMost
	// Best way to reversal i with the knob in state s: its state at the one before, and
	// whether that was a pass.
	type step struct {
		from int8
		pass bool
	}
	var back [maxOfKind + 1][2]step
	score := [2]float64{0, math.Inf(-1)}
	stay, slip := math.Log(1-flexSlip), math.Log(flexSlip)
	for i := range r.n {
		next := [2]float64{math.Inf(-1), math.Inf(-1)}
		for s := range 2 {
			u := at + k
			if s == 1 {
				u = at - k
			}
			for _, pass := range [2]bool{true, false} {
				e := r.low[i][u]
				t := s
				if pass {
					e, t = r.pass[i][u], 1-s
				}
				for _, slipped := range [2]bool{false, true} {
					c, to := score[s]+math.Log(e)+stay, t
					if slipped {
						c, to = score[s]+math.Log(e)+slip, 1-t
					}
					if c > next[to] {
						next[to] = c
						back[i+1][to] = step{int8(s), pass}
					}
				}
			}
		}
		score = next
	}
	s := 0
	if score[1] > score[0] {
		s = 1
	}
	n := 0
	var ids [maxOfKind]int
	var dirs [maxOfKind]int8
	for i := r.n; i > 0; i-- {
		b := back[i][s]
		if b.pass {
			ids[n], dirs[n] = r.id[i-1], 1-2*b.from
			n++
		}
		s = int(b.from)
	}
	if n == 0 {
		return
	}
	ph.n = min(n, maxPasses)
	for x := range ph.n {
		// In order of time; the last ones if there are too many.
		ph.passes[x], ph.dirs[x] = ids[ph.n-1-x], dirs[ph.n-1-x]
	}
}
