package bench

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
)

// Class names a kind of trace by what is difficult in it.
type Class string

// The classes. Package documentation gives the ranges of their disturbances.
const (
	ClassOrdinary         Class = "ordinary"
	ClassManyReversals    Class = "many_reversals"
	ClassNeverTilt        Class = "never_crossed_tilt"
	ClassNeverCross       Class = "never_crossed_cross"
	ClassSweptOnce        Class = "swept_once"
	ClassParked           Class = "parked"
	ClassOneKnob          Class = "one_knob"
	ClassCrossFirst       Class = "cross_first"
	ClassSeveralEntries   Class = "several_entries"
	ClassContactLost      Class = "contact_lost"
	ClassTouchUp          Class = "touch_up"
	ClassEndStop          Class = "end_stop"
	ClassFarStop          Class = "far_stop"
	ClassRememberedDigits Class = "remembered_digits"
	ClassOutliers         Class = "outliers"
	ClassStale            Class = "stale"
	ClassDropped          Class = "dropped"
	ClassCoarse           Class = "coarse"
	ClassDrift            Class = "drift"
	ClassWander           Class = "wander"
	ClassFlexure          Class = "flexure"
	ClassStickSlip        Class = "stick_slip"
	ClassHysteresis       Class = "hysteresis"
	ClassDeadTime         Class = "dead_time"
	ClassVibration        Class = "vibration"
	ClassSmallRing        Class = "small_ring"
	ClassWithY            Class = "with_y"
	ClassSlow10Hz         Class = "slow_10hz"
	ClassFast1kHz         Class = "fast_1khz"
	ClassPreset           Class = "preset_pressed"
	ClassDust             Class = "dust"
	ClassClockJump        Class = "clock_jump"
	ClassMixed            Class = "mixed"
)

// Classes returns all classes in a fixed order.
func Classes() []Class {
	return []Class{
		ClassOrdinary, ClassManyReversals, ClassNeverTilt, ClassNeverCross, ClassSweptOnce, ClassParked,
		ClassOneKnob, ClassCrossFirst, ClassSeveralEntries, ClassContactLost, ClassTouchUp, ClassEndStop,
		ClassFarStop, ClassRememberedDigits, ClassOutliers, ClassStale, ClassDropped, ClassCoarse, ClassDrift,
		ClassWander, ClassFlexure, ClassStickSlip, ClassHysteresis, ClassDeadTime, ClassVibration, ClassSmallRing,
		ClassWithY, ClassSlow10Hz, ClassFast1kHz, ClassPreset, ClassDust,
		ClassClockJump, ClassMixed,
	}
}

// ClassScenario draws a scenario of the class: resolution, rate, size, noise and
// habits of the hand at random within the documented ranges. It fails for a
// class that does not exist.
func ClassScenario(c Class, rng *rand.Rand) (Scenario, error) {
	sc := DefaultScenario()
	sc.Name, sc.Class = string(c), c
	sc.Readout.RateHz = pick(rng, 50, 100, 100, 200, 250, 500)
	if rng.IntN(4) == 0 {
		sc.Readout.Decimals = 5
	}
	size := logDraw(rng, Range{12, 150})
	ring := &sc.Rings[0]
	ring.NominalMM = math.Round(size)
	ring.DeviationUM = 8 * (rng.Float64() - 0.5)
	sc.Instrument.BallMM = math.Min(pick(rng, 1, 1.5, 2.5), ring.NominalMM/8)
	sc.Instrument.OriginMM = ring.NominalMM + math.Round(40*(rng.Float64()-0.5)*1e3)/1e3
	sc.Instrument.SidewaysUM, sc.Instrument.HeightUM = 20*rng.NormFloat64(), 20*rng.NormFloat64()

	sc.Disturb.NoiseUM = Fixed(logDraw(rng, Range{0.02, 0.10}))
	sc.Disturb.WanderUM = Range{0.01, 0.05}
	sc.Disturb.WanderS = Range{10, 60}
	sc.Disturb.DriftUMPerMin = Range{0, 0.05}
	m := &sc.Mechanics
	m.BacklashMrad, m.BacklashUM = Range{0, 0.3}, Range{0, 6}
	m.HysteresisUM, m.FlexureUM = Range{0, 0.015}, Range{0, 0.05}
	m.SettleUM, m.SettleS = Range{0.5, 15}, Range{0.15, 0.6}
	sc.Readout.JitterShare = 0.05 * rng.Float64()

	h := &sc.Hand
	h.Unevenness, h.Care = 0.2+0.4*rng.Float64(), 0.3+0.5*rng.Float64()
	h.SweepS, h.PauseS = Range{1, 6}, Range{0.3, 2}
	h.RestS, h.FinalRestS = Range{0.6, 2.5}, Range{0.8, 3}
	h.BetweenS, h.ChangeS = Range{1.5, 4}, Range{0, 0}
	for _, p := range []*Play{&h.First, &h.Second, &h.TouchUp} {
		p.Passes = Count{2, 5}
		p.StartMM = Range{0.05, 0.5}
		p.ParkUM = Range{0, 0.3}
	}
	if rng.IntN(3) == 0 {
		h.First.Reversals, h.Second.Reversals = Count{0, 1}, Count{0, 1}
	}
	if rng.IntN(10) == 0 {
		h.AccidentalTouches = Count{1, 1}
	}
	if err := c.alter(&sc, rng); err != nil {
		return Scenario{}, err
	}
	// A hand that watches these digits turns only when it has seen them move.
	visible := classVisibleUM(&sc)
	for _, p := range []*Play{&h.First, &h.Second, &h.TouchUp} {
		p.DepthUM = Range{math.Max(0.5, 2.5*visible), math.Max(2, 6*visible)}
		p.ReversalUM = Range{math.Max(0.3, 1.5*visible), math.Max(3, 6*visible)}
		p.StartRiseUM = Range{math.Max(0.8, 3*visible), 25}
		if p.Mode == "never" || p.Mode == "end_stop" || p.Mode == "digits" {
			p.ParkUM = p.ReversalUM
			p.Passes = Count{1, 4}
			p.StartRiseUM[0] = p.ParkUM[1] + visible
			p.StartRiseUM[1] = math.Max(25, p.StartRiseUM[0])
		}
	}
	h.TouchUp.StartRiseUM = Range{0, 25}
	return sc, nil
}

// classVisibleUM is the change of the reading that an eye takes for a movement.
func classVisibleUM(sc *Scenario) float64 {
	step, err := sc.Readout.Step()
	if err != nil {
		return 1
	}
	return math.Max(0.15, math.Max(4*sc.Disturb.NoiseUM[1], 2*step.MM()*1e3))
}

func pick(rng *rand.Rand, values ...float64) float64 { return values[rng.IntN(len(values))] }

// alter makes the scenario one of the class.
func (c Class) alter(sc *Scenario, rng *rand.Rand) error {
	h, m, d := &sc.Hand, &sc.Mechanics, &sc.Disturb
	either := []*Play{&h.First, &h.Second}[rng.IntN(2)]
	switch c {
	case ClassOrdinary:
	case ClassManyReversals:
		h.First.Reversals, h.Second.Reversals = Count{2, 6}, Count{2, 6}
	case ClassNeverTilt:
		h.First.Mode = "never"
	case ClassNeverCross:
		h.Second.Mode = "never"
	case ClassSweptOnce:
		either.Mode = "once"
	case ClassParked:
		h.First.Mode, h.Second.Mode = "park", "park"
		h.First.ParkUM, h.Second.ParkUM = Range{0, 0.05}, Range{0, 0.05}
		h.RestS, h.FinalRestS = Range{2, 4}, Range{2, 4}
	case ClassOneKnob:
		either.Mode = "none"
	case ClassCrossFirst:
		h.Phases = []string{Cross, Tilt}
	case ClassSeveralEntries:
		sc.Tasks[0].Repeat = 2 + rng.IntN(4)
	case ClassContactLost:
		h.LossProbability, h.RestartProbability = 1, 0.6
	case ClassTouchUp:
		h.Phases = []string{Tilt, Cross, Tilt}
	case ClassEndStop:
		either.Mode = "end_stop"
	case ClassFarStop:
		either.Mode = "far_stop"
		either.Passes = Count{3, 5}
	case ClassRememberedDigits:
		either.Mode = "digits"
	case ClassOutliers:
		d.StrayShare = Range{0.0005, 0.005}
	case ClassStale:
		d.StalePerMin = Range{2, 10}
	case ClassDropped:
		d.DropsPerMin = Range{3, 20}
	case ClassCoarse:
		sc.Readout.Decimals = 3
		d.NoiseUM = Fixed(logDraw(rng, Range{0.10, 0.35}))
		sc.Rings[0].NominalMM = math.Max(30, sc.Rings[0].NominalMM)
	case ClassDrift:
		d.DriftUMPerMin = Range{0.1, 0.3}
	case ClassWander:
		d.WanderUM = Range{0.05, 0.10}
	case ClassFlexure:
		m.FlexureUM = Range{0.1, 0.5}
	case ClassStickSlip:
		m.StickMrad, m.StickUM = Range{0.1, 0.6}, Range{3, 20}
	case ClassHysteresis:
		m.HysteresisUM = Range{0.03, 0.15}
	case ClassDeadTime:
		m.BacklashMrad, m.BacklashUM = Range{0.8, 3}, Range{20, 80}
	case ClassVibration:
		d.BurstsPerEntry = Count{1, 6}
	case ClassSmallRing:
		sc.Rings[0].NominalMM = math.Round(3 + 5*rng.Float64())
		sc.Instrument.BallMM = sc.Rings[0].NominalMM / 8
		h.ReachMrad = 10 + 15*rng.Float64()
		sc.Instrument.SidewaysUM, sc.Instrument.HeightUM = 5*rng.NormFloat64(), 5*rng.NormFloat64()
	case ClassWithY:
		sc.Readout.SecondAxis = true
		sc.Readout.SecondIncrement = []int{1, 10}[rng.IntN(2)]
	case ClassSlow10Hz:
		sc.Readout.RateHz = pick(rng, 10, 12.5, 20)
	case ClassFast1kHz:
		sc.Readout.RateHz = 1000
	case ClassPreset:
		d.PresetProbability = 1
	case ClassDust:
		d.DustProbability, d.DustMoves = 0.5, 0.5
		sc.Tasks[0].Repeat = 2
	case ClassClockJump:
		d.ClockJumpsPerEntry = Count{1, 3}
	case ClassMixed:
		for _, other := range []Class{
			ClassManyReversals, ClassOutliers, ClassStale, ClassDropped, ClassDrift, ClassWander, ClassFlexure,
			ClassStickSlip, ClassHysteresis, ClassDeadTime, ClassVibration, ClassTouchUp,
		} {
			if rng.IntN(4) > 0 {
				continue
			}
			if err := other.alter(sc, rng); err != nil {
				return err
			}
		}
	default:
		return fmt.Errorf("class %q does not exist", c)
	}
	return nil
}

// CutClass returns the class named by "class:NAME"; ok is false for anything
// else. It does not check that the class exists.
func CutClass(s string) (c Class, ok bool) {
	name, ok := strings.CutPrefix(s, "class:")
	return Class(name), ok
}

// Describe says in a line what is difficult in traces of the class.
func (c Class) Describe() string {
	switch c {
	case ClassOrdinary:
		return "tilt and cross swept to and fro, nothing special"
	case ClassManyReversals:
		return "2 to 6 false reversals of the hand in each phase"
	case ClassNeverTilt:
		return "the tilt minimum is approached and never crossed"
	case ClassNeverCross:
		return "the cross maximum is approached and never crossed"
	case ClassSweptOnce:
		return "one extremum is crossed once and not revisited"
	case ClassParked:
		return "each extremum is crossed once, then the hand parks on it"
	case ClassOneKnob:
		return "only one of the two adjustments is touched"
	case ClassCrossFirst:
		return "cross first, tilt second"
	case ClassSeveralEntries:
		return "2 to 5 entries one after the other"
	case ClassContactLost:
		return "contact is lost for 0.4 to 3 s in mid-play"
	case ClassTouchUp:
		return "tilt, cross, and tilt once more"
	case ClassEndStop:
		return "one adjustment turns back at a hard stop before its extremum"
	case ClassFarStop:
		return "one adjustment passes its extremum and turns back at a hard stop beyond"
	case ClassRememberedDigits:
		return "one adjustment turns back at remembered digits before its extremum"
	case ClassOutliers:
		return "stray readings, one to three in a row"
	case ClassStale:
		return "the readout repeats readings for up to 0.5 s"
	case ClassDropped:
		return "up to ten readings in a row are missing"
	case ClassCoarse:
		return "steps of 1 µm"
	case ClassDrift:
		return "steady drift of 0.1 to 0.3 µm a minute"
	case ClassWander:
		return "slow wander of 0.05 to 0.1 µm"
	case ClassFlexure:
		return "a hand on a knob bends the frame by 0.1 to 0.5 µm"
	case ClassStickSlip:
		return "the adjustments move in jumps"
	case ClassHysteresis:
		return "the carriage lags behind by 0.03 to 0.15 µm"
	case ClassDeadTime:
		return "much backlash in both knobs"
	case ClassVibration:
		return "1 to 6 bursts of vibration"
	case ClassSmallRing:
		return "rings of 3 to 8 mm, whose tilt minimum is flat"
	case ClassWithY:
		return "the readout sends the cross slide's position too"
	case ClassSlow10Hz:
		return "10 to 20 readings a second"
	case ClassFast1kHz:
		return "1000 readings a second"
	case ClassPreset:
		return "a preset is pressed while the hand rests"
	case ClassDust:
		return "two entries; in half of them a speck of dust lies under a contact"
	case ClassClockJump:
		return "the clock of the time stamps jumps in mid-play"
	case ClassMixed:
		return "each of twelve disturbances with a probability of a quarter"
	}
	return "unknown"
}
