package bench

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"ringsaddle/acquire"
)

// Session is a bench with its hand, stepped sampling instant by sampling instant.
// It is not safe for use by several goroutines.
//
// Between Begin and the moment Busy turns false the hand makes one entry;
// otherwise it waits with the carriage off the part.
type Session struct {
	sc   Scenario
	seed uint64
	step acquire.Step
	dt   float64 // sampling period, s
	res  float64 // smallest change shown, mm
	incr int64   // counts of the smallest change

	names   [2]string
	maximum [2]bool // of the reading
	entries []Entry
	entry   *Entry // in progress
	lastRng string // ident of the ring on the table

	// the part
	geo        prepared
	ring       Ring
	ringAt     float64 // when the ring was last handled, s
	warm       float64 // K above soaked at ringAt
	geoCelsius float64 // temperature for which geo was prepared
	thermo     map[string]float64
	thermoRng  *rand.Rand

	// the hand
	legs     []leg
	head     int
	legStart float64
	legGap   float64 // gap when the carriage leg started
	hand     int8
	dir      int8
	followed float64 // time up to which the hand's course has been followed
	knob     [2]float64
	lastDir  [2]int8 // of the knob's last sweep
	advised  *advised

	// mechanics
	adj      [2]follower
	length   float64 // mm, geometry alone at the present adjustments
	gap      float64 // mm, + when the free carriage stands beyond the part
	contact  bool
	settle   float64 // µm at the touch
	settleS  float64
	touchAt  float64
	hyst     hysteresis
	flex     flexure
	drift    float64 // µm/s
	dust     float64 // µm, as it adds to the length
	presetMM float64 // added to the reading
	clockNS  int64   // by how much the time stamps have jumped

	// disturbances
	noise      *rand.Rand
	noiseUM    float64
	wanderUM   float64
	wander     wander
	bursts     []burst
	faults     *readoutFaults
	stamp      *rand.Rand
	ticks      int64
	seq        uint64
	lastAt     int64
	lastX      int64
	lastY      int64
	truth      tracker
	silentTill float64
}

// Separate generators, so that each part of the simulation keeps its course when
// another one changes. Hands are seeded per entry.
const (
	streamSetup = iota + 1
	streamNoise
	streamFaults
	streamStamp
	streamThermo
	streamHand = 1000
	// Apart from the hands of any number of entries.
	streamAdvice = 1 << 40
)

// NewSession checks the scenario and sets up a bench at time 0.
func NewSession(sc Scenario, seed uint64) (*Session, error) {
	if err := sc.Validate(); err != nil {
		return nil, fmt.Errorf("scenario %q: %w", sc.Name, err)
	}
	step, err := sc.Readout.Step()
	if err != nil {
		return nil, err
	}
	names, maximum, err := sc.Rings[0].Shape.Adjustments()
	if err != nil {
		return nil, err
	}
	for i := range maximum {
		maximum[i] = maximum[i] == (sc.Instrument.Sign > 0)
	}
	s := &Session{
		sc: sc, seed: seed, step: step, dt: 1 / sc.Readout.RateHz, incr: int64(sc.Readout.Increment),
		names: names, maximum: maximum, hand: handOff, gap: -5, thermo: map[string]float64{},
	}
	s.res = step.MM() * float64(s.incr)
	setup := rand.New(rand.NewPCG(seed, streamSetup))
	s.noise = rand.New(rand.NewPCG(seed, streamNoise))
	s.stamp = rand.New(rand.NewPCG(seed, streamStamp))
	s.thermoRng = rand.New(rand.NewPCG(seed, streamThermo))
	s.faults = newReadoutFaults(rand.New(rand.NewPCG(seed, streamFaults)), &sc.Disturb)

	d, m := &sc.Disturb, &sc.Mechanics
	s.noiseUM = logDraw(setup, d.NoiseUM)
	s.wanderUM = d.WanderUM.Draw(setup)
	s.wander = newWander(s.noise, s.wanderUM, d.WanderS.Draw(setup), s.dt)
	s.drift = sign(setup) * d.DriftUMPerMin.Draw(setup) / 60
	s.hyst.half = m.HysteresisUM.Draw(setup) * 1e-3
	amp := m.FlexureUM.Draw(setup)
	s.flex = flexure{
		amp: [2]float64{sign(setup) * amp, sign(setup) * amp * (0.7 + 0.3*setup.Float64())},
		on:  1 - math.Exp(-s.dt/m.FlexureOnS.Draw(setup)), off: 1 - math.Exp(-s.dt/m.FlexureOffS.Draw(setup)),
	}
	for _, r := range sc.Rings {
		s.thermo[r.Ident] = sc.Thermal.ThermometerError * s.thermoRng.NormFloat64()
	}
	s.thermo[""] = sc.Thermal.ThermometerError * s.thermoRng.NormFloat64()
	s.put(sc.Rings[0], Task{Ring: sc.Rings[0].Ident}, 0)
	for i := range s.adj {
		lost, stick := m.BacklashMrad.Draw(setup)*1e-3, m.StickMrad.Draw(setup)*1e-3
		if !s.geo.angular(i) {
			lost, stick = m.BacklashUM.Draw(setup)*1e-3, m.StickUM.Draw(setup)*1e-3
		}
		s.adj[i] = follower{half: lost / 2, stick: stick, rng: setup}
	}
	s.length = s.geo.length(s.geo.a0, s.geo.b0)
	return s, nil
}

func sign(rng *rand.Rand) float64 {
	if rng.IntN(2) == 0 {
		return -1
	}
	return 1
}

// put places a ring at a position on the table at time t.
func (s *Session) put(r Ring, task Task, t float64) {
	if r.Ident != s.lastRng {
		rng := rand.New(rand.NewPCG(s.seed, streamHand+uint64(len(s.entries))+1<<32))
		s.warm = s.sc.Thermal.HandlingKelvin.Draw(rng)
		s.ringAt = t
		s.lastRng = r.Ident
	}
	s.ring = r
	s.geoCelsius = s.ringCelsius(t)
	d := r.Diameter20(task.HeightMM, task.DirectionDeg)
	g := Geometry{
		Shape: r.Shape, SizeMM: d * (1 + r.Expansion*1e-6*(s.geoCelsius-20)), BallMM: s.sc.ballMM(),
		SidewaysMM: s.sc.Instrument.SidewaysUM * 1e-3, HeightMM: s.sc.Instrument.HeightUM * 1e-3,
	}
	s.geo = g.prepare()
}

func (s *Session) ringCelsius(t float64) float64 {
	c := s.ring.Celsius + s.ring.RateKPerHour*t/3600
	if s.warm != 0 {
		c += s.warm * math.Exp(-(t-s.ringAt)/s.sc.Thermal.SoakS)
	}
	return c
}

func (s *Session) scaleCelsius(t float64) float64 {
	return s.sc.Thermal.ScaleCelsius + s.sc.Thermal.ScaleRate*t/3600
}

// Begin lets the hand start an entry. It fails when the hand is still busy, or
// the ring or a mode of play is unknown.
func (s *Session) Begin(task Task) error {
	if s.Busy() {
		return errors.New("the hand is still busy with an entry")
	}
	ring, err := s.sc.Ring(task.Ring)
	if err != nil {
		return err
	}
	if err := task.checkModes(); err != nil {
		return err
	}
	now := float64(s.ticks) * s.dt
	change := ring.Ident != s.lastRng || len(s.entries) == 0
	old := s.length
	s.put(ring, task, now)
	s.length = s.geo.length(s.adj[0].pos, s.adj[1].pos)
	s.gap += old - s.length

	idx := len(s.entries)
	rng := rand.New(rand.NewPCG(s.seed, streamHand+uint64(idx)))
	s.settle = s.sc.Mechanics.SettleUM.Draw(rng)
	s.settleS = s.sc.Mechanics.SettleS.Draw(rng)
	hand := s.sc.Hand
	if task.FirstMode != "" {
		hand.First.Mode = task.FirstMode
	}
	if task.SecondMode != "" {
		hand.Second.Mode = task.SecondMode
	}
	p := &planner{
		rng: rng, hand: &hand, geo: &s.geo, names: s.names, qMM: s.res, settleUM: s.settle, settleS: s.settleS,
		centre: [2]float64{s.geo.a0, s.geo.b0}, half: [2]float64{s.adj[0].half, s.adj[1].half},
	}
	p.entry(change)
	s.disturbEntry(p, rng, now)
	if s.advised != nil {
		s.beginAdvised(p, idx)
	}
	s.legs, s.head, s.legStart = p.legs, 0, now
	s.startLeg()
	s.entry = &Entry{
		Task: task, Index: idx, StartNS: ns(now),
		Diameter20MM: ring.Diameter20(task.HeightMM, task.DirectionDeg),
	}
	return nil
}

// disturbEntry places the events that are drawn per entry: bursts, dust, preset,
// jumps of the clock.
func (s *Session) disturbEntry(p *planner, rng *rand.Rand, now float64) {
	d := &s.sc.Disturb
	var rests, knobs []int
	at, from, to := now, 0.0, 0.0
	for i := range p.legs {
		l := &p.legs[i]
		if l.kind == legHold && i > 0 && p.legs[i-1].event == evPhaseEnd && l.dur > 0.5 {
			rests = append(rests, i)
		}
		if l.kind == legKnob {
			knobs = append(knobs, i)
		}
		at += l.dur
		if l.touch && !l.accidental && from == 0 {
			from = at
		}
		to = at
	}
	s.bursts = s.bursts[:0]
	for range d.BurstsPerEntry.Draw(rng) {
		s.bursts = append(s.bursts, burst{
			at: from + (to-from)*rng.Float64(), amp: d.BurstUM.Draw(rng), omega: 2 * math.Pi * d.BurstHz.Draw(rng),
			phase: 2 * math.Pi * rng.Float64(), decay: d.BurstDecayS.Draw(rng),
		})
	}
	// One of the following is enough for one entry.
	s.dust = 0
	if d.DustProbability > 0 && rng.Float64() < d.DustProbability {
		s.dust = logDraw(rng, d.DustUM)
		if s.ring.Shape == Bore || s.ring.Shape == Faces {
			s.dust = -s.dust
		}
		if rng.Float64() < d.DustMoves && len(knobs) > 0 {
			p.insert(knobs[rng.IntN(len(knobs))], leg{kind: legEvent, event: evDustLeaves, hand: handOff})
		}
		return
	}
	if d.PresetProbability > 0 && rng.Float64() < d.PresetProbability && len(rests) > 0 {
		i := rests[rng.IntN(len(rests))]
		half := p.legs[i].dur * (0.4 + 0.2*rng.Float64())
		later := p.legs[i]
		p.legs[i].dur -= half
		later.dur = half
		p.insert(i+1, later)
		p.insert(i+1, leg{kind: legEvent, event: evPreset, hand: handOff, value: sign(rng) * d.PresetMM.Draw(rng)})
		return
	}
	if len(knobs) == 0 {
		return
	}
	for range d.ClockJumpsPerEntry.Draw(rng) {
		jump := sign(rng) * logDraw(rng, d.ClockJumpS)
		p.insert(knobs[rng.IntN(len(knobs))], leg{kind: legEvent, event: evClockJump, hand: handOff, value: jump})
	}
}

// Busy reports whether an entry is being made.
func (s *Session) Busy() bool { return s.entry != nil }

// Now returns the simulated time of the next sampling instant in nanoseconds.
func (s *Session) Now() int64 { return ns(float64(s.ticks) * s.dt) }

// Entries returns the truth of the finished entries.
func (s *Session) Entries() []Entry { return s.entries }

// InContact reports whether the contacts touch the part.
func (s *Session) InContact() bool { return s.contact }

// Thermometer returns what a thermometer shows now: on the ring with the given
// ident, or on the scale for an empty ident, in °C.
func (s *Session) Thermometer(ident string) float64 {
	t := float64(s.ticks) * s.dt
	true20 := s.scaleCelsius(t)
	if ident != "" {
		true20 = s.celsiusOf(ident, t)
	}
	return s.shown(ident, true20)
}

func (s *Session) celsiusOf(ident string, t float64) float64 {
	if ident == s.lastRng {
		return s.ringCelsius(t)
	}
	r, err := s.sc.Ring(ident)
	if err != nil {
		return math.NaN()
	}
	return r.Celsius + r.RateKPerHour*t/3600
}

func (s *Session) shown(ident string, celsius float64) float64 {
	c := celsius + s.thermo[ident] + s.sc.Thermal.ThermometerNoise*s.thermoRng.NormFloat64()
	return math.Round(c*1000) / 1000
}

// Next takes the next sampling instant. ok is false when the readout sent
// nothing (a dropped reading, a silence).
func (s *Session) Next() (r acquire.Reading, ok bool) {
	t := float64(s.ticks) * s.dt
	s.ticks++
	if s.advised != nil && s.entry != nil {
		s.glance(t)
	}
	s.advance(t)
	return s.read(t)
}

// Run makes one entry and appends its readings to dst.
func (s *Session) Run(task Task, dst []acquire.Reading) ([]acquire.Reading, Entry, error) {
	if err := s.Begin(task); err != nil {
		return dst, Entry{}, err
	}
	dst = slices.Grow(dst, int((s.planned()+1)/s.dt))
	for s.Busy() {
		if r, ok := s.Next(); ok {
			dst = append(dst, r)
		}
	}
	return dst, s.entries[len(s.entries)-1], nil
}

// planned is how long the hand's course takes, s.
func (s *Session) planned() float64 {
	sum := 0.0
	for i := range s.legs {
		sum += s.legs[i].dur
	}
	return sum
}

// Idle lets the given time (seconds) go by and appends the readings to dst.
func (s *Session) Idle(seconds float64, dst []acquire.Reading) []acquire.Reading {
	for range int(math.Round(seconds / s.dt)) {
		if r, ok := s.Next(); ok {
			dst = append(dst, r)
		}
	}
	return dst
}

func ns(t float64) int64 { return int64(math.Round(t * 1e9)) }

// advance lets the hand's course go on to time t.
func (s *Session) advance(t float64) {
	for s.head < len(s.legs) {
		l := &s.legs[s.head]
		end := s.legStart + l.dur
		if t < end {
			break
		}
		s.follow(l, l.dur, end)
		s.finishLeg(l, end)
		s.head++
		s.legStart = end
		s.startLeg()
	}
	if s.head < len(s.legs) {
		s.follow(&s.legs[s.head], t-s.legStart, t)
	}
}

func (s *Session) startLeg() {
	s.legGap = s.gap
	if s.head >= len(s.legs) {
		s.hand, s.dir = handOff, 0
		return
	}
	l := &s.legs[s.head]
	if l.kind == legEvent {
		return
	}
	if l.kind == legKnob {
		if s.advised != nil && l.path.at(l.skip) != s.knob[l.adj] {
			l.path.rebase(l.skip, s.knob[l.adj])
			l.dir = 1
			if l.path.pos[pathPieces] < s.knob[l.adj] {
				l.dir = -1
			}
		}
		s.lastDir[l.adj] = l.dir
	}
	s.hand, s.dir = l.hand, l.dir
	if l.kind == legCarriage && !l.touch && s.contact {
		s.loseContact(s.legStart)
		s.legGap = s.gap
	}
}

// follow moves what the leg moves to where it is at seconds into the leg.
func (s *Session) follow(l *leg, at, t float64) {
	switch l.kind {
	case legKnob:
		f := &s.adj[l.adj]
		before := f.pos
		s.knob[l.adj] = l.path.at(l.skip + at)
		f.move(s.knob[l.adj])
		if f.pos != before {
			s.length = s.geo.length(s.adj[0].pos, s.adj[1].pos)
			if s.contact {
				s.truth.moved(s, int(l.adj), before, f.pos, t)
			}
		}
	case legCarriage:
		goal := l.value
		if l.touch {
			goal = math.Copysign(s.settle*1e-3, s.legGap)
		}
		share := 1.0
		if l.dur > 0 {
			share = l.path.at(at / l.dur)
		}
		s.gap = s.legGap + (goal-s.legGap)*share
	}
	s.followed = t
}

// centre is where adjustment i has its extremum.
func (s *Session) centre(i int) float64 {
	if i == 0 {
		return s.geo.a0
	}
	return s.geo.b0
}

func (s *Session) finishLeg(l *leg, t float64) {
	if l.kind == legCarriage && l.touch {
		s.touch(t, l.accidental)
		return
	}
	switch l.event {
	case evSet:
		old := s.length
		for i := range s.adj {
			s.adj[i].put(l.set[i])
		}
		s.knob = l.set
		s.length = s.geo.length(l.set[0], l.set[1])
		s.gap += old - s.length
	case evPhaseStart:
		s.truth.phaseStart(s, int(l.adj), t)
	case evPhaseEnd:
		s.truth.phaseEnd(s, t)
	case evLook:
		s.look(int(l.adj), t)
	case evJudge:
		s.judge(int(l.adj), t)
	case evPreset:
		// the readout takes a new origin, in whole steps
		s.shiftOrigin(math.Round(l.value/s.res) * s.res)
		s.truth.fact(factPreset)
	case evClockJump:
		s.clockNS += ns(l.value)
		s.truth.fact(factClock)
	case evDustLeaves:
		s.dust = 0
		s.truth.fact(factDustLeft)
	case evEntryEnd:
		s.endEntry(t)
	}
}

func (s *Session) touch(t float64, accidental bool) {
	s.contact = true
	s.touchAt = t
	s.settle = math.Copysign(s.settle, s.gap)
	s.gap = 0
	s.truth.touch(s, t, accidental)
	if s.dust != 0 {
		s.truth.fact(factDust)
	}
}

func (s *Session) loseContact(t float64) {
	// the carriage leaves from where it is, settling included
	s.gap = s.settling(t) * 1e-3
	s.contact = false
	s.settle = math.Abs(s.settle)
	s.truth.lost(s, t)
}

func (s *Session) endEntry(t float64) {
	e := s.entry
	e.EndNS = ns(t)
	at := t
	e.Contacts = s.truth.take()
	if c, ok := e.Main(); ok {
		at = float64(c.SaddleNS) * 1e-9
	}
	e.RingCelsius, e.ScaleCelsius = s.ringCelsius(at), s.scaleCelsius(at)
	e.RingShown, e.ScaleShown = s.shown(s.ring.Ident, e.RingCelsius), s.shown("", e.ScaleCelsius)
	s.entries = append(s.entries, *e)
	s.entry = nil
	s.dust = 0
	s.bursts = s.bursts[:0]
}
