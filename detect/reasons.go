package detect

import "slices"

// The reason codes.
const (
	// ReasonNotCrossed: the extremum was never passed.
	ReasonNotCrossed ReasonCode = "not_crossed"
	// ReasonSeenOnce: the extremum was passed once and not found again.
	ReasonSeenOnce ReasonCode = "seen_once"
	// ReasonFewPasses: the passes agree, but that may be chance.
	ReasonFewPasses ReasonCode = "too_few_passes"
	// ReasonPassesDisagree: the passes do not repeat at one value.
	ReasonPassesDisagree ReasonCode = "passes_disagree"
	// ReasonEndStop: the reversals repeat, but rest or turn sharply as at a stop.
	ReasonEndStop ReasonCode = "like_end_stop"
	// ReasonNotPlayed: an adjustment was not played at all.
	ReasonNotPlayed ReasonCode = "not_played"
	// ReasonPhasesUnclear: which stretch belongs to which adjustment is open.
	ReasonPhasesUnclear ReasonCode = "phases_unclear"
	// ReasonContactLost: contact was lost before the work was done.
	ReasonContactLost ReasonCode = "contact_lost"
	// ReasonReadingsLost: readings are missing inside the entry.
	ReasonReadingsLost ReasonCode = "readings_lost"
	// ReasonPreset: the reading stepped while nothing moved.
	ReasonPreset ReasonCode = "preset_pressed"
	// ReasonTooFlat: the extremum is too flat to see; its effect is bounded.
	ReasonTooFlat ReasonCode = "too_flat_to_see"
	// ReasonChainDisagrees: the estimates of the chain of phases disagree.
	ReasonChainDisagrees ReasonCode = "chain_disagrees"
	// ReasonNoRest: the reading never held still between the adjustments.
	ReasonNoRest ReasonCode = "no_rest_between"
	// ReasonDrift: the reading drifts strongly.
	ReasonDrift ReasonCode = "strong_drift"
	// ReasonTooShort: the entry is too short to hold a sweep.
	ReasonTooShort ReasonCode = "too_short"
	// ReasonClock: the times of the readings jumped.
	ReasonClock ReasonCode = "clock_jumped"
)

// ReasonInfo is one row of the table of reasons.
type ReasonInfo struct {
	Code ReasonCode
	// When says when the reason appears.
	When string
	// Advice says what the technician does then.
	Advice string
}

// Reasons returns the table of all reasons in a fixed order.
func Reasons() []ReasonInfo { return slices.Clone(reasonTable[:]) }

var reasonTable = [...]ReasonInfo{
	{ReasonNotCrossed, "The reading went one way up to the edge of a sweep and never came back: the turning point was not passed.", "Turn on past the extremum until the reading comes back, then return over it."},
	{ReasonSeenOnce, "A turning point was passed once only, and nothing tells it from a reversal of the hand.", "Go over it once more from the other side, or come back and rest on it."},
	{ReasonFewPasses, "The passes over the extremum agree, but the hand moved so little around it that it may be chance.", "Sweep wider over the extremum and back, once more from each side."},
	{ReasonPassesDisagree, "The passes over the extremum do not repeat at one value.", "Check for dust, a burr or a loose part, then sweep again slowly from both sides."},
	{ReasonEndStop, "The reversals repeat at one value but look like an end stop or a resting hand, not like a turning point.", "Check that the slide is clear of its end stop and sweep on until the reading comes back by itself."},
	{ReasonNotPlayed, "One adjustment was not played during this contact.", "Play the adjustment that is named over its extremum twice."},
	{ReasonPhasesUnclear, "The readings fit more than one order of adjustments.", "Play one adjustment at a time and take the hands off for a second between them."},
	{ReasonContactLost, "The contact was lost before both turning points were found.", "Bring the ring against the contacts again and start over at this position."},
	{ReasonReadingsLost, "Readings are missing inside this contact (cable, port, or an overloaded machine).", "Check the cable and the alarm list, then start over at this position."},
	{ReasonPreset, "The reading stepped while nothing moved, as when a preset or zero key is pressed.", "Do not press keys on the readout during a set; measure this position again, and the master if the readout was set anew."},
	{ReasonTooFlat, "The extremum is too flat to see in the noise; what it can hide is part of the uncertainty.", "Nothing needs to be done; a wider sweep lowers the uncertainty."},
	{ReasonChainDisagrees, "An adjustment was played again and the results before and after do not agree.", "Measure this position again."},
	{ReasonNoRest, "The reading did not hold still between the two adjustments, so the parking error is only bounded.", "Take the hands off for a second before changing to the other knob."},
	{ReasonDrift, "The reading drifts strongly during this contact.", "Let ring and bench soak longer; keep hands and breath away."},
	{ReasonTooShort, "The contact was too short to hold a sweep.", "Leave the ring in contact while both adjustments are played."},
	{ReasonClock, "The times of the readings jumped; durations are not to be trusted.", "Check the clock of the recording; values are not affected."},
}

func reasonInfo(code ReasonCode) ReasonInfo {
	for i := range reasonTable {
		if r := &reasonTable[i]; r.Code == code {
			return *r
		}
	}
	return ReasonInfo{Code: code}
}
