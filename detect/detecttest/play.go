package detecttest

import "math"

// drop draws what a sweep shows on the digits, µm.
func (s *sim) drop(adj int) float64 {
	return math.Max(s.person.amp[adj]*s.r.lognormal(s.person.ampSD), s.dmin*s.r.uniform(1, 1.4))
}

// playFull passes the extremum to and fro, with sweeps of scale times the usual
// size, and brings the digits home.
func (s *sim) playFull(adj, passes int, scale float64) {
	r, t := s.r, s.person
	side := -1.0
	if s.pos[adj] < 0 {
		side = 1
	}
	habit := t.habit[adj]
	for i := range passes {
		d := math.Max(s.drop(adj)*scale, s.dmin)
		mul := 1.0
		switch habit {
		case habitHome:
			if i == 0 {
				mul, d = r.uniform(2, 4), d*r.uniform(1.2, 2)
			} else {
				mul = r.uniform(0.6, 1)
			}
		case habitOneWay:
			if i%2 == 0 {
				mul = r.uniform(0.7, 1.1)
			} else {
				mul = r.uniform(2.5, 5)
			}
		case habitAlternate:
			if i%2 == 1 {
				d = math.Max(d*r.uniform(0.2, 0.45), s.dmin)
			}
		case habitStop:
			e := math.Max(0.02, t.parkUM*0.5)
			s.sweepTo(adj, r.normal(math.Sqrt(e)*0.7), 0.9)
			s.wait(r.uniform(0.35, 0.8), adj, r.chance(0.7))
		}
		s.sweepTo(adj, side*math.Sqrt(d), mul)
		if r.chance(0.5) {
			s.wait(r.logUniform(0.05, 0.8), adj, true)
		}
		side = -side
		if habit == habitHome {
			scale *= r.uniform(0.4, 0.75)
		} else {
			scale *= t.shrink * r.lognormal(0.1)
		}
	}
	s.homeIn(adj)
}

// homeIn brings the digits to their extremum as the person sees them, and leaves them there.
func (s *sim) homeIn(adj int) {
	r, t := s.r, s.person
	park := t.parkUM * math.Exp(0.8*r.NormFloat64()-0.3)
	if r.chance(t.sloppy) {
		park = math.Max(park, r.logUniform(0.15, 1.2))
	}
	n := r.integer(0, 3)
	e := math.Max(0.3, 2*t.parkUM) * r.uniform(0.8, 3)
	park = math.Min(park, 0.7*t.amp[adj]) // small rings: the table ends there
	e = math.Min(e, 0.9*t.amp[adj])
	side := 1.0
	if s.pos[adj] > 0 {
		side = -1
	}
	for range n {
		s.move(adj, side*math.Sqrt(e), r.uniform(0.5, 0.9), false)
		s.wait(r.uniform(0.1, 0.5), adj, true)
		side = -side
		e *= r.uniform(0.2, 0.6)
	}
	f := math.Sqrt(park) * r.sign()
	s.move(adj, f, r.uniform(0.4, 0.8), true)
	s.wait(r.uniform(0.15, 0.9), adj, true)
}

// playNever sweeps on one side of the extremum only and turns back at levels of
// its own, or all at one level, fixed > 0, with a scatter (both µm): at a stop or
// at remembered digits.
func (s *sim) playNever(adj, n int, fixed, scatter float64, stop bool) {
	r := s.r
	side := 1.0
	if s.pos[adj] < 0 {
		side = -1
	}
	level := func() float64 {
		if fixed > 0 {
			return math.Max(0.2, fixed+r.normal(scatter))
		}
		return r.logUniform(s.dmin*0.8, s.dmin*0.8+9)
	}
	for i := range n {
		l := level()
		if i == 0 && s.pos[adj]*s.pos[adj] < l*1.5 {
			s.move(adj, side*math.Sqrt(l+s.drop(adj)), 1, false)
		}
		if stop {
			s.move(adj, side*math.Sqrt(l), r.uniform(0.7, 1.3), true)
			for k := int(r.uniform(0.1, 0.6) / dt); k > 0; k-- { // pressed on the stop
				s.record(int8(adj+1), 0, -side)
			}
		} else {
			s.sweepTo(adj, side*math.Sqrt(l), r.uniform(0.7, 1.3))
			if r.chance(0.4) {
				s.wait(r.uniform(0.1, 0.7), adj, true)
			}
		}
		if i == n-1 && r.chance(0.6) {
			break
		}
		s.sweepTo(adj, side*math.Sqrt(l+s.drop(adj)), r.uniform(0.7, 1.6))
	}
	s.wait(r.uniform(0.2, 0.8), adj, true)
}

// playOnce passes the extremum a single time and stays on the far side.
func (s *sim) playOnce(adj int) {
	r := s.r
	side := -1.0
	if s.pos[adj] < 0 {
		side = 1
	}
	d := s.drop(adj)
	s.sweepTo(adj, side*math.Sqrt(d), 1)
	if r.chance(0.5) { // a start of a return that never gets there
		b := math.Max(d*r.uniform(0.3, 0.8), s.dmin*0.8)
		s.move(adj, side*math.Sqrt(math.Min(b, d)), 0.8, false)
	}
	s.wait(r.uniform(0.2, 0.8), adj, true)
}
