package narrow

import (
	"fmt"
	"math/rand/v2"
	"slices"

	"ringsaddle/detect/detecttest"
)

// The classes; the package documentation gives their ranges.
const (
	ClassOrdinary   detecttest.Class = "ordinary"
	ClassReversals  detecttest.Class = "many_reversals"
	ClassNeverTilt  detecttest.Class = "never_tilt"
	ClassNeverCross detecttest.Class = "never_cross"
	ClassOnceTilt   detecttest.Class = "once_tilt"
	ClassOnceCross  detecttest.Class = "once_cross"
	ClassOneKnob    detecttest.Class = "one_knob"
	ClassCrossFirst detecttest.Class = "cross_first"
	ClassEntries    detecttest.Class = "entries"
	ClassLost       detecttest.Class = "lost"
	ClassTouchUp    detecttest.Class = "touch_up"
	ClassEndStop    detecttest.Class = "end_stop"
	ClassDigits     detecttest.Class = "digits"
	ClassOutliers   detecttest.Class = "outliers"
	ClassStale      detecttest.Class = "stale"
	ClassDropped    detecttest.Class = "dropped"
	ClassCoarse     detecttest.Class = "coarse"
	ClassDrift      detecttest.Class = "drift"
	ClassFlexure    detecttest.Class = "flexure"
	ClassStickSlip  detecttest.Class = "stick_slip"
	ClassHysteresis detecttest.Class = "hysteresis"
	ClassDeadTime   detecttest.Class = "dead_time"
	ClassVibration  detecttest.Class = "vibration"
	ClassSmall      detecttest.Class = "small_ring"
	ClassSlow       detecttest.Class = "slow"
	ClassFast       detecttest.Class = "fast"
	ClassParked     detecttest.Class = "parked"
	ClassY          detecttest.Class = "y_mm"
	ClassDust       detecttest.Class = "dust"
)

// Classes returns all classes in a fixed order.
func Classes() []detecttest.Class {
	return []detecttest.Class{
		ClassOrdinary, ClassReversals, ClassNeverTilt, ClassNeverCross, ClassOnceTilt, ClassOnceCross, ClassOneKnob,
		ClassCrossFirst, ClassEntries, ClassLost, ClassTouchUp, ClassEndStop, ClassDigits, ClassOutliers, ClassStale,
		ClassDropped, ClassCoarse, ClassDrift, ClassFlexure, ClassStickSlip, ClassHysteresis, ClassDeadTime,
		ClassVibration, ClassSmall, ClassSlow, ClassFast, ClassParked, ClassY, ClassDust,
	}
}

// Make draws a trace. The same class and seed give the same trace. It panics when
// there is no such class.
func Make(class detecttest.Class, seed uint64) detecttest.Trace {
	if !slices.Contains(Classes(), class) {
		panic(fmt.Sprintf("narrow: no class %q", class))
	}
	s := draw(class, seed)
	s.session()
	return s.assemble(seed)
}

// newSource seeds the draws of a trace, with a hash of the class's name beside the
// seed so that the classes differ.
func newSource(class detecttest.Class, seed uint64) source {
	const start, prime = 1469598103934665603, 1099511628211
	h := uint64(start)
	for _, b := range []byte(class) {
		h = (h ^ uint64(b)) * prime
	}
	return source{rand.New(rand.NewPCG(seed, h))}
}
