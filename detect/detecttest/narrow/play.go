package narrow

import (
	"math"

	"ringsaddle/detect/detecttest"
)

// A manner is how one adjustment is played.
type manner int

const (
	full   manner = iota // passes to and fro, then left near the extremum
	once                 // a single pass
	never                // on one side only
	stop                 // back at a hard stop
	digits               // back at remembered digits
	parked               // passes, then left standing on the extremum
	tooLow               // as far as the stand of a small ring lets it, which shows nothing
)

// task is one adjustment to play.
type task struct {
	adj, passes int
	manner      manner
	lossAfter   int // sweeps, after which contact is lost in the next one, or neverLost
}

const neverLost = -1

// flatReach is how far a tilt that shows nothing can be moved, √µm.
const flatReach = 0.16

// play carries out a task and takes the hand off.
func (s *sim) play(k task) span {
	s.sense = 1
	if k.adj == detecttest.Cross {
		s.sense = -1
	}
	s.hand, s.lossAt = k.adj, 0
	from := s.now()
	s.wait(s.uniform(0.15, 0.6))
	v := s.person.speed * s.logUniform(0.75, 1.35)
	if k.manner == digits {
		v = min(v, 0.9)
	}
	if s.class == ClassSlow {
		v = min(v, 0.8)
	}
	side := math.Copysign(1, s.knob[k.adj])
	switch k.manner {
	case tooLow:
		s.playLow(side, v)
	case never, stop, digits:
		s.playOneSide(k, side, v)
	default:
		s.pass(k, from, side, v)
		s.leave(k, v)
	}
	s.wait(s.uniform(0.2, 1.0))
	s.hand, s.knobV, s.lossAt = handsOff, 0, 0
	return span{k.adj, from, s.now(), k.manner}
}

// playLow moves a tilt that shows nothing to and fro.
func (s *sim) playLow(side, v float64) {
	reach := s.uniform(0.9, 1.1) * flatReach
	for range 2 + s.IntN(4) {
		side = -side
		s.moveTo(side*reach*s.uniform(0.6, 1), max(0.06, v*0.15))
		s.wait(s.person.pause * s.uniform(0.3, 1.5))
	}
	s.moveTo(0.3*flatReach*s.NormFloat64(), 0.1)
}

// playOneSide sweeps on one side of the extremum only and turns back before it.
func (s *sim) playOneSide(k task, side, v float64) {
	p := &s.person
	edge := s.logUniform(0.28, 1.3) // √µm, where it turns back
	if k.manner != never {
		edge = s.logUniform(0.35, 1.3)
	}
	if math.Abs(s.knob[k.adj]) < edge+0.6 {
		s.moveTo(side*(edge+s.uniform(0.7, 1.4)), v)
	}
	n := 1 + s.IntN(4)
	if k.manner != never {
		n = 2 + s.IntN(4)
	}
	var mark float64 // µm, the digits remembered
	for i := range n {
		switch {
		case k.manner == never:
			s.moveTo(side*max(0.2, edge*math.Exp(0.3*s.NormFloat64())), v)
			s.wait(p.pause * s.uniform(0.1, 1.2))
		case k.manner == stop:
			at := func() bool { return side*s.knob[k.adj] <= edge }
			s.turn(sweep{dir: -side, v: v, pastUM: math.Inf(1), limit: math.Inf(1), until: at, hard: true})
			s.wait(s.uniform(0.05, 0.6))
		case i == 0:
			s.moveTo(side*edge, v)
			s.wait(p.reaction + p.pause*s.uniform(0.3, 1.2))
			mark = s.look()
		default:
			s.backToDigits(side, v, mark)
		}
		if i < n-1 || s.chance(0.6) {
			s.moveTo(side*(edge+s.logUniform(0.35, 1.4)), v*p.returns)
			s.wait(p.pause * s.uniform(0.1, 1))
		}
	}
}

// backToDigits turns until the digits are at mark: fast until they come near, then
// slowly.
func (s *sim) backToDigits(side, v, mark float64) {
	near := s.uniform(0.05, 0.4) // µm
	a := s.hand
	w := sweep{dir: -side, v: v, pastUM: math.Inf(1), limit: math.Inf(1)}
	w.until = func() bool { return s.look() <= mark+near || side*s.knob[a] < 0.33 }
	s.turn(w)
	w.v = v * s.uniform(0.05, 0.22)
	w.until = func() bool { return s.look() <= mark+s.q || side*s.knob[a] < 0.22 }
	s.turn(w)
	s.wait(s.person.pause * s.uniform(0.1, 1))
}

// mostSweeps is the largest number of sweeps of one task.
const mostSweeps = 18

// pass sweeps over the extremum to and fro until it has been passed as often as the
// task wants.
func (s *sim) pass(k task, from int, side, v float64) {
	p := &s.person
	seen := math.Sqrt(s.shows()) // √µm
	past := max(p.pastUM*s.logUniform(0.7, 1.5), 1.8*s.shows())
	least := 1.4*s.shows() + 0.05 // µm past the extremum
	if s.class == ClassCoarse {
		past, least = past+2, 2.4
	}
	limit := math.Sqrt(past) + 0.35*s.uniform(1, 2) + seen
	dir := -side
	if s.chance(p.wrong) && k.manner != once {
		dir = side
	}
	for i := 0; i < mostSweeps && !s.lost; i++ {
		if k.lossAfter == i {
			s.lossAt = s.now() + int(s.uniform(200, 1800))
		}
		speed := v * s.logUniform(0.85, 1.2)
		if i%2 == 1 {
			speed *= p.returns
		}
		if p.rocks && (i > 0 || dir == -side) {
			s.moveTo(dir*max(math.Sqrt(past)*s.logUniform(0.8, 1.25), 1.15*math.Sqrt(least)), speed*1.3)
		} else {
			w := sweep{dir: dir, v: speed, pastUM: past, limit: limit, doubts: s.doubts(k.manner)}
			if i == 0 && dir == side {
				w.limit = side*s.knob[k.adj] + s.uniform(0.2, 0.6)
			}
			s.turn(w)
			// The eye that was fooled by a frame that bends goes on.
			if dir*s.knob[k.adj] < seen && s.chance(0.5) && dir != side {
				continue
			}
		}
		s.wait(p.pause * (0.3 + 0.7*s.ExpFloat64()))
		if len(passes(s.adjusted[k.adj], from, s.now(), seen)) >= k.passes {
			break
		}
		dir = -dir
		past = max(past*p.shrink, least)
	}
}

// doubts is the chance to go back a little in mid-sweep, 1/s.
func (s *sim) doubts(m manner) float64 {
	switch {
	case m == once:
		return 0
	case s.class == ClassReversals:
		return max(0.35, 3*s.person.doubts)
	}
	return s.person.doubts
}

// leave leaves the adjustment where the manner says.
func (s *sim) leave(k task, v float64) {
	at := s.knob[k.adj]
	switch k.manner {
	case once:
		if s.chance(0.5) { // comes part of the way back
			s.moveTo(at*s.uniform(0.55, 0.9), v)
		}
	case parked:
		s.moveTo(s.uniform(0.02, 0.2)*math.Copysign(1, at), v*0.6)
		s.moveTo(0.06*s.NormFloat64(), 0.15)
		s.wait(s.uniform(2, 7))
	default:
		to := s.person.park * s.NormFloat64()
		if s.chance(0.4) { // goes near, looks, corrects
			s.moveTo(to+0.3*s.NormFloat64(), v)
			s.wait(s.person.pause * s.uniform(0.5, 1.2))
			s.moveTo(to, v*0.5)
		} else {
			s.moveTo(to, v)
		}
	}
}
