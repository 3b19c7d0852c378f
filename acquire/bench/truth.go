package bench

import "ringsaddle/acquire"

// Outcome names what may be said about a contact. The words are those of the
// offline form of a capture; "none" means that nothing at all may be reported.
type Outcome string

// The outcomes.
const (
	OutcomeDiameter   Outcome = "diameter"
	OutcomeTiltOnly   Outcome = "tilt_only"
	OutcomeCrossOnly  Outcome = "cross_only"
	OutcomeIncomplete Outcome = "incomplete"
	OutcomeAmbiguous  Outcome = "ambiguous"
	OutcomeNone       Outcome = "none"
)

// Trace is a run of readings with its truth.
type Trace struct {
	Scenario string  `json:"scenario"`
	Class    Class   `json:"class,omitempty"`
	Seed     uint64  `json:"seed"`
	RateHz   float64 `json:"rate_hz"`
	// Step is the length of one count of X and Y; ResolutionPM the smallest change
	// shown, in picometres.
	Step         acquire.Step `json:"step"`
	ResolutionPM int64        `json:"resolution_pm"`
	HasY         bool         `json:"has_y"`
	// Adjustments are the names of the first and the second adjustment;
	// SeekMaximum says for each whether the reading (not the length) is a maximum.
	Adjustments [2]string `json:"adjustments"`
	SeekMaximum [2]bool   `json:"seek_maximum"`
	// NoiseUM and WanderUM are the standard deviations drawn for this trace.
	NoiseUM  float64           `json:"noise_um"`
	WanderUM float64           `json:"wander_um"`
	Readings []acquire.Reading `json:"-"`
	Entries  []Entry           `json:"entries"`
}

// Contacts returns all contacts of all entries in order of time.
func (t *Trace) Contacts() []Contact {
	var out []Contact
	for _, e := range t.Entries {
		out = append(out, e.Contacts...)
	}
	return out
}

// Entry is one task carried out: from the hand's first move to the withdrawal.
type Entry struct {
	Task Task `json:"task"`
	// Index counts the entries of the session from 0.
	Index   int   `json:"index"`
	StartNS int64 `json:"start_ns"`
	EndNS   int64 `json:"end_ns"`
	// Diameter20MM is the true size at 20 °C at the declared position.
	Diameter20MM float64 `json:"diameter_20c_mm"`
	// RingCelsius and ScaleCelsius are the true temperatures at the end of the last
	// phase; RingShown and ScaleShown are what the thermometers showed then.
	RingCelsius  float64 `json:"ring_celsius"`
	ScaleCelsius float64 `json:"scale_celsius"`
	RingShown    float64 `json:"ring_shown_celsius"`
	ScaleShown   float64 `json:"scale_shown_celsius"`
	// Contacts are the contacts made, in order; accidental touches included.
	Contacts []Contact `json:"contacts"`
}

// Main returns the contact that the entry was made for: the last one that is not
// an accidental touch. ok is false when there was none.
func (e *Entry) Main() (c Contact, ok bool) {
	for i := len(e.Contacts) - 1; i >= 0; i-- {
		if !e.Contacts[i].Accidental {
			return e.Contacts[i], true
		}
	}
	return Contact{}, false
}

// Contact is the truth about one unbroken contact.
type Contact struct {
	// TouchNS is the instant of the touch, EndNS that of the loss of contact.
	TouchNS int64 `json:"touch_ns"`
	EndNS   int64 `json:"end_ns"`
	// FirstSeq and LastSeq are the first and last reading sent in contact.
	FirstSeq uint64 `json:"first_seq"`
	LastSeq  uint64 `json:"last_seq"`
	// Accidental marks a touch before the entry; nobody played on it.
	Accidental bool `json:"accidental,omitempty"`
	// Phases are the phases played, in order; one that a loss of contact cut in two
	// appears in both contacts.
	Phases []Phase `json:"phases"`
	// Extrema sums up the two adjustments over all phases.
	Extrema [2]Extremum `json:"extrema"`
	// SaddleMM is the noise-free reading with both adjustments at their extremum, at
	// SaddleNS, the end of the last phase (of the contact, when no phase was
	// played). It includes compression, temperature, drift, dust and origin as they
	// were then (after a preset: in the origin that stood at the end of the contact),
	// and neither flexure, hysteresis, wander nor noise.
	SaddleMM float64 `json:"saddle_mm"`
	SaddleNS int64   `json:"saddle_ns"`
	// SlopeMMPerS is how the saddle's reading changed with time at that moment.
	SlopeMMPerS float64 `json:"slope_mm_per_s"`
	// Took says that a diameter took place: both extrema were truly crossed while
	// in contact. Supported says that the stream carries the evidence: each
	// extremum seen in at least two passes, or in one with the hand parked on it
	// afterwards, or an adjustment too flat to matter (see Extremum.Flat).
	Took      bool `json:"took"`
	Supported bool `json:"supported"`
	// Allowed are the outcomes that the truth allows.
	Allowed []Outcome `json:"allowed"`
	// Facts say in words what happened, for example "stray readings", "dust left",
	// "preset pressed".
	Facts []string `json:"facts,omitempty"`
	// HysteresisUM and FlexureUM are the half-width and the amplitude drawn for it.
	HysteresisUM float64 `json:"hysteresis_um"`
	FlexureUM    float64 `json:"flexure_um"`
}

// SaddleAt returns the noise-free reading at the saddle in millimetres at
// another time of the same contact.
func (c *Contact) SaddleAt(ns int64) float64 {
	return c.SaddleMM + c.SlopeMMPerS*float64(ns-c.SaddleNS)*1e-9
}

// Allows reports whether the outcome is allowed.
func (c *Contact) Allows(o Outcome) bool {
	for _, a := range c.Allowed {
		if a == o {
			return true
		}
	}
	return false
}

// Phase is the truth about a stretch in which one adjustment was played.
type Phase struct {
	Adjustment string `json:"adjustment"`
	StartNS    int64  `json:"start_ns"`
	// EndNS is the instant at which the knob came to its last rest.
	EndNS int64 `json:"end_ns"`
	// RestNS is the instant at which something else moved again (the next phase, or
	// the loss of contact); between EndNS and RestNS the reading is at LevelMM.
	RestNS int64 `json:"rest_ns"`
	// ExtremumMM is the noise-free reading of the turning point, with the other
	// adjustment where it stood, at EndNS. LevelMM is the noise-free level at EndNS:
	// LevelMM − ExtremumMM is the residual left by parking.
	ExtremumMM float64 `json:"extremum_mm"`
	LevelMM    float64 `json:"level_mm"`
	// Crossings are the true passes over the extremum.
	Crossings []Crossing `json:"crossings"`
}

// Crossing is one true pass over an extremum.
type Crossing struct {
	AtNS int64 `json:"at_ns"`
	// Direction is the direction of the adjustment, +1 or −1.
	Direction int `json:"direction"`
	// RiseBeforeUM and RiseAfterUM are how far the noise-free reading stood from the
	// extremum between the crossing before (or the start of the phase or contact)
	// and this one, and between this one and the next (or the end).
	RiseBeforeUM float64 `json:"rise_before_um"`
	RiseAfterUM  float64 `json:"rise_after_um"`
	// MissUM is how far the nearest reading taken was from the extremum: large
	// when a jump carried the adjustment across.
	MissUM float64 `json:"miss_um"`
	// Seen says that both rises exceed the contact's threshold (Extremum.VisibleUM).
	Seen bool `json:"seen"`
}

// Extremum sums up one adjustment over a contact.
type Extremum struct {
	Adjustment string `json:"adjustment"`
	// Maximum says that the reading is largest there.
	Maximum bool `json:"maximum"`
	// Played says that a phase of it took place in this contact.
	Played bool `json:"played"`
	// Crossings counts the true passes, Seen those that can be seen.
	Crossings int `json:"crossings"`
	Seen      int `json:"seen"`
	// Parked says that after the last pass the hand rested, for half a second or
	// more, with the reading within VisibleUM/2 of the extremum.
	Parked bool `json:"parked"`
	// RangeUM is the largest rise over the whole contact. Flat says that it was
	// played and yet stays below three times VisibleUM because the part is small (15
	// mrad or 0.5 mm raise the reading by less than four times VisibleUM): nobody can
	// rely on seeing it, and what is left of it is a bounded uncertainty.
	RangeUM float64 `json:"range_um"`
	Flat    bool    `json:"flat"`
	// VisibleUM is the rise from which a movement can be seen in this stream:
	// max(0.15 µm, 4σ, 2q), σ the white noise and q the resolution.
	VisibleUM float64 `json:"visible_um"`
	// ResidualUM is the rise at which the adjustment stood at SaddleNS.
	ResidualUM float64 `json:"residual_um"`
}
