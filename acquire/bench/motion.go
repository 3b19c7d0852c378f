package bench

import (
	"math"
	"math/rand/v2"
)

// pathPieces is the number of pieces of a movement; the speed is linear in time
// within each, so that position and speed are continuous.
const pathPieces = 12

// path is one movement of a hand from one place to another without turning
// back: position over time, piecewise quadratic.
type path struct {
	tau float64 // duration of a piece, s
	pos [pathPieces + 1]float64
	vel [pathPieces + 1]float64
}

// style is how a hand moves within a sweep.
type style struct {
	uneven float64 // standard deviation of the logarithm of the speed
	care   float64 // share by which the hand slows down at slowAt, 0 to 0.9
	slowAt float64 // position of the extremum as the knob meets it
	abrupt bool    // runs into a stop: the speed does not fall to zero first
}

// newPath draws a movement. The speed follows a random course that is positive
// throughout, starts from zero and (unless abrupt) ends at zero.
func newPath(rng *rand.Rand, from, to, dur float64, st style) path {
	p := path{tau: dur / pathPieces}
	var w [pathPieces + 1]float64
	x := 0.0
	for i := range w {
		x = 0.5*x + 0.87*rng.NormFloat64()
		w[i] = math.Exp(st.uneven * x)
	}
	w[0] = 0
	if !st.abrupt {
		w[pathPieces] = 0
	}
	p.integrate(from, to, w)
	if st.care > 0 && from != to {
		// The hand slows down where the digits turn. The course over time depends on
		// where the slowing happens, so it is found in two rounds.
		width := 0.2 * math.Abs(to-from)
		for range 2 {
			v := w
			for i := range v {
				d := (p.pos[i] - st.slowAt) / width
				v[i] *= 1 - st.care*math.Exp(-d*d)
			}
			p.integrate(from, to, v)
		}
	}
	return p
}

// integrate sets positions and speeds from the relative speeds w.
func (p *path) integrate(from, to float64, w [pathPieces + 1]float64) {
	sum := 0.0
	for i := range pathPieces {
		sum += (w[i] + w[i+1]) / 2 * p.tau
	}
	k := 0.0
	if sum > 0 {
		k = (to - from) / sum
	}
	p.pos[0] = from
	for i := range w {
		p.vel[i] = k * w[i]
		if i > 0 {
			p.pos[i] = p.pos[i-1] + (p.vel[i-1]+p.vel[i])/2*p.tau
		}
	}
	p.pos[pathPieces] = to
}

// at returns the position t seconds after the start.
func (p *path) at(t float64) float64 {
	if t <= 0 {
		return p.pos[0]
	}
	i := int(t / p.tau)
	if i >= pathPieces {
		return p.pos[pathPieces]
	}
	s := t - float64(i)*p.tau
	return p.pos[i] + p.vel[i]*s + (p.vel[i+1]-p.vel[i])*s*s/(2*p.tau)
}

// legKind says what a leg of the hand's course does.
type legKind uint8

const (
	legHold     legKind = iota // nothing moves
	legKnob                    // the knob of one adjustment turns
	legCarriage                // the carriage moves to or from the part
	legEvent                   // takes no time
)

// event is something that happens between two movements.
type event uint8

const (
	evNone       event = iota
	evSet              // out of contact: both adjustments are put to set[0], set[1]
	evPhaseStart       // the hand takes up adjustment adj
	evPhaseEnd         // the knob of adjustment adj has come to its last rest
	evPreset           // the reading steps by value mm
	evClockJump        // the time stamps jump by value s
	evDustLeaves       // the speck of dust under a contact goes
	evEntryEnd         // withdrawn
	evLook             // the hand looks at the screen after a sweep of adjustment adj
	evJudge            // and with the hands off, after the phase of adjustment adj
)

// handOff says that no knob is touched.
const handOff = -1

// leg is one stretch of the hand's course.
type leg struct {
	kind  legKind
	event event
	adj   int8
	hand  int8 // the adjustment whose knob is touched, or handOff
	dir   int8 // direction of the knob
	dur   float64
	skip  float64 // seconds of the path already gone at the start of the leg
	path  path
	// carriage: gap at the end (mm, signed); touch says that this is contact.
	touch      bool
	accidental bool
	value      float64
	set        [2]float64
}

// follower is the mechanism between a knob and its adjustment: backlash, then
// stick-slip.
type follower struct {
	half  float64 // half of the lost motion
	stick float64 // largest jump; 0 for none
	after float64 // position behind the backlash
	pos   float64 // position of the adjustment
	next  float64 // distance at which the next jump comes
	rng   *rand.Rand
}

func (f *follower) put(x float64) {
	f.after, f.pos = x, x
	f.draw()
}

func (f *follower) draw() {
	if f.stick > 0 {
		f.next = f.stick * (0.3 + 0.7*f.rng.Float64())
	}
}

// move turns the knob to a position; between two calls it moves one way.
func (f *follower) move(knob float64) {
	switch {
	case knob-f.after > f.half:
		f.after = knob - f.half
	case f.after-knob > f.half:
		f.after = knob + f.half
	}
	if f.stick <= 0 {
		f.pos = f.after
		return
	}
	if math.Abs(f.after-f.pos) >= f.next {
		f.pos = f.after
		f.draw()
	}
}
