package narrow

import (
	"math"

	"ringsaddle/detect/detecttest"
)

const (
	dt     = 1e-3      // s, step of the simulation
	stepNS = 1_000_000 // the same, ns
)

// handsOff is the adjustment in hand when none is.
const handsOff = -1

// sim is the state and the record of bench and hand. Adjustments are in √µm: the
// reading lies the square of it off its extremum.
type sim struct {
	source
	bench
	person person
	class  detecttest.Class

	hand      int     // adjustment in hand, or handsOff
	sense     float64 // +1 where a minimum is looked for, −1 where a maximum is
	knobV     float64 // √µm/s
	knob      [2]float64
	behind    [2]float64 // behind the backlash
	pos       [2]float64 // the adjustment
	liftUM    float64    // of the contact off the ring
	best      float64    // µm, the best digits seen in this sweep, times sense
	uneven    float64    // of the speed
	tremor    float64    // rad, its phase
	bend      float64    // µm, of the frame under the fingers
	carriage  float64    // µm, behind the hysteresis
	fast      float64    // µm, the wander before it is smoothed
	slow      float64    // µm, and after
	nextBurst int        // step in which vibration begins again
	bursts    []burst
	lossAt    int // step in which contact is lost; 0: in none
	lost      bool

	// The record, one entry a step.
	shown    []float64    // µm, the reading without noise
	clean    []float64    // µm, what geometry and drift give
	adjusted [2][]float64 // pos
	entries  []entry
}

// burst is a burst of vibration; times in steps.
type burst struct{ from, to, amp, hz, phase float64 }

// now is the number of the step that comes.
func (s *sim) now() int { return len(s.shown) }

// bore is the reading of two balls of radius r in a bore of radius R, mm, exactly: y
// is the cross travel, mm, and theta the tilt, rad.
func bore(R, r, y, theta float64) float64 {
	a := R - r
	return 2*math.Sqrt(a*a-y*y)/math.Cos(theta) + 2*r
}

// yMM is the cross travel of a position, mm: y² over R − r is what it takes off.
func (b *bench) yMM(cross float64) float64 { return cross * math.Sqrt(b.radiusDiffMM()*1e-3) }

// off is how far the reading lies above that of the saddle, µm.
func (s *sim) off() float64 {
	chordUM := 2 * s.radiusDiffMM() * 1000
	theta := s.pos[detecttest.Tilt] * math.Sqrt(2/chordUM)
	return (bore(s.boreMM, s.ballMM, s.yMM(s.pos[detecttest.Cross]), theta) - 2*s.boreMM) * 1e3
}

// record notes a step.
func (s *sim) record(shown, clean float64) {
	s.shown = append(s.shown, shown)
	s.clean = append(s.clean, clean)
	for a := range s.pos {
		s.adjusted[a] = append(s.adjusted[a], s.pos[a])
	}
}

// step lets a millisecond pass.
func (s *sim) step() {
	n := s.now()
	t := float64(n) * dt
	for a := range s.knob {
		s.drive(a, t)
	}
	drift := s.driftPerMS() * float64(n)
	off := s.off()
	x := off
	if s.dust.on {
		if s.dust.goes >= 0 && n >= s.dust.goes {
			s.dust.on = false
		} else {
			x -= s.dust.um
		}
	}
	x = s.drag(x + s.liftUM)
	s.flex()
	s.roam()
	x += s.bend + s.slow
	if s.class == ClassVibration {
		x += s.vibration(n, t)
	}
	s.record(x+drift, off+drift)
	if s.lossAt > 0 && s.now() >= s.lossAt {
		s.lost = true
	}
}

// drive moves a knob, if it is in hand, and what is behind it.
func (s *sim) drive(a int, t float64) {
	in := s.knob[a]
	if a == s.hand {
		s.knob[a] += s.knobV * dt
		in = s.knob[a]
		s.tremor += 2 * math.Pi * dt * (8.5 + 1.5*math.Sin(0.7*t)) // 7 to 10 Hz
		in += s.person.tremor * math.Sin(s.tremor) * (0.6 + 0.4*math.Sin(1.3*t+0.4))
	}
	s.behind[a] = min(max(s.behind[a], in-s.backlash/2), in+s.backlash/2)
	if s.stick == 0 {
		s.pos[a] = s.behind[a]
	} else if d := s.behind[a] - s.pos[a]; math.Abs(d) > s.stick {
		s.pos[a] += d * s.uniform(0.75, 1.05)
	}
}

// drag is the reading behind the hysteresis of the carriage, µm.
func (s *sim) drag(x float64) float64 {
	const free = 100 // µm of lift, with the carriage on the move
	if s.hyst == 0 || math.Abs(s.liftUM) >= free {
		s.carriage = x
	} else {
		s.carriage = min(max(s.carriage, x-s.hyst), x+s.hyst)
	}
	return s.carriage
}

// flex bends the frame under the fingers and lets it go.
func (s *sim) flex() {
	const (
		fullV = 0.12 // √µm/s, above which the flexure is nearly full
		riseT = 0.08 // s
		holdT = 2.5  // s in which fingers at rest let go
	)
	switch {
	case s.hand == handsOff:
		s.bend -= s.bend * dt / s.relaxT
	case s.knobV != 0:
		s.bend += (s.flexure*math.Tanh(s.knobV/fullV) - s.bend) * dt / riseT
	default:
		s.bend -= s.bend * dt / holdT
	}
}

// roam lets the reading wander.
func (s *sim) roam() {
	const wanderT, smoothT = 9.0, 0.8 // s
	s.fast += -s.fast*dt/wanderT + s.NormFloat64()*s.wander*math.Sqrt(2*dt/wanderT)
	s.slow += (s.fast - s.slow) * dt / smoothT
}

// vibration is what shakes the reading in step n, at t s, µm.
func (s *sim) vibration(n int, t float64) float64 {
	if n >= s.nextBurst {
		to := n + int(s.uniform(200, 1500))
		s.nextBurst = to + int(s.uniform(2500, 14000))
		s.bursts = append(s.bursts, burst{
			float64(n), float64(to), s.logUniform(0.15, 1), s.uniform(11, 45), s.uniform(0, 6.28),
		})
	}
	if len(s.bursts) == 0 {
		return 0
	}
	u := s.bursts[len(s.bursts)-1]
	if float64(n) >= u.to {
		return 0
	}
	f := (float64(n) - u.from) / (u.to - u.from)
	return u.amp * math.Sin(math.Pi*f) * math.Sin(2*math.Pi*u.hz*t+u.phase)
}
