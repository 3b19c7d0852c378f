package narrow

import (
	"math"
	"slices"

	"ringsaddle/detect/detecttest"
)

// span is a phase in steps of the record.
type span struct {
	adj, from, to int
	manner        manner
}

// entry is what was done in one contact.
type entry struct {
	start, end int // steps: settled, withdrawn or lost
	lost       bool
	phases     []span
}

// leastSteps is how long a trace is at least.
const leastSteps = 20_000

// session makes all contacts of a trace, with the carriage away from the ring before,
// between and after them.
func (s *sim) session() {
	away := s.logUniform(1.5, 12) * 1000 // µm
	if s.chance(0.7) {
		away = -away
	}
	s.liftUM = away
	s.displace()
	s.record(s.liftUM, s.off())
	usual := s.both()
	tasks := s.spoil(slices.Clone(usual))
	s.wait(s.uniform(0.8, 2.5))
	s.enter(tasks, away)
	switch s.class {
	case ClassEntries:
		for range 1 + s.IntN(3) {
			s.wait(s.uniform(0.5, 3))
			if s.chance(0.5) {
				s.displace()
			} else {
				s.nudge()
			}
			s.enter(s.both(), away)
		}
	case ClassLost:
		switch s.IntN(3) {
		case 0: // gives up
		case 1: // goes on with the cross
			s.enter([]task{s.task(detecttest.Cross)}, away)
		case 2: // begins anew
			s.wait(s.uniform(0.5, 2))
			s.displace()
			s.enter(usual, away)
		}
	}
	for s.now() < leastSteps {
		s.wait(0.5)
	}
	s.wait(s.uniform(0.3, 1.5))
}

// task is an adjustment to be played in full.
func (s *sim) task(adj int) task {
	return task{adj, max(2, s.person.passes+s.IntN(3)-1), full, neverLost}
}

// both are the two adjustments in the usual order.
func (s *sim) both() []task { return []task{s.task(detecttest.Tilt), s.task(detecttest.Cross)} }

// spoil makes of the usual tasks what is played in the first contact of the class.
func (s *sim) spoil(ts []task) []task {
	either := s.IntN(2)
	switch s.class {
	case ClassNeverTilt:
		ts[0].manner = never
	case ClassNeverCross:
		ts[1].manner = never
	case ClassOnceTilt:
		ts[0].manner, ts[0].passes = once, 1
		return ts
	case ClassOnceCross:
		ts[1].manner, ts[1].passes = once, 1
		return ts
	case ClassOneKnob:
		ts = ts[either : either+1]
	case ClassCrossFirst:
		ts[0], ts[1] = ts[1], ts[0]
		return ts
	case ClassTouchUp:
		ts = append(ts, task{detecttest.Tilt, 2 + s.IntN(2), full, neverLost})
	case ClassEndStop:
		ts[either].manner = stop
	case ClassDigits:
		ts[either].manner = digits
	case ClassSmall:
		ts[0].manner = tooLow
	case ClassParked:
		which := s.IntN(3) // tilt, cross, both
		for i := range ts {
			if which == 2 || which == i {
				ts[i].manner, ts[i].passes = parked, 1+s.IntN(2)
			}
		}
	case ClassLost:
		ts[either].lossAfter = s.IntN(ts[either].passes + 1)
		ts[either].passes++
	}
	if s.chance(0.08) && s.class == ClassOrdinary {
		ts[0], ts[1] = ts[1], ts[0]
	}
	return ts
}

// displace puts the ring where it happens to stand.
func (s *sim) displace() {
	for a := range s.knob {
		s.knob[a] = s.uniform(0.8, 2.1) * s.sign()
		if s.class == ClassCoarse {
			s.knob[a] *= 1.3
		}
		if a == detecttest.Tilt && s.class == ClassSmall {
			s.knob[a] = flatReach * s.uniform(-1, 1)
		}
		s.pos[a], s.behind[a] = s.knob[a], s.knob[a]
	}
}

// nudge moves the ring a little between two contacts.
func (s *sim) nudge() {
	for a := range s.knob {
		s.knob[a] += 0.6*s.NormFloat64() + math.Copysign(0.5, s.knob[a])
		s.pos[a], s.behind[a] = s.knob[a], s.knob[a]
	}
}

// lateDust is how many steps before the end of the last phase a speck must go; one
// that would go later stays.
const lateDust = 300

// enter makes one contact: approach, settling, the tasks, withdrawal to where the
// carriage waits, µm.
func (s *sim) enter(tasks []task, away float64) {
	v := s.logUniform(1, 12) * 1000 // µm/s
	for math.Abs(s.liftUM) > v*dt {
		s.liftUM -= math.Copysign(v*dt, s.liftUM)
		s.step()
	}
	touch := s.now()
	push, tau := s.logUniform(0.4, 6)*s.sign(), s.logUniform(0.06, 0.5) // µm and s of the settling
	settled := tau * math.Log(math.Abs(push)/0.01)
	for i := range int((settled + 1) * 1000) {
		s.liftUM = push * math.Exp(-float64(i)*dt/tau)
		s.step()
	}
	s.liftUM = 0
	e := entry{start: touch + int(settled*1000)}
	s.wait(s.uniform(0.8, 3))
	for i, k := range tasks {
		e.phases = append(e.phases, s.play(k))
		if s.lost {
			break
		}
		if s.dust.goes == dustInDoubt && i == 0 {
			s.dust.goes = s.now() + int(s.uniform(0, 12000))
		}
		s.wait(s.uniform(1.2, 3.5))
	}
	if s.dust.goes > e.phases[len(e.phases)-1].to-lateDust {
		s.dust.goes = dustStays
	}
	if s.dust.goes == dustStays || (!s.lost && s.chance(0.3)) {
		s.wait(s.uniform(0.5, 3))
	}
	e.end, e.lost = s.now(), s.lost
	s.entries = append(s.entries, e)
	s.lost, s.lossAt = false, 0
	v = s.logUniform(3, 60) * 1000
	for math.Abs(s.liftUM) < math.Abs(away) {
		s.liftUM += math.Copysign(v*dt, away)
		s.step()
	}
	s.liftUM = away
	s.wait(s.uniform(0.4, 1.2))
}
