package detect

import (
	"math"
	"math/rand/v2"
	"testing"

	"ringsaddle/acquire"
)

// oneKnob is a contact at 100 readings a second of 0.01 µm in which one knob is
// swept over its extremum five times and left there for fifteen seconds. sign is +1
// for a smallest reading and −1 for a largest.
func oneKnob(sign float64) []acquire.Reading {
	rng := rand.New(rand.NewPCG(1, 2))
	var out []acquire.Reading
	for i := range 3600 {
		t := float64(i) / 100
		um := 0.0 // above the extremum
		switch {
		case t < 2:
			um = 9
		case t < 18:
			u := 3 * math.Cos((t-2)*2*math.Pi*5/32) // passes every 3.2 s
			um = u * u
		case t < 34:
			um = 9 * math.Max(0, 1-(t-18)) * math.Max(0, 1-(t-18))
		default:
			um = -4000 * sign
		}
		out = append(out, acquire.Reading{
			Seq: uint64(i + 1), At: int64(i+1) * 10_000_000,
			X: 2_500_000 + int64(math.Round(100*(sign*um+0.03*rng.NormFloat64()))),
		})
	}
	return out
}

// A tilt that nobody sees may have been played; a cross maximum that nobody sees
// was not, whatever the size of the ring.
func TestOnlyARotationIsTooFlat(t *testing.T) {
	p := DefaultParams(acquire.Step{Num: 10_000, Den: 1}, 10_000)
	tilt := detectAll(p, oneKnob(+1))
	if len(tilt) != 1 || tilt[0].Outcome != OnlyOutcome(Tilt) {
		t.Errorf("the cross was not played: %+v", tilt)
	}
	cross := detectAll(p, oneKnob(-1))
	if len(cross) != 1 || cross[0].Outcome != OutcomeDiameter || !hasReason(cross[0], ReasonTooFlat) {
		t.Fatalf("a tilt too flat to see: %+v", cross)
	}
	if um := (float64(cross[0].Origin-2_500_000) + cross[0].Saddle) / 100; math.Abs(um) > 3*cross[0].U/100 {
		t.Errorf("off by %.3f µm, u %.3f µm", um, cross[0].U/100)
	}
}

// crossAfter is a contact at 100 readings a second of 0.01 µm: for lead seconds the
// reading moves by span alone, as wander and a hand do, then the cross slide is swept
// over its maximum five times.
func crossAfter(lead, span float64) []acquire.Reading {
	rng := rand.New(rand.NewPCG(3, 4))
	var out []acquire.Reading
	for i := range int(100 * (lead + 21)) {
		t := float64(i) / 100
		um := -9 + 0.5*span*math.Sin(2*math.Pi*t/7)
		switch u := t - lead; {
		case u > 20:
			um = 4000
		case u > 18:
			um = 0
		case u > 17:
			um = -9 * (18 - u) * (18 - u)
		case u > 16:
			um = -9
		case u > 0:
			x := 3 * math.Cos(u*2*math.Pi*5/32) // passes every 3.2 s
			um = -x * x
		}
		out = append(out, acquire.Reading{
			Seq: uint64(i + 1), At: int64(i+1) * 10_000_000,
			X: 2_500_000 + int64(math.Round(100*(um+0.02*rng.NormFloat64()))),
		})
	}
	return out
}

// A tilt that is too flat to see is told from waiting by its length, also where wander
// or the hand moves the reading by more than noise; a movement that shows is none.
func TestFlatTiltThroughWander(t *testing.T) {
	p := DefaultParams(acquire.Step{Num: 10_000, Den: 1}, 10_000)
	for _, c := range []struct {
		name       string
		lead, span float64
		diameter   bool
	}{
		{"a wait", 3, 0, false},
		{"a wait with wander", 5, 0.2, false},
		{"a calm play", 9, 0.05, true},
		{"a play with wander", 12, 0.22, true},
		{"a tilt that shows", 12, 1.5, false},
	} {
		caps := detectAll(p, crossAfter(c.lead, c.span))
		if len(caps) != 1 {
			t.Errorf("%s: %d captures", c.name, len(caps))
			continue
		}
		cp := caps[0]
		if flat := cp.Outcome == OutcomeDiameter && hasReason(cp, ReasonTooFlat); flat != c.diameter {
			t.Errorf("%s: %s %v", c.name, cp.Outcome, cp.Reasons)
			continue
		}
		if !c.diameter {
			continue
		}
		if um := (float64(cp.Origin-2_500_000) + cp.Saddle) / 100; math.Abs(um) > 0.5*c.span+2*cp.U/100 {
			t.Errorf("%s: off by %.3f µm, u %.3f µm", c.name, um, cp.U/100)
		}
	}
}
