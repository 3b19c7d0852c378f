package detect

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math"

	"ringsaddle/acquire"
)

// Revision names the algorithm. It changes whenever a capture of the same
// readings with the same Params may change.
const Revision = "7"

// Params are the settings of a Detector. Start from DefaultParams.
type Params struct {
	// Seeks are the two adjustments of the task and the extremum each seeks.
	Seeks [2]Seek
	// StepMM is the length of one count, mm; > 0.
	StepMM float64
	// ResolutionMM is the smallest change the readout can show, mm; at least
	// StepMM.
	ResolutionMM float64
	// LossSeconds is how long the contact must be lost to end an entry, s;
	// 0.05 to 5.
	LossSeconds float64
	// StrayReadings is how many readings in a row may lie elsewhere without
	// ending the entry, however long they last; 0 to 3.
	StrayReadings int
	// JumpMM is the change of the reading that means that the contact is not
	// where it was, mm; 0.02 to 5. What the two adjustments can do to the
	// reading in one entry must stay below it.
	JumpMM float64
	// ApproachMMPerS is the speed of the reading above which the carriage is
	// not resting on the ring, mm/s; 0.05 to 10.
	ApproachMMPerS float64
	// WithdrawSeconds and WithdrawMM say how long and how far the contact must
	// stay away after a capture to count as deliberately withdrawn; s and mm.
	WithdrawSeconds, WithdrawMM float64
	// DriftMMPerMin is the standard deviation of the thermal drift to expect,
	// mm/min; 0 to 0.01.
	DriftMMPerMin float64
	// RestSeconds is how long the reading must hold still to count as hands
	// off, s; 0.2 to 10.
	RestSeconds float64
	// FalseProbability is the largest probability of being wrong about a
	// turning point with which it is still reported, among traces of which every
	// fifth holds a trap (see evidence.go); 1e-6 to 0.2.
	FalseProbability float64
}

// DefaultParams returns the settings for an internal diameter read by a readout
// with the given step and resolution (picometres; 0 means the step itself).
func DefaultParams(step acquire.Step, resolutionPM int64) Params {
	res := float64(resolutionPM) / acquire.PicometresPerMM
	if res < step.MM() {
		res = step.MM()
	}
	return Params{
		Seeks:            BoreSeeks(),
		StepMM:           step.MM(),
		ResolutionMM:     res,
		LossSeconds:      0.35,
		StrayReadings:    3,
		JumpMM:           0.25,
		ApproachMMPerS:   0.6,
		WithdrawSeconds:  1,
		WithdrawMM:       1,
		DriftMMPerMin:    0.00015,
		RestSeconds:      0.5,
		FalseProbability: 0.1,
	}
}

// Validate reports every setting outside its permitted range.
func (p Params) Validate() error {
	var errs []error
	check := func(field string, v, lo, hi float64, unit string) {
		if !(v >= lo && v <= hi) {
			errs = append(errs, fmt.Errorf("%s = %g: permitted %g to %g %s", field, v, lo, hi, unit))
		}
	}
	for i, s := range p.Seeks {
		if s.Adjustment == "" {
			errs = append(errs, fmt.Errorf("seeks[%d]: the adjustment has no name", i))
		}
		if s.Sense != Minimum && s.Sense != Maximum {
			errs = append(errs, fmt.Errorf("seeks[%d].Sense = %d: permitted Minimum or Maximum", i, s.Sense))
		}
	}
	if p.Seeks[0].Adjustment != "" && p.Seeks[0].Adjustment == p.Seeks[1].Adjustment {
		errs = append(errs, fmt.Errorf("seeks: %s is named twice; two different adjustments are needed", p.Seeks[0].Adjustment))
	}
	check("StepMM", p.StepMM, 1e-9, 0.1, "mm")
	check("ResolutionMM", p.ResolutionMM, math.Max(1e-9, p.StepMM*(1-1e-9)), 0.1, "mm")
	check("LossSeconds", p.LossSeconds, 0.05, 5, "s")
	check("StrayReadings", float64(p.StrayReadings), 0, 3, "readings")
	check("JumpMM", p.JumpMM, 0.02, 5, "mm")
	check("ApproachMMPerS", p.ApproachMMPerS, 0.05, 10, "mm/s")
	check("WithdrawSeconds", p.WithdrawSeconds, 0, 60, "s")
	check("WithdrawMM", p.WithdrawMM, 0, 1000, "mm")
	check("DriftMMPerMin", p.DriftMMPerMin, 0, 0.01, "mm/min")
	check("RestSeconds", p.RestSeconds, 0.2, 10, "s")
	check("FalseProbability", p.FalseProbability, 1e-6, 0.2, "")
	return errors.Join(errs...)
}

// Digest identifies the settings: equal digests mean equal settings.
func (p Params) Digest() string {
	h := sha256.Sum256(fmt.Appendf(nil, "%+v", p))
	return hex.EncodeToString(h[:8])
}
