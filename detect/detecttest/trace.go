package detecttest

import (
	"slices"

	"ringsaddle/acquire"
)

// Class names a kind of trace by what is difficult in it.
type Class string

// The classes; the package documentation gives their ranges.
const (
	ClassOrdinary   Class = "ordinary"
	ClassReversals  Class = "reversals"
	ClassNeverTilt  Class = "never_tilt"
	ClassNeverCross Class = "never_cross"
	ClassOnceTilt   Class = "once_tilt"
	ClassOnceCross  Class = "once_cross"
	ClassOneKnob    Class = "oneknob"
	ClassCrossFirst Class = "crossfirst"
	ClassEntries    Class = "entries"
	ClassLost       Class = "lost"
	ClassTouchUp    Class = "touchup"
	ClassEndStop    Class = "endstop"
	ClassDigits     Class = "digits"
	ClassOutliers   Class = "outliers"
	ClassStale      Class = "stale"
	ClassDropped    Class = "dropped"
	ClassCoarse     Class = "coarse"
	ClassDrift      Class = "drift"
	ClassTouch      Class = "touch"
	ClassStickSlip  Class = "stickslip"
	ClassHysteresis Class = "hysteresis"
	ClassDeadTime   Class = "deadtime"
	ClassVibration  Class = "vibration"
	ClassSmall      Class = "small"
	ClassY          Class = "ymm"
	ClassYTouch     Class = "ymm_touchrev"
)

// Classes returns all classes in a fixed order.
func Classes() []Class {
	return []Class{
		ClassOrdinary, ClassReversals, ClassNeverTilt, ClassNeverCross, ClassOnceTilt, ClassOnceCross, ClassOneKnob,
		ClassCrossFirst, ClassEntries, ClassLost, ClassTouchUp, ClassEndStop, ClassDigits, ClassOutliers, ClassStale,
		ClassDropped, ClassCoarse, ClassDrift, ClassTouch, ClassStickSlip, ClassHysteresis, ClassDeadTime,
		ClassVibration, ClassSmall, ClassY, ClassYTouch,
	}
}

// Outcome names what may be said about a contact, in the words of a capture.
type Outcome string

// The outcomes.
const (
	OutcomeDiameter   Outcome = "diameter"
	OutcomeTiltOnly   Outcome = "tilt_only"
	OutcomeCrossOnly  Outcome = "cross_only"
	OutcomeIncomplete Outcome = "incomplete"
	OutcomeAmbiguous  Outcome = "ambiguous"
)

// Step is the length of one count of X and Y, 0.01 µm.
var Step = acquire.Step{Num: 10_000, Den: 1}

// The adjustments, as index.
const (
	Tilt  = 0 // the reading passes a minimum
	Cross = 1 // the reading passes a maximum
)

// Phase is a stretch in which one adjustment is played.
type Phase struct {
	Adjustment int // Tilt or Cross
	// StartNS and EndNS are the times (ns) at which the hand came to the knob and
	// left it.
	StartNS, EndNS int64
	// CrossingsNS are the times (ns) at which the adjustment passed its extremum.
	CrossingsNS []int64
	// ResidualUM is how far off the extremum it was left, µm, never negative.
	ResidualUM float64
}

// Contact is the truth about one contact.
type Contact struct {
	// StartNS and EndNS are the times (ns) at which the contact had settled and at
	// which it was withdrawn or lost.
	StartNS, EndNS int64
	Phases         []Phase
	// SaddleMM is the noise-free reading at the saddle, mm, with the drift of RefNS
	// (ns), the end of the last phase.
	SaddleMM float64
	RefNS    int64
	// Supported says that the readings support a diameter; Allowed lists all that
	// may be said.
	Supported bool
	Allowed   []Outcome
	// SigmaUM is the standard deviation of a fit that knows the passes and the
	// disturbances, µm, and OracleUM its error, µm, where a diameter is allowed.
	SigmaUM, OracleUM float64
}

// Allows reports whether o may be said about the contact.
func (c *Contact) Allows(o Outcome) bool { return slices.Contains(c.Allowed, o) }

// Allow adds what may be said about the contact.
func (c *Contact) Allow(os ...Outcome) {
	for _, o := range os {
		if !c.Allows(o) {
			c.Allowed = append(c.Allowed, o)
		}
	}
}

// SaddleAt returns the noise-free reading at the saddle at a time (ns), mm.
func (t *Trace) SaddleAt(c *Contact, ns int64) float64 {
	return c.SaddleMM + t.DriftUMPerMin*float64(ns-c.RefNS)*1e-9/60/1000
}

// Trace is a run of readings with its truth.
type Trace struct {
	Class Class
	Seed  uint64
	// ResolutionPM is the smallest change that X shows, picometres.
	ResolutionPM int64
	// RateHz is the nominal number of readings a second.
	RateHz float64
	// RadiusDiffMM is R − r, the radius of the bore less that of the ball contact, mm.
	RadiusDiffMM float64
	// NoiseUM is the standard deviation of the white noise, µm.
	NoiseUM float64
	// DriftUMPerMin is the drift of the reading, µm per minute.
	DriftUMPerMin float64
	// Readings are in counts of Step, with Seq from 1 and At in ns from 0.
	Readings []acquire.Reading
	// Bad marks the readings that are strays or stale.
	Bad      []bool
	Contacts []Contact
}
