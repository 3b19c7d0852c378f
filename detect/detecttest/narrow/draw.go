package narrow

import (
	"math"
	"math/rand/v2"

	"ringsaddle/detect/detecttest"
)

// source is where everything random comes from.
type source struct{ *rand.Rand }

func (r source) uniform(a, b float64) float64 { return a + (b-a)*r.Float64() }
func (r source) chance(p float64) bool        { return r.Float64() < p }
func (r source) sign() float64                { return float64(1 - 2*r.IntN(2)) }

func (r source) logUniform(a, b float64) float64 {
	return math.Exp(r.uniform(math.Log(a), math.Log(b)))
}

// bench is the ring, what disturbs the reading, and the readout. Lengths are in µm
// unless the name or the comment says otherwise.
type bench struct {
	boreMM, ballMM float64 // radii of the bore and of the ball contact
	noise, wander  float64 // standard deviations
	drift          float64 // µm/min
	flexure        float64 // of the frame under fingers that turn
	relaxT         float64 // s in which it goes when they leave
	hyst           float64 // half width
	backlash       float64 // √µm
	stick          float64 // √µm, offset at which a sticking adjustment slips; 0: it does not stick
	dust           dust
	q              float64 // step of the readout
	rate           float64 // Hz
}

// dust is a speck under a contact.
type dust struct {
	um   float64 // what it takes off the reading; 0: there is none
	goes int     // step in which it goes, or one of the values below
	on   bool
}

const (
	dustStays   = -1
	dustInDoubt = -2 // goes in what follows the first adjustment
)

// radiusDiffMM is R − r, mm.
func (b *bench) radiusDiffMM() float64 { return b.boreMM - b.ballMM }

// driftPerMS is the drift in µm per millisecond.
func (b *bench) driftPerMS() float64 { return b.drift / 60000 }

// shows is how far off its extremum the reading must be, µm, for a person and a
// readout to see it.
func (b *bench) shows() float64 {
	return max(0.15, 3*b.noise, 1.2*b.q, 3*b.wander, 3*b.hyst, 1.2*math.Abs(b.flexure), b.stick)
}

// draw draws bench and person of a class; the package documentation has the ranges as
// a table. The order of the draws is part of what a seed means.
func draw(class detecttest.Class, seed uint64) *sim {
	r := newSource(class, seed)
	s := &sim{source: r, class: class, hand: handsOff, sense: 1}
	all := persons()
	s.person = all[r.IntN(len(all))]
	if class == ClassReversals {
		s.person.rocks = false
	}
	b := &s.bench
	b.q = 0.01
	if r.chance(0.4) {
		b.q = 0.1
	}
	rates := []float64{20, 25, 50, 50, 100, 100, 200, 250, 500}
	b.rate = rates[r.IntN(len(rates))]
	balls := []float64{0.75, 1, 1.5, 2.5}
	b.ballMM = balls[r.IntN(len(balls))]
	b.boreMM = r.logUniform(10, 75)
	b.noise = r.logUniform(0.01, 0.1)
	b.wander = 0.5 * r.logUniform(0.01, 0.08)
	b.drift = r.uniform(-0.03, 0.03)
	b.flexure = r.uniform(0, 0.03)
	b.relaxT = r.logUniform(0.15, 0.6)
	b.backlash = r.uniform(0, 0.03)
	s.nextBurst = int(r.uniform(4000, 12000))
	b.difficulty(r, class)
	return s
}

// difficulty draws what the class is named after.
func (b *bench) difficulty(r source, class detecttest.Class) {
	switch class {
	case ClassCoarse:
		b.q = 1
	case ClassDrift:
		b.drift = r.uniform(0.06, 0.3) * r.sign()
	case ClassFlexure:
		b.flexure = r.logUniform(0.1, 0.5) * r.sign()
	case ClassStickSlip:
		b.stick = r.logUniform(0.03, 0.14)
	case ClassHysteresis:
		b.hyst = r.logUniform(0.03, 0.15)
	case ClassDeadTime:
		b.backlash = r.logUniform(0.12, 0.6)
	case ClassSmall:
		b.boreMM, b.ballMM = r.uniform(2, 4.2), r.uniform(0.5, 0.9)
	case ClassSlow:
		b.rate = 10
	case ClassFast:
		b.rate = 1000
	case ClassOutliers, ClassDropped:
		b.rate = max(b.rate, 50)
	case ClassDust:
		b.dust = dust{um: r.logUniform(0.4, 3), goes: dustStays, on: true}
		switch r.IntN(4) {
		case 0:
			b.dust.goes = int(r.uniform(9000, 25000))
		case 1, 2:
			b.dust.goes = dustInDoubt
		}
	}
}
