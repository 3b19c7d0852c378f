package detecttest

import "math"

// move turns the knob until the adjustment is at the target as seen on the
// digits, at mul times the usual speed; exact stops there without overshoot.
func (s *sim) move(adj int, target, mul float64, exact bool) {
	r, t := s.r, s.person
	dir := 1.0
	if target < s.pos[adj] {
		dir = -1
	}
	a := math.Sqrt(t.amp[adj])
	speed := 2 * a / t.passTime[adj] * mul * r.lognormal(0.22)
	dist := math.Abs(target - s.pos[adj])
	if dist > 5*a { // far away nobody is careful
		speed *= math.Sqrt(dist / (5 * a))
	}
	if dist < 0.5*a { // small steps are slow steps
		speed *= math.Max(0.25, math.Sqrt(dist/(0.5*a)))
	}
	if s.lastDir[adj] != 0 && s.lastDir[adj] != dir && t.dead > 0 {
		s.wait(t.dead*r.lognormal(0.4), adj, true)
	}
	s.lastDir[adj] = dir
	g := t.grip[adj]
	degree := 2 * a / (t.turns * 100) * math.Max(1, dist/(6*a))
	left := degree * r.uniform(15, 150) // the hand is somewhere in its first turn
	tapLen := 2 * a / t.taps
	if g == gripTap && (dist > 4*a || mul > 2) {
		g = gripTurn
	}
	if g == gripTap {
		left = tapLen * r.lognormal(0.35)
		speed = tapLen / r.uniform(0.07, 0.16) * math.Min(2, math.Max(0.5, mul))
	}
	stopTau := r.uniform(0.12, 0.3)
	if exact {
		stopTau = r.uniform(0.02, 0.08)
	}
	limit := len(s.knobVs) + int(40/dt)
	for len(s.knobVs) < limit {
		remains := dir * (target - s.out[adj])
		if remains <= 0 {
			break
		}
		v := math.Min(speed*s.unevenness(), remains/stopTau+0.06*speed+0.02)
		if g == gripTap {
			v = math.Min(v, math.Max(left, 0)/0.03+0.02*speed)
		} else if g == gripTurn {
			v = math.Min(v, math.Max(left, 0)/0.05+0.05*speed)
		}
		s.knobV += (dir*v - s.knobV) * dt / t.handTau
		k0 := s.knob[adj]
		s.drive(adj, s.knobV)
		left -= math.Abs(s.knob[adj] - k0)
		s.record(int8(adj+1), 0, 0)
		if left > 0 {
			continue
		}
		switch g {
		case gripTurn:
			d := r.uniform(t.regripLo, t.regripHi)
			s.wait(0.07, adj, true)
			s.knobV = 0
			s.wait(d, adj, !t.letsGo)
			left = degree * r.uniform(60, 150)
		case gripTap:
			s.wait(r.uniform(0.1, 0.42), adj, true)
			left = tapLen * r.lognormal(0.35)
		default:
			left = 1e9
		}
	}
	if exact {
		s.knobV = 0
	} else {
		s.wait(r.uniform(0.04, 0.18), adj, true)
	}
}

// sweepTo is a move with the false reversals of an unsteady hand.
func (s *sim) sweepTo(adj int, target, mul float64) {
	r := s.r
	n := 0
	for x := s.person.falseRev; x > 0; x-- {
		if r.chance(math.Min(1, x)) {
			n++
		}
	}
	for ; n > 0; n-- {
		from := s.pos[adj]
		d := target - from
		at := from + d*r.uniform(0.15, 0.75)
		back := at - d*r.uniform(0.06, 0.35)
		off := math.Sqrt(math.Max(0.3, s.dmin*0.4))
		// a reversal over the extremum would be a pass, not a false one
		if math.Abs(at) < off || math.Abs(back) < off || at*back < 0 {
			continue
		}
		s.move(adj, at, mul, false)
		if r.chance(0.4) {
			s.wait(r.uniform(0.05, 0.6), adj, true)
		}
		s.move(adj, back, mul, false)
	}
	s.move(adj, target, mul, false)
}
