package detect

import (
	"math"
	"slices"
)

// Flexure belongs to the frame and the hand, not to one adjustment. The hand's
// force turns with the direction of the knob, and passes over an extremum run in
// opposite directions in turn, so a frame that gives shows passes at two levels in
// turn. Where one adjustment shows that and the other one has passes of one level
// only, what was taken for turn-backs there may be the passes of the other
// direction.

const (
	// leastFlexUM is the least flexure that counts, µm.
	leastFlexUM = 0.08
	// flexScatter is how far passes of one direction may lie apart, µm.
	flexScatter = 0.15
)

// twoLevels returns half the distance between the levels of the reversals ids (in
// order of time, in opposite directions in turn), their middle, and how far those
// of one direction lie apart at most.
func (a *analyser) twoLevels(ids []int) (half, middle, scatter float64) {
	var sum, n, lo, hi [2]float64
	lo = [2]float64{math.Inf(1), math.Inf(1)}
	hi = [2]float64{math.Inf(-1), math.Inf(-1)}
	for x, id := range ids {
		v, k := a.piv[id].v, x%2
		sum[k] += v
		n[k]++
		lo[k], hi[k] = math.Min(lo[k], v), math.Max(hi[k], v)
	}
	if n[1] == 0 {
		return 0, sum[0] / n[0], hi[0] - lo[0]
	}
	up, down := sum[0]/n[0], sum[1]/n[1]
	return 0.5 * (up - down), 0.5 * (up + down), math.Max(hi[0]-lo[0], hi[1]-lo[1])
}

// shareFlexure looks for a phase whose passes lie at two levels and takes what it
// tells to the phases of the other adjustment. It sets flex, the flexure to reckon
// with for each adjustment beyond what its own passes tell, µm.
func (a *analyser) shareFlexure() {
	d := &a.dec
	a.flex = [2]float64{}
	var seen [2]float64
	for i := range d.n {
		ph := &d.ph[i]
		if !ph.caught || ph.slide > 0 || ph.n < 3 {
			continue
		}
		half, _, scatter := a.twoLevels(ph.passes[:ph.n])
		if half = math.Abs(half); half > leastFlexUM && scatter < math.Max(flexScatter, half) && half > 1.5*scatter-leastFlexUM {
			seen[ph.seek] = math.Max(seen[ph.seek], half)
		}
	}
	for i := range d.n {
		ph := &d.ph[i]
		f := seen[1-ph.seek]
		if !ph.caught || ph.slide > 0 || f == 0 || ph.n == 0 {
			continue
		}
		half, _, _ := a.twoLevels(ph.passes[:ph.n])
		if ph.n >= 2 && math.Abs(half) > 0.5*f {
			continue // it shows here too
		}
		if !a.takeOtherWay(ph, f) && ph.n != 2 {
			a.flex[ph.seek] = math.Max(a.flex[ph.seek], f)
		}
		if a.left > 0 {
			a.flex[ph.seek] = math.Max(a.flex[ph.seek], f)
		}
	}
}

// takeOtherWay adds to the passes of ph the reversals that lie from them as those
// of the other direction do at a flexure of about f, if all together then lie at
// two levels in turn. It sets left to the number of reversals at that distance that
// it did not take.
func (a *analyser) takeOtherWay(ph *phase, f float64) bool {
	sense := a.sense(ph.seek)
	sg := -float64(sense)
	end := a.hinges[ph.to].a
	var ids [maxPasses]int
	n, more := 0, 0
	for x := a.hinges[ph.from].next; x < len(a.piv) && a.piv[x].k < end; x++ {
		p := &a.piv[x]
		if p.kind != sense {
			continue
		}
		in := slices.Contains(ph.passes[:ph.n], x)
		if off := (p.v - ph.value) * sg; !in && (off < 1.2*f || off > 3*f+0.1 || p.prom < f) {
			continue
		}
		if !in {
			more++
		}
		if n == maxPasses {
			return false
		}
		ids[n] = x
		n++
	}
	a.left = more
	if more == 0 {
		return false
	}
	half, middle, scatter := a.twoLevels(ids[:n])
	if scatter > flexScatter || math.Abs(half) < 0.5*f || math.Abs(half) > 1.6*f {
		return false
	}
	ph.n, ph.passes, ph.value = n, ids, middle
	a.left = 0
	return true
}
