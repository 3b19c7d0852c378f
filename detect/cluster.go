package detect

import (
	"math"
)

// cluster finds how many of the reversals idx (of one kind, sg +1 for minima)
// agree at the bound and returns the evidence of all of them: the passes share
// one value, the others lie anywhere. It sorts idx from the bound inwards.
func (a *analyser) cluster(idx []int, sg, lnW float64, shape bool) (float64, int) {
	for x := 1; x < len(idx); x++ {
		id := idx[x]
		v := a.piv[id].v * sg
		k := x
		for k > 0 {
			u := a.piv[idx[k-1]].v * sg
			if u < v || u == v && idx[k-1] < id {
				break
			}
			idx[k] = idx[k-1]
			k--
		}
		idx[k] = id
	}
	total := 0.0
	for _, id := range idx {
		total += a.piv[id].lnw
	}
	ev := &a.evidence
	for x := range idx {
		ev[x] = math.Inf(-1)
	}
	ref := a.piv[idx[0]].v
	look := &a.look
	var even, uneven float64
	for x, id := range idx {
		look[x] = 0
		if shape {
			even += a.piv[id].even
			uneven += a.piv[id].uneven
			look[x] = a.handsShape(even, uneven)
		}
	}
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
			e := ln + look[x] - 0.5*chi + 0.5*math.Log(2*math.Pi/sw) - lnW - rest + sp.lnw
			if x == 0 {
				e = -total + look[x] + sp.lnw
			}
			if k > 0 {
				e = a.logAdd(ev[x], e)
			}
			ev[x] = e
			if chi > 60 {
				break
			}
		}
	}
	flexed := false
	if shape {
		flexed = a.flexed(idx, total, lnW, ev[:len(idx)])
	}
	best, bestN := math.Inf(-1), 0
	for x := range idx {
		if e := ev[x] + float64(len(idx)-x-1)*lnTurn; e > best {
			best, bestN = e, x+1
		}
	}
	a.flexedPasses = flexed && bestN >= 3
	return best, bestN
}

// flexed adds to ev the evidence that the passes lie at two levels in turn: the
// frame gives to the hand, and neighbouring passes run in opposite directions.
// It reports whether that is the better explanation of the largest set.
func (a *analyser) flexed(idx []int, total, lnW float64, ev []float64) bool {
	const spread, flex, lnw = 0.04, 0.25, -1.6
	better := false
	order := &a.order
	rest := total
	best := math.Inf(-1)
	for x, id := range idx {
		rest -= a.piv[id].lnw
		// The passes in order of time.
		k := x
		for k > 0 && order[k-1] > id {
			order[k] = order[k-1]
			k--
		}
		order[k] = id
		if x < 2 || math.Abs(a.piv[id].v-a.piv[idx[0]].v) > 1.2 {
			continue
		}
		ref := a.piv[idx[0]].v
		var m11, m12, m22, b1, b2, yy, ln float64
		m22 = 1 / (flex * flex)
		for r, o := range order[:x+1] {
			p := &a.piv[o]
			v := p.s*p.s + spread*spread
			if a.coarse {
				v += a.q * a.q / 12
			}
			w, y, dir := 1/v, p.v-ref, 1.0
			if r%2 == 1 {
				dir = -1
			}
			m11 += w
			m12 += w * dir
			m22 += w
			b1 += w * y
			b2 += w * dir * y
			yy += w * y * y
			ln -= 0.5 * math.Log(2*math.Pi*v)
		}
		det := m11*m22 - m12*m12
		rss := yy - (m22*b1*b1-2*m12*b1*b2+m11*b2*b2)/det
		e := ln + a.look[x] - 0.5*rss - lnW - math.Log(flex*2.5066) + math.Log(2*math.Pi) - 0.5*math.Log(det) - rest + lnw
		if e+float64(len(idx)-x-1)*lnTurn > best {
			best = e + float64(len(idx)-x-1)*lnTurn
			better = e > ev[x]
		}
		ev[x] = a.logAdd(ev[x], e)
	}
	return better
}

// prominence gives each of the reversals idx (in order of time) the range over
// which it could lie had the hand turned at will: the climb that separates it
// from the next reversal beyond it, at most W. So wiggles prove nothing.
func (a *analyser) prominence(idx []int, sg, W float64) {
	lo, hi := idx[0], idx[len(idx)-1]
	for _, id := range idx {
		v := a.piv[id].v * sg
		climb := W
		for _, step := range [2]int{-1, 1} {
			top := v
			y := id + step
			for y >= lo && y <= hi {
				u := a.piv[y].v * sg
				top = max(top, u)
				if a.piv[y].kind == a.piv[id].kind && (u < v || u == v && y < id) {
					climb = min(climb, top-v)
					break
				}
				y += step
			}
		}
		p := &a.piv[id]
		if room := max(climb, 0.05, 2*p.s); room != p.room {
			p.room, p.lnw = room, math.Log(room)
		}
	}
}

// weighPivots works out what cluster needs of every pivot for each spread.
func (a *analyser) weighPivots() {
	for i := range a.piv {
		p := &a.piv[i]
		for k, sp := range spreads {
			v := p.s*p.s + sp.s*sp.s
			if a.coarse {
				v += a.q * a.q / 12
			}
			p.weight[k], p.halfLn[k] = 1/v, 0.5*math.Log(2*math.Pi*v)
		}
	}
}
