package calibrate

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// AssumedTemperatureHalfWidth bounds the temperature of a ring or scale of which
// no temperature was declared: 20 °C ± 2 K, rectangular (common practice for a
// room that is kept at 20 °C, no source).
const AssumedTemperatureHalfWidth = 2 * Kelvin

// TemperatureReach is the age beyond which the nearest temperature is used with a
// reservation: 30 minutes (common practice, no source).
const TemperatureReach = 30 * time.Minute

// MaxTemperatureDeparture bounds the temperatures that are accepted at all:
// 20 °C ± 20 K.
const MaxTemperatureDeparture = 20 * Kelvin

// TemperatureAt is the temperature of a ring or scale at one instant.
type TemperatureAt struct {
	Value, U Temperature
	// Assumed: no temperature was declared; U is then zero and the half-width is
	// Setup.AssumedTemperature.
	Assumed bool
	// Away is the time to the nearest sample.
	Away time.Duration
}

// TemperatureOf returns the temperature of a ring (or, with an empty id, of the
// scale) at a wall time (Unix ns): interpolated between the samples on both
// sides, with the larger u of the two; else the nearest; else 20 °C assumed. Of
// samples of one instant the last one given counts.
func (s *State) TemperatureOf(ringID string, wallNS int64) TemperatureAt {
	var before, after *TemperatureFact
	for i := range s.Temperatures {
		t := &s.Temperatures[i]
		if t.RingID != ringID {
			continue
		}
		if t.WallNS <= wallNS && (before == nil || t.WallNS >= before.WallNS) {
			before = t
		}
		if t.WallNS >= wallNS && (after == nil || t.WallNS <= after.WallNS) {
			after = t
		}
	}
	away := func(t *TemperatureFact) time.Duration {
		return time.Duration(math.Abs(float64(t.WallNS) - float64(wallNS)))
	}
	switch {
	case before == nil && after == nil:
		return TemperatureAt{Value: ReferenceTemperature, Assumed: true}
	case after == nil:
		return TemperatureAt{Value: before.Value, U: before.U, Away: away(before)}
	case before == nil:
		return TemperatureAt{Value: after.Value, U: after.U, Away: away(after)}
	case before.WallNS == after.WallNS:
		return TemperatureAt{Value: after.Value, U: after.U}
	}
	f := (float64(wallNS) - float64(before.WallNS)) / (float64(after.WallNS) - float64(before.WallNS))
	return TemperatureAt{
		Value: before.Value + Temperature(math.Round(f*float64(after.Value-before.Value))),
		U:     max(before.U, after.U),
		Away:  min(away(before), away(after)),
	}
}

// expansion returns the coefficient of a material in 1/K.
func (s *State) expansion(material string) (float64, bool) {
	i := slices.IndexFunc(s.Setup.Expansions, func(x Expansion) bool { return x.Material == material })
	if i < 0 {
		return 0, false
	}
	return float64(s.Setup.Expansions[i].PerKelvinPPB) * 1e-9, true
}

// reading20 returns the reading of a capture in the direction of a growing
// diameter, corrected to 20 °C:
//
//	x₂₀ = s·x + (D − D_M)·α_scale·(t_scale − 20 °C) − D·α_ring·(t_ring − 20 °C)
//
// D is the certified diameter of a master and the nominal one of a work ring, D_M
// that of the set's master: the scale is used over the distance from the master
// alone (as in Evaluate). A scale that warms between two captures of one ring moves
// the reading like any other drift of the bench, which the closing shows and the
// interpolation takes out. Only differences of x₂₀ mean anything. If a coefficient
// is not known the reading is not corrected.
func (s *State) reading20(f CaptureFact, ringID string) Length {
	x := Length(s.Setup.ReadingSign) * f.Reading
	ring, ok := s.Ring(ringID)
	alphaRing, okRing := s.expansion(ring.Material)
	alphaScale, okScale := s.expansion(s.Setup.ScaleMaterial)
	if !ok || !okRing || !okScale {
		return x
	}
	tRing := s.TemperatureOf(ringID, f.WallNS).Value - ReferenceTemperature
	tScale := s.TemperatureOf("", f.WallNS).Value - ReferenceTemperature
	diameter, from := size20(ring), Length(0)
	if master, ok := s.Ring(s.Plan.Steps[0].RingID); ok {
		from = size20(master)
	}
	d := float64(diameter-from)*alphaScale*tScale.Celsius() - float64(diameter)*alphaRing*tRing.Celsius()
	return x + Length(math.Round(d))
}

// size20 is the best that is known of a ring's diameter before it is measured.
func size20(r Ring) Length {
	if r.Certificate != nil {
		return r.Certificate.Diameter
	}
	return r.Nominal
}

func (s *State) walkerTemperatureReservations(add func(ReservationCode, int, string, string)) {
	type what struct{ id, name string }
	seen := map[string]bool{}
	check := func(w what, c *CaptureRecord) {
		if seen[w.id] {
			return
		}
		t := s.TemperatureOf(w.id, c.Fact.WallNS)
		switch {
		case t.Assumed:
			add(ReserveNoTemperature, -1, "", fmt.Sprintf("No temperature of the %s: 20 °C ± %g K assumed.", w.name, s.Setup.AssumedTemperature.Celsius()))
		case t.Away > TemperatureReach:
			add(ReserveOldTemperature, c.Step, c.Fact.ID, fmt.Sprintf("The nearest temperature of the %s is %d minutes away from a capture.", w.name, int(t.Away.Minutes())))
		default:
			return
		}
		seen[w.id] = true
	}
	missing := map[string]bool{}
	for i := range s.Captures {
		c := &s.Captures[i]
		if c.Standing != StandingUsed {
			continue
		}
		id := s.Plan.Steps[c.Step].RingID
		check(what{id, "ring " + s.walkerIdent(id)}, c)
		check(what{"", "scale"}, c)
		ring, _ := s.Ring(id)
		for _, m := range []string{ring.Material, s.Setup.ScaleMaterial} {
			if _, ok := s.expansion(m); !ok && !missing[m] {
				missing[m] = true
				add(ReserveNoExpansion, -1, "", fmt.Sprintf("No expansion coefficient of material %q was recorded: the closing check and the agreement of repeats are not corrected to 20 °C.", m))
			}
		}
	}
}
