package calibrate

// Datum ties readings to diameters by the opening reference:
//
//	diameter − Diameter = Sign · (reading − Reading)
//
// It is without corrections: for what a person sees, and for what is plausible; not
// for results.
type Datum struct {
	// Reading is the mean of the opening readings in use, Diameter the certified
	// diameter of the master.
	Reading, Diameter Length
	// Sign is +1 if the reading grows with the diameter, −1 if it falls.
	Sign int64
}

// Datum returns that of the opening reference; ok is false while there is none, or
// when the set has ended.
func (s *State) Datum() (d Datum, ok bool) {
	if s.Ended() || s.ReferenceVoid {
		return d, false
	}
	var sum, n Length
	var ringID string
	for i := range s.Captures {
		c := &s.Captures[i]
		if c.Standing == StandingUsed && c.Step >= 0 && s.Plan.Steps[c.Step].Role == Opening {
			sum, n = sum+c.Fact.Reading, n+1
			ringID = s.Plan.Steps[c.Step].RingID
		}
	}
	master, known := s.Ring(ringID)
	if n == 0 || !known || master.Certificate == nil {
		return d, false
	}
	sign := s.Setup.ReadingSign
	if sign == 0 {
		sign = 1
	}
	return Datum{Reading: sum / n, Diameter: master.Certificate.Diameter, Sign: sign}, true
}

// ReadingOf returns the reading that a diameter lets expect.
func (d Datum) ReadingOf(diameter Length) Length {
	return d.Reading + Length(d.Sign)*(diameter-d.Diameter)
}

// Expected returns the ring in hand and the reading that its nominal diameter lets
// expect; ok is false while no opening reference is in use or when no step is left.
func (s *State) Expected() (ring Ring, reading Length, ok bool) {
	d, known := s.Datum()
	if !known || s.Step >= len(s.Plan.Steps) {
		return ring, 0, false
	}
	ring, ok = s.Ring(s.Plan.Steps[s.Step].RingID)
	return ring, d.ReadingOf(ring.Nominal), ok
}
