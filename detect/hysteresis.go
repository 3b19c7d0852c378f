package detect

import "math"

// A carriage with play follows the reading only after it has gone twice the play's
// half-width H back. So at every extremum the reading is short of the truth by H, on
// the same side in every pass, and it stands still for a while before it falls away:
// of a parabola's two flanks the later one begins late. The saddle, a difference of
// two extrema and a rest, is off by up to H, and by 0.6 H on average in the
// direction of the last adjustment's passes, for most rests are reached by a reading
// that is still running towards its extremum.

const (
	// hystUM is the hysteresis to expect of a carriage whose flanks show none, µm:
	// common practice, no source.
	hystUM = 0.036
	// hystDepthUM is the depth at which the flanks are compared, µm.
	hystDepthUM = 0.25
	// hystLean is the mean logarithm of the flanks' ratio that hands alone make, and
	// hystPerLean what every unit more costs at the saddle, µm: fitted to passes of
	// two simulated benches with H from 0 to 0.15 µm.
	hystLean, hystPerLean = 0.1, 0.12
	// hystShortest is the shortest flank that can be compared, s.
	hystShortest = 0.03
)

// hysteresis returns by how much the reading at the saddle is held back, as the
// passes' flanks show it, and the standard uncertainty from that, µm.
func (a *analyser) hysteresis() (held, u float64) {
	d := &a.dec
	sum, n := 0.0, 0.0
	for i := range d.n {
		ph := &d.ph[i]
		if !ph.caught || ph.slide > 0 {
			continue
		}
		for _, id := range ph.passes[:ph.n] {
			if lean, ok := a.delayed(id); ok {
				sum += max(-1, min(1, lean))
				n++
			}
		}
	}
	if n == 0 {
		return 0, hystUM
	}
	held = hystPerLean * max(0, -sum/n-hystLean)
	return held, math.Hypot(hystUM, 0.9*held)
}

// delayed returns the logarithm of the ratio of the later to the earlier flank of
// pivot id, as times from its vertex to hystDepthUM; it is negative where the
// reading stands still after its extremum, as the vertex of the fit then lies late.
func (a *analyser) delayed(id int) (lean float64, ok bool) {
	p := &a.piv[id]
	depth := max(hystDepthUM, 6*a.ss[p.k], 1.5*a.q)
	if a.movedInOne(id) < 1.5*depth {
		return 0, false
	}
	sg := float64(-p.kind)
	l, r := p.k, p.k
	for l > 0 && (a.sm[l]-p.v)*sg < depth {
		l--
	}
	for r < len(a.sm)-1 && (a.sm[r]-p.v)*sg < depth {
		r++
	}
	before, after := p.t-a.t[l], a.t[r]-p.t
	if min(before, after) <= hystShortest {
		return 0, false
	}
	return math.Log(after / before), true
}
