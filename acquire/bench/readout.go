package bench

import (
	"math"

	"ringsaddle/acquire"
)

// settling is what the force of the sprung carriage still lacks, in µm.
func (s *Session) settling(t float64) float64 {
	age := t - s.touchAt
	if age > 20*s.settleS {
		return 0
	}
	return s.settle * math.Exp(-age/s.settleS)
}

// reading returns the noise-free reading in millimetres for a geometric length,
// in contact: with temperature, compression, drift, dust and origin.
func (s *Session) reading(length, t float64) float64 {
	l := length + s.geoDelta(t)
	c := s.sc.Instrument.CompressionUM
	if s.ring.CompressionUM > 0 {
		c = s.ring.CompressionUM
	}
	if s.ring.Shape == Bore || s.ring.Shape == Faces {
		l += c * 1e-3
	} else {
		l -= c * 1e-3
	}
	l += s.dust * 1e-3
	l /= 1 + s.sc.Thermal.ScaleExpansion*1e-6*(s.scaleCelsius(t)-20)
	return float64(s.sc.Instrument.Sign)*(l-s.sc.Instrument.OriginMM) + s.drift*t*1e-3 + s.presetMM
}

// geoDelta is the growth of the part since its geometry was prepared, mm.
func (s *Session) geoDelta(t float64) float64 {
	return s.ring.NominalMM * s.ring.Expansion * 1e-6 * (s.ringCelsius(t) - s.geoCelsius)
}

// read samples the position at t and passes it through the readout.
func (s *Session) read(t float64) (acquire.Reading, bool) {
	flags := acquire.Flags(0)
	sgn := float64(s.sc.Instrument.Sign)
	x := s.reading(s.length, t)
	flex := s.flex.next(s.hand, s.dir)
	if s.contact {
		x += sgn * s.settling(t) * 1e-3
		x = s.hyst.next(x + sgn*flex*1e-3)
	} else {
		x += sgn * s.gap
		s.hyst.put(x)
	}
	um := s.wander.next(s.noise) + s.noiseUM*s.noise.NormFloat64()
	for i := range s.bursts {
		if b := &s.bursts[i]; t >= b.at && t < b.until() {
			um += b.value(t)
		}
	}
	stray := s.faults.stray()
	um += stray
	counts := int64(math.Round((x+um*1e-3)/s.res)) * s.incr
	var y int64
	if s.sc.Readout.SecondAxis {
		flags |= acquire.HasY
		k := float64(s.sc.Readout.SecondIncrement)
		y = int64(math.Round((s.adj[1].pos*s.secondUnit()+yOriginMM)/(s.step.MM()*k))) * int64(k)
	}
	if s.faults.stale(t) {
		counts, y = s.lastX, s.lastY
	}
	if stray == 0 { // a stray reading is not one that the readout would repeat
		s.lastX, s.lastY = counts, y
	}
	if s.faults.drop(t) || t < s.silentTill {
		return acquire.Reading{}, false
	}
	at := ns(t + s.sc.Readout.JitterShare*s.dt*math.Abs(s.stamp.NormFloat64()))
	if at < s.lastAt {
		at = s.lastAt
	}
	s.lastAt = at
	s.seq++
	s.truth.sent(s.seq)
	return acquire.Reading{Seq: s.seq, At: at + s.clockNS, X: counts, Y: y, Flags: flags}, true
}

// yOriginMM is where the second axis stands at the extremum: its zero has nothing
// to do with the part.
const yOriginMM = 12.3456

// secondUnit turns the second adjustment into what its axis shows: millimetres
// for a slide; for an angle the travel of a screw at a lever of 100 mm.
func (s *Session) secondUnit() float64 {
	if s.geo.angular(1) {
		return 100
	}
	return 1
}

// preset makes the reading become mm, in whole steps, and notes it.
func (s *Session) preset(mm float64) {
	t := float64(s.ticks) * s.dt
	now := s.reading(s.length, t)
	if !s.contact {
		now += float64(s.sc.Instrument.Sign) * s.gap
	}
	s.shiftOrigin(math.Round((mm-now)/s.res) * s.res)
	s.truth.fact(factPreset)
}

// shiftOrigin moves the origin of the readout.
func (s *Session) shiftOrigin(mm float64) {
	s.presetMM += mm
	s.hyst.put(s.hyst.x + mm)
}

// powerCycle switches the readout off for a time (s); it then counts from zero.
func (s *Session) powerCycle(seconds float64) {
	s.silentTill = float64(s.ticks)*s.dt + seconds
	s.preset(0)
	s.truth.fact(factPower)
}
