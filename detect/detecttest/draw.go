package detecttest

import "math"

// bench is the table, the surroundings and the readout. Lengths in µm unless
// the name says otherwise.
type bench struct {
	noise, wander, wanderT float64 // wanderT in s
	drift                  float64 // µm/min
	flexure                [2]float64
	riseT, relaxT, holdT   float64 // s, of the flexure
	hyst                   float64 // half width
	radiusDiffMM           float64
	q                      float64 // step of the readout
	rate, jitter           float64 // Hz; share of the period
	vib                    float64
	strays                 float64 // share of the readings
	stale, drops           float64 // a second
	hasY                   bool
	yNoise, yOriginMM      float64
	ySign                  float64
}

// flatUM is the sweep below which a tilt shows nothing that the person could go
// by: the range of the table is used instead. Only small rings have it.
const flatUM = 0.3

// flat reports whether the tilt is that flat.
func (p *person) flat() bool { return p.amp[Tilt] < flatUM }

// draw draws bench and person of a class; the package documentation has the
// ranges as a table. The order of the draws is part of what a seed means.
func draw(r source, class Class) (*bench, *sim) {
	b := &bench{
		noise: r.logUniform(0.01, 0.12), wander: r.logUniform(0.01, 0.08), wanderT: r.logUniform(2, 20),
		drift: r.uniform(-0.1, 0.1), riseT: r.uniform(0.06, 0.25), relaxT: r.uniform(0.08, 0.4), holdT: r.uniform(0.3, 1.5),
		hyst: r.logUniform(0.001, 0.02), radiusDiffMM: r.logUniform(4, 70), q: 0.1, rate: r.logUniform(10, 1000), jitter: r.uniform(0, 0.15),
		hasY: class == ClassY || class == ClassYTouch,
	}
	b.flexure[0] = r.logUniform(0.005, 0.06) * r.sign()
	b.flexure[1] = r.logUniform(0.005, 0.06) * r.sign()
	if r.chance(0.4) {
		b.q = 0.01
	}
	t := drawPerson(r)
	s := &sim{r: r, person: t, current: -1}
	for k := range 2 {
		s.play[k] = r.logUniform(0.005, 0.08) * math.Sqrt(t.amp[k])
	}
	difficulty(r, class, b, s)
	b.yNoise, b.yOriginMM = r.logUniform(0.05, 0.5), r.uniform(-3, 3)
	b.ySign = r.sign()
	s.dmin = math.Max(1, math.Max(4*b.q, 8*b.noise))
	s.dmin = math.Max(s.dmin, 3*b.vib)
	s.dmin = math.Max(s.dmin, 4*math.Max(math.Abs(b.flexure[0]), math.Abs(b.flexure[1])))
	s.dmin = math.Max(s.dmin, 12*b.hyst)
	for k := range 2 {
		if class == ClassSmall && k == Tilt {
			continue
		}
		t.amp[k] = math.Max(t.amp[k], s.dmin*1.2)
	}
	t.parkUM = math.Max(0.35*b.q, math.Max(0.03, 0.6*b.noise)) * r.lognormal(0.3)
	s.ou = r.normal(1)
	return b, s
}

func drawPerson(r source) *person {
	t := &person{
		ampSD: r.uniform(0.12, 0.4), shrink: r.uniform(0.6, 0.98), turns: r.uniform(2, 7), taps: r.uniform(10, 28),
		regripLo: r.uniform(0.15, 0.3), uneven: r.uniform(0.2, 0.5), unevenT: r.uniform(0.2, 1), handTau: r.uniform(0.04, 0.1),
		gap: r.uniform(0.5, 4), letsGo: r.chance(0.5), sloppy: r.uniform(0, 0.3), dead: r.logUniform(0.03, 0.25),
	}
	t.regripHi = r.uniform(t.regripLo, 0.5)
	if r.chance(0.12) {
		t.gap = r.uniform(0.12, 0.5)
	}
	t.amp = [2]float64{r.logUniform(1.5, 14), r.logUniform(2, 18)}
	if r.chance(0.1) {
		t.amp[1] *= r.uniform(1.5, 4)
	}
	grip, habit := r.integer(gripTurn, gripTap), r.integer(habitPlain, habitAlternate)
	for k := range 2 {
		if k == 1 && r.chance(0.4) {
			grip = r.integer(gripTurn, gripTap)
		}
		if k == 1 && r.chance(0.3) {
			habit = r.integer(habitPlain, habitAlternate)
		}
		t.grip[k], t.habit[k] = grip, habit
		t.passTime[k] = r.logUniform(1.5, 6)
	}
	if r.chance(0.2) {
		t.falseRev = r.uniform(0.1, 0.4)
	}
	return t
}

// difficulty draws what the class is named after.
func difficulty(r source, class Class, b *bench, s *sim) {
	t := s.person
	coarse := func() {
		b.q = 1
		t.amp[0], t.amp[1] = r.logUniform(5, 25), r.logUniform(6, 35)
	}
	flex := func() {
		b.flexure = [2]float64{r.uniform(0.1, 0.5) * r.sign(), r.uniform(0.1, 0.5) * r.sign()}
	}
	switch class {
	case ClassReversals:
		t.falseRev = r.uniform(0.8, 2.5)
	case ClassCoarse:
		coarse()
	case ClassDrift:
		b.drift = r.uniform(0.12, 0.3) * r.sign()
	case ClassTouch:
		flex()
	case ClassYTouch:
		flex()
		t.falseRev = r.uniform(0.8, 2.5)
	case ClassHysteresis:
		b.hyst = r.logUniform(0.03, 0.15)
	case ClassStickSlip:
		for k := range 2 {
			s.stick[k] = r.logUniform(0.06, 0.3)
		}
	case ClassDeadTime:
		t.dead = r.logUniform(0.15, 0.6)
		for k := range 2 {
			s.play[k] = r.uniform(0.15, 0.6) * math.Sqrt(t.amp[k])
		}
	case ClassVibration:
		b.vib = r.logUniform(0.15, 1.5)
	case ClassOutliers:
		b.strays = r.logUniform(0.001, 0.02)
	case ClassStale:
		b.stale = r.logUniform(0.03, 0.4)
	case ClassDropped:
		b.drops = r.logUniform(0.03, 0.5)
	case ClassSmall:
		b.radiusDiffMM = r.logUniform(0.7, 3)
		if r.chance(0.5) {
			b.rate = r.logUniform(20, 1000)
		}
		rad := r.logUniform(2, 8) * 1e-3
		t.amp[Tilt] = 1000 * b.radiusDiffMM * rad * rad
		s.play[Tilt] = r.logUniform(0.005, 0.08) * math.Sqrt(t.amp[Tilt])
	}
	if (class == ClassOutliers || class == ClassEndStop) && r.chance(0.1) {
		coarse()
	}
}
