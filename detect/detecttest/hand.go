package detecttest

import (
	"math"
	"math/rand/v2"
)

const (
	dt     = 0.002     // s, step of the simulated hand
	stepNS = 2_000_000 // the same, ns
)

// source is where everything random comes from.
type source struct{ *rand.Rand }

func (r source) uniform(a, b float64) float64    { return a + (b-a)*r.Float64() }
func (r source) logUniform(a, b float64) float64 { return a * math.Pow(b/a, r.Float64()) }
func (r source) normal(sd float64) float64       { return sd * r.NormFloat64() }
func (r source) lognormal(sd float64) float64    { return math.Exp(sd * r.NormFloat64()) }
func (r source) chance(p float64) bool           { return r.Float64() < p }
func (r source) integer(a, b int) int            { return a + r.IntN(b-a+1) }

func (r source) sign() float64 {
	if r.chance(0.5) {
		return -1
	}
	return 1
}

// How fingers move the knob.
const (
	gripTurn = iota // turns of the wrist, with a new grip after each
	gripSlow        // one slow turn
	gripTap         // small steps
)

// How a person looks for the extremum.
const (
	habitPlain     = iota
	habitHome      // fast over it, slowly back, ever smaller
	habitOneWay    // slowly one way, fast the other
	habitStop      // half a second on it each time
	habitAlternate // a wide and a narrow side
)

// person is one person at one bench.
type person struct {
	grip, habit [2]int
	amp         [2]float64 // µm on the digits, median of a sweep
	ampSD       float64    // scatter of its logarithm
	passTime    [2]float64 // s for a sweep of the median amplitude
	shrink      float64    // of the sweeps, from one to the next
	turns       float64    // wrist turns a sweep
	taps        float64    // taps a sweep
	regripLo    float64    // s for a new grip
	regripHi    float64
	letsGo      bool    // fingers leave the knob for a new grip
	uneven      float64 // scatter of the logarithm of the speed
	unevenT     float64 // s, its correlation
	handTau     float64 // s in which the hand takes up a speed
	gap         float64 // s hands off between knobs
	parkUM      float64 // µm left over, median
	sloppy      float64 // chance of a poor park
	falseRev    float64 // mean number of false reversals a sweep
	dead        float64 // s of friction at a reversal
}

// sim is the state and the record of hand and adjustments. Adjustments are in
// √µm: the reading lies pos² off its extremum.
type sim struct {
	r       source
	person  *person
	dmin    float64 // µm, the smallest sweep that shows
	knob    [2]float64
	play    [2]float64 // half the play of the gear
	out     [2]float64 // behind the play
	pos     [2]float64
	stick   [2]float64 // offset at which a sticking adjustment slips
	slip    [2]bool
	knobV   float64
	lastDir [2]float64
	ou      float64 // unevenness of the speed, standardised
	current int16   // number of the contact, -1 out of contact

	// The record, one entry a step.
	adjusted [2][]float64
	knobVs   []float64
	hand     []int8    // 0 off, else adjustment + 1
	contact  []int16   // current
	away     []float64 // µm, position off the ring
	press    []float64 // direction of the push against an end stop
}

// record notes the state of this step.
func (s *sim) record(hand int8, away, press float64) {
	s.adjusted[0] = append(s.adjusted[0], s.pos[0])
	s.adjusted[1] = append(s.adjusted[1], s.pos[1])
	s.knobVs = append(s.knobVs, s.knobV)
	s.hand = append(s.hand, hand)
	s.contact = append(s.contact, s.current)
	s.away = append(s.away, away)
	s.press = append(s.press, press)
}

// cut forgets the record from step n on.
func (s *sim) cut(n int) {
	s.adjusted[0], s.adjusted[1] = s.adjusted[0][:n], s.adjusted[1][:n]
	s.knobVs, s.hand, s.contact = s.knobVs[:n], s.hand[:n], s.contact[:n]
	s.away, s.press = s.away[:n], s.press[:n]
	s.knobV = 0
}

// drive turns a knob at v for one step; play and friction follow.
func (s *sim) drive(adj int, v float64) {
	s.knob[adj] += v * dt
	k, b := s.knob[adj], s.play[adj]
	s.out[adj] = math.Min(math.Max(s.out[adj], k-b), k+b)
	if s.stick[adj] == 0 {
		s.pos[adj] = s.out[adj]
		return
	}
	d := s.out[adj] - s.pos[adj]
	if math.Abs(d) > s.stick[adj] {
		s.slip[adj] = true
	}
	if s.slip[adj] {
		s.pos[adj] += 0.35 * d
		if math.Abs(s.out[adj]-s.pos[adj]) < 0.12*s.stick[adj] {
			s.slip[adj] = false
		}
	}
}

// wait lets d seconds pass, the hand on the knob of an adjustment or off it.
func (s *sim) wait(d float64, adj int, on bool) {
	h := int8(0)
	if on {
		h = int8(adj + 1)
	}
	for n := int(d / dt); n > 0; n-- {
		s.knobV *= 1 - dt/s.person.handTau
		if on && math.Abs(s.knobV) > 1e-9 {
			s.drive(adj, s.knobV)
		}
		if !on {
			s.knobV = 0
		}
		s.record(h, 0, 0)
	}
}

// unevenness is the factor on the speed of the hand at this step.
func (s *sim) unevenness() float64 {
	f := math.Exp(-dt / s.person.unevenT)
	s.ou = s.ou*f + s.r.normal(math.Sqrt(1-f*f))
	return math.Exp(s.person.uneven*s.ou - s.person.uneven*s.person.uneven/2)
}

// move turns the knob until the adjustment is at the target as seen on the
