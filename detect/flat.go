package detect

import "math"

// An adjustment that is too flat to see: in a small bore a tilt moves the reading by
// less than the noise. What it can hide is bounded by how far the reading moved while
// it was played, and is part of the uncertainty.

// flatSeconds is how long the reading must stay within what can be seen, beside
// the play of the other adjustment, to be taken for an adjustment that was
// played and is too flat to see, s. A hand that only waits takes less.
const flatSeconds = 6.0

// flatAfterSeconds is the same after the other adjustment: a hand that has finished
// may wait long before it takes the ring away.
const flatAfterSeconds = 10.0

// flatRestSeconds is the same for a rest that comes after a movement of flatSettle
// seconds at most: of the carriage, or of a tilt that is flat near square only.
const flatRestSeconds, flatSettle = 8.0, 5.0

// flatUM is how far the reading may move in flatWideSeconds while an adjustment is
// played unseen, µm: the hand and the room move it too.
const flatUM, flatWideSeconds = 0.3, 8.0

// flatEndSeconds is how long before the end of such a stretch its last level is read, s.
const flatEndSeconds = 0.7

// flatWanderUM is by how much the lowest of some levels in such a stretch lies below
// the others by wander alone, µm.
const flatWanderUM = 0.08

// lowUM is how far the reading may move in lowSeconds or more while an adjustment is
// played for it to be bounded rather than seen, µm: a tilt of 10 mrad moves it by 0.15 µm
// in a ring of 6 mm, by 0.5 µm in one of 12 mm.
const lowUM, lowSeconds = 0.6, 5.0

// settledSeconds is how long the carriage may settle at the beginning, s.
const settledSeconds = 1.5

// estimateLow handles a rotation that was played first and long, to and fro, and
// moved the reading by lowUM at most: whether its extremum was passed cannot be
// told for certain, and what it can hide is bounded by that movement.
func (a *analyser) estimateLow() bool {
	d, e := &a.dec, &a.est
	if !e.ok || d.n != 2 || d.ph[0].slide > 0 || d.ph[1].slide > 0 || !d.ph[1].caught {
		return false
	}
	one := &d.ph[0]
	flat, caught := one.seek, 1-one.seek
	h := &a.hinges[one.to]
	if s := a.p.Seeks[flat].Adjustment; s != Tilt && s != Swivel || one.n == 0 || !h.seen || one.caught && d.prob[flat] >= 1-a.p.FalseProbability {
		return false
	}
	turns := 0
	for i := range a.piv {
		if a.piv[i].k < h.a {
			turns++
		}
	}
	// What settles at first is not play.
	from := a.hinges[0].b
	for from < h.a && a.t[from]-a.t[0] < settledSeconds {
		from++
	}
	lo, up := math.Inf(1), math.Inf(-1)
	for _, v := range a.sm[from : h.b+1] {
		lo, up = math.Min(lo, v), math.Max(up, v)
	}
	low := math.Max(lowUM, math.Max(8*a.sigma, 2*a.q))
	if up-lo > low || turns < 2 || a.t[h.b]-a.t[0] < lowSeconds {
		return false
	}
	sg := -float64(a.sense(flat))
	r := math.Min(up-lo, math.Max(0, (h.level-one.value)*sg))
	e.flat, e.flatSeek = true, flat
	// Between nothing and all of what was seen to be left.
	e.saddle = e.value[caught] + e.slope*(e.tEnd-e.valueT[caught]) - 0.5*r*sg
	e.u = math.Sqrt(e.valueU[caught]*e.valueU[caught] + r*r/12 + 0.01*(up-lo)*(up-lo))
	e.value[flat], e.valueU[flat], e.valueT[flat] = one.value, 0.3*(up-lo), a.t[from]
	return true
}

// flatLead returns the bins of a stretch at the beginning of the contact, at once or
// after the carriage has settled, in which the reading moves so little for so long
// that an adjustment was played there unseen.
func (a *analyser) flatLead(visible, band float64) (from, to int, ok bool) {
	until := func(from int, band float64) int {
		lo, up := a.sm[from], a.sm[from]
		for i := from; i < len(a.sm); i++ {
			lo, up = math.Min(lo, a.sm[i]), math.Max(up, a.sm[i])
			if up-lo > band {
				return i
			}
		}
		return len(a.sm)
	}
	settled := 0
	for settled < len(a.t)-1 && a.t[settled]-a.t[0] < settledSeconds {
		settled++
	}
	for _, from := range [...]int{0, settled} {
		to, wide := until(from, visible), until(from, band)
		if wide-from >= 8 && (a.t[to-1]-a.t[0] >= flatSeconds || a.t[wide-1]-a.t[0] >= flatWideSeconds) {
			return from, wide, true
		}
	}
	for _, r := range a.rests {
		if a.t[r.a]-a.t[0] > flatSettle {
			break
		}
		if a.t[r.b]-a.t[r.a] >= flatRestSeconds {
			return r.a, max(until(r.a, band), r.b+1), true
		}
	}
	return 0, 0, false
}

// estimateFlat looks for an adjustment that was played unseen while the other
// one was caught: a long stretch at the beginning or at the end in which the
// reading moves by less than can be seen. What the adjustment can have left
// there is bounded by that movement. Only a rotation can be that flat: 1 mrad
// moves the reading by some nanometres in a ring of 6 mm, but 0.1 mm of the cross
// slide by 0.14 µm even in one of 150 mm. A cross maximum that was not seen was not
// played.
func (a *analyser) estimateFlat() {
	d, e := &a.dec, &a.est
	if a.estimateLow() || !e.ok || d.mask == 0 {
		return
	}
	caught := d.mask >> 1
	weak := d.mask == 3 // a claim that is not even a doubt
	if weak {
		if caught = 0; d.prob[1] > d.prob[0] {
			caught = 1
		}
		if d.prob[1-caught] >= minClaim {
			return
		}
	}
	flat := 1 - caught
	if s := a.p.Seeks[flat].Adjustment; s != Tilt && s != Swivel {
		return
	}
	visible := math.Max(0.15, math.Max(4*a.sigma, 1.5*a.q))
	if visible > lowUM {
		return // steps or noise hide more than a tilt in a small bore
	}
	band := math.Max(flatUM, math.Max(6*a.sigma, 2*a.q))
	n := len(a.sm)
	from, to, leads := a.flatLead(visible, band)
	for i := range d.n {
		if ph := &d.ph[i]; ph.seek == flat && !(leads && (weak || a.hinges[ph.to].a < to)) {
			return // it was seen to be played
		}
	}
	// The other adjustment begins to move before the band is left.
	ref := to - 1
	for ref > from && a.t[to-1]-a.t[ref] < flatEndSeconds {
		ref--
	}
	if !leads {
		last := n - 1
		lo, up := a.sm[n-1], a.sm[n-1]
		for last > 0 {
			lo, up = math.Min(lo, a.sm[last]), math.Max(up, a.sm[last])
			if up-lo > visible {
				break
			}
			last--
		}
		// What belongs to the caught adjustment's own rest does not count.
		for last < n-1 && a.t[last+1] < e.tEnd+1 {
			last++
		}
		from, to, ref = last+1, n, last+1
		if to-from < 8 || a.t[to-1]-a.t[from] < flatAfterSeconds {
			return
		}
	}
	// Means over a second: the level next to the other adjustment's play, and the
	// one nearest to the extremum.
	sg := -float64(a.sense(flat))
	level := func(i int) float64 {
		sum, m := 0.0, 0.0
		for j := from; j < to; j++ {
			if math.Abs(a.t[j]-a.t[i]) <= 0.5 {
				sum += a.z[j]
				m++
			}
		}
		return sum / m
	}
	end := level(ref)
	best := end
	for i := from; i < to; i += max(1, (to-from)/64) {
		if v := level(i); (v-best)*sg < 0 {
			best = v
		}
	}
	r := math.Max(0, (end-best)*sg-flatWanderUM)
	e.flat, e.flatSeek = true, flat
	e.saddle = e.value[caught] + e.slope*(e.tEnd-e.valueT[caught]) - 0.5*r*sg
	e.u = math.Sqrt(e.valueU[caught]*e.valueU[caught] + r*r/12 + 0.01*visible*visible)
	e.value[flat], e.valueU[flat], e.valueT[flat] = best, 0.5*visible, a.t[from]
}
