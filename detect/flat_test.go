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
