package narrow

import "math"

// look is what the digits show, late by the person's reaction, µm, times sense.
func (s *sim) look() float64 {
	i := max(0, s.now()-1-int(s.person.reaction*1000))
	v := s.sense * math.Round(s.shown[i]/s.q) * s.q
	s.best = min(s.best, v)
	return v
}

// wait lets sec seconds pass.
func (s *sim) wait(sec float64) {
	s.knobV = 0
	for range int(sec * 1000) {
		if s.lost {
			return
		}
		s.look()
		s.step()
	}
}

// moveTo reaches for a position of the knob at a peak speed v, √µm/s: with a jerk
// that is nearly the least, an error where it ends, and a wrist that is not even.
func (s *sim) moveTo(target, v float64) {
	d := target - s.knob[s.hand]
	if math.Abs(d) < 1e-4 {
		return
	}
	d *= 1 + 0.02*max(-2, min(2, s.NormFloat64()))
	sec := max(0.25, 1.875*math.Abs(d)/v) * s.uniform(0.85, 1.2)
	n := int(sec * 1000)
	skew := s.uniform(0.85, 1.2) // where the peak of the speed lies
	done := func(f float64) float64 {
		f = math.Pow(f, skew)
		return f * f * f * (10 - 15*f + 6*f*f)
	}
	for i := range n {
		if s.lost {
			return
		}
		s.knobV = d * (done(float64(i+1)/float64(n)) - done(float64(i)/float64(n))) / dt
		s.look()
		s.step()
	}
	s.knobV = 0
}

// sweep is one turn of the knob in one direction.
type sweep struct {
	dir    float64     // +1 or −1
	v      float64     // √µm/s, peak of the speed
	pastUM float64     // the digits beyond the best at which it ends
	limit  float64     // √µm in dir, where it ends at the latest
	doubts float64     // 1/s, chance to go back a little
	until  func() bool // ends it too, where there is one; doubts do not arise then
	hard   bool        // it ends at once, metal on metal
}

// longest is the number of steps of the longest sweep.
const longest = 60_000

// turn carries out a sweep.
func (s *sim) turn(w sweep) {
	a, p := s.hand, &s.person
	acc := w.v / s.uniform(0.12, 0.4)
	v, twisted, gripped := 0.0, 0.0, 0.0
	halt := func() {
		s.slowDown(v, acc, w.dir)
		v = 0
	}
	from := s.now()
	s.best = math.Inf(1)
	for !s.lost && s.now()-from < longest {
		seen := s.look()
		if w.until != nil && w.until() {
			break
		}
		if seen-s.best > w.pastUM && s.now()-from > int(p.reaction*1000) {
			break
		}
		if w.dir*s.knob[a] > w.limit {
			break
		}
		v = min(v+acc*dt, s.pace(w.v))
		s.knobV = w.dir * v
		twisted += v * dt
		gripped += v * dt
		s.step()
		switch {
		case p.twist > 0 && twisted > p.twist:
			twisted = s.uniform(-0.1, 0.12)
			halt()
			s.wait(s.uniform(0.15, 0.6) + p.pause*s.ExpFloat64()*0.3)
		case p.regrip > 0 && gripped > p.regrip:
			gripped = 0
			halt()
			s.wait(0.1)
			s.hand = handsOff
			s.wait(s.uniform(0.2, 0.5))
			s.hand = a
		case w.until == nil && s.chance(w.doubts*dt) && s.now()-from > 400:
			halt()
			s.wait(s.uniform(0.03, 0.5))
			s.moveTo(s.knob[a]-w.dir*s.logUniform(0.12, 0.7), w.v)
			s.wait(s.uniform(0.03, 0.4))
		}
	}
	if w.hard {
		s.knobV = 0
		return
	}
	s.slowDown(v, acc*1.5, w.dir)
}

// pace is the speed wanted in this step, of v at the peak: uneven, and the person's
// own where the digits hardly move.
func (s *sim) pace(v float64) float64 {
	const unevenT = 0.35 // s
	s.uneven += -s.uneven*dt/unevenT + 0.22*s.NormFloat64()*math.Sqrt(2*dt/unevenT)
	k := s.knob[s.hand]
	f := 1 + (s.person.flat-1)*math.Exp(-k*k/0.25)
	return v * f * max(0.25, 1+s.uneven)
}

// slowDown brings the knob to rest from v.
func (s *sim) slowDown(v, acc, dir float64) {
	for v > 0 && !s.lost {
		v -= acc * dt * 1.5
		s.knobV = dir * max(0, v)
		s.look()
		s.step()
	}
	s.knobV = 0
}
