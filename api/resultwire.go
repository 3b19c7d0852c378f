package api

import (
	"time"

	"ringsaddle/calibrate"
)

// wireResult is the outcome of a set.
type wireResult struct {
	SetID               string         `json:"set_id"`
	Revision            int            `json:"revision" doc:"Counts recomputations, from 1."`
	At                  time.Time      `json:"at"`
	Status              string         `json:"status" enum:"accepted,provisional,not_accepted"`
	ClosingDifferenceMM *float64       `json:"closing_difference_mm,omitempty"`
	ClosingLimitMM      float64        `json:"closing_limit_mm"`
	Repeatability       *wireRepeat    `json:"repeatability,omitempty"`
	Positions           []wirePosition `json:"positions" nullable:"false"`
	Rings               []wireRingSum  `json:"rings" nullable:"false" doc:"What the positions of each work ring say together."`
	Reservations        []string       `json:"reservations" nullable:"false" doc:"Sentences that must be shown with the result."`
	Caution             string         `json:"caution"`
}

type wirePosition struct {
	RingID         string       `json:"ring_id"`
	Ident          string       `json:"ident"`
	Step           int          `json:"step"`
	HeightMM       float64      `json:"height_mm"`
	DirectionDeg   float64      `json:"direction_deg"`
	Captures       []string     `json:"captures" nullable:"false"`
	DiameterMM     float64      `json:"diameter_20c_mm"`
	UMM            float64      `json:"u_mm"`
	DoF            *float64     `json:"dof,omitempty" doc:"Effective degrees of freedom; absent if infinite."`
	CoverageFactor float64      `json:"coverage_factor"`
	ExpandedMM     float64      `json:"expanded_uncertainty_mm"`
	FloorApplied   bool         `json:"floor_applied" doc:"The expanded uncertainty is the laboratory's floor, because the computed one is smaller."`
	DeviationMM    float64      `json:"deviation_mm" doc:"Diameter minus nominal diameter."`
	SpreadMM       float64      `json:"spread_mm"`
	Decision       string       `json:"decision" doc:"Empty where there is no tolerance."`
	Verdict        *wireVerdict `json:"verdict,omitempty" doc:"The decision in figures; absent without tolerance."`
	Terms          []wireTerm   `json:"terms" nullable:"false"`
	Reservations   []string     `json:"reservations" nullable:"false"`
}

type wireVerdict struct {
	Outcome           string  `json:"outcome" doc:"conforms, inside_not_proven, outside_not_proven or does_not_conform."`
	Rule              string  `json:"rule"`
	LowerMM           float64 `json:"lower_limit_mm" doc:"Limits of the diameter."`
	UpperMM           float64 `json:"upper_limit_mm"`
	LowerAcceptanceMM float64 `json:"lower_acceptance_mm" doc:"Limits of acceptance under the rule."`
	UpperAcceptanceMM float64 `json:"upper_acceptance_mm"`
	Conformance       float64 `json:"conformance_probability"`
	Risk              float64 `json:"specific_risk" doc:"Of the statement made."`
}

type wireTerm struct {
	ID             string   `json:"id"`
	Symbol         string   `json:"symbol"`
	Name           string   `json:"name"`
	Value          float64  `json:"value" doc:"Millimetres; the values of all terms add up to the diameter."`
	U              float64  `json:"u"`
	DoF            *float64 `json:"dof,omitempty" doc:"Absent if infinite."`
	Sensitivity    float64  `json:"sensitivity"`
	ContributionMM float64  `json:"contribution_mm"`
	Share          float64  `json:"share" doc:"Part of the variance, 0 to 1."`
	Kind           string   `json:"kind" doc:"Kind of evaluation: A, B, or both."`
	Distribution   string   `json:"distribution"`
}

// wireRingSum is what all positions of a work ring say together.
type wireRingSum struct {
	RingID         string        `json:"ring_id"`
	Ident          string        `json:"ident"`
	NominalMM      float64       `json:"nominal_mm"`
	Mean           wireEstimate  `json:"mean" doc:"Mean of the positions at 20 °C."`
	FormMM         float64       `json:"form_sd_mm" doc:"Scatter of the positions in excess of their uncertainties."`
	Taper          *wireEstimate `json:"taper,omitempty" doc:"Change over the span of heights, positive if the diameter grows with the height; absent with one height."`
	OutOfRoundness *wireEstimate `json:"out_of_roundness,omitempty" doc:"Largest range over the directions of one height; does not show lobes of odd number."`
	Decision       string        `json:"decision"`
}

type wireEstimate struct {
	ValueMM        float64  `json:"value_mm"`
	UMM            float64  `json:"u_mm"`
	DoF            *float64 `json:"dof,omitempty" doc:"Absent if infinite."`
	CoverageFactor float64  `json:"coverage_factor"`
	ExpandedMM     float64  `json:"expanded_uncertainty_mm"`
}

// resultCaution goes with every result.
const resultCaution = "This is a measurement record, not a calibration certificate. " +
	"Height and direction were declared by the person. Whether and how the values may be used is for the laboratory's own procedures to say."

func wireResultOf(r Result) wireResult {
	w := wireResult{
		SetID: r.SetID, Revision: r.Revision, At: r.At.UTC(), Status: r.Status,
		ClosingDifferenceMM: finiteOrNil(r.ClosingDifferenceMM), ClosingLimitMM: r.ClosingLimitMM,
		Positions: []wirePosition{}, Rings: []wireRingSum{}, Reservations: append([]string{}, r.Reservations...), Caution: resultCaution,
	}
	if r.Repeatability != nil {
		w.Repeatability = &wireRepeat{SMM: r.Repeatability.SMM, DoF: r.Repeatability.DoF}
	}
	for _, p := range r.Positions {
		w.Positions = append(w.Positions, wirePositionOf(p))
	}
	for _, s := range r.Rings {
		w.Rings = append(w.Rings, wireRingSum{
			RingID: s.RingID, Ident: s.Ident, NominalMM: s.NominalMM, Mean: *wireEstimateOf(&s.Mean), FormMM: s.FormMM,
			Taper: wireEstimateOf(s.Taper), OutOfRoundness: wireEstimateOf(s.OutOfRoundness), Decision: s.Decision,
		})
	}
	return w
}

func wirePositionOf(p PositionResult) wirePosition {
	w := wirePosition{
		RingID: p.RingID, Ident: p.RingIdent, Step: p.Step,
		HeightMM: p.Position.Height.MM(), DirectionDeg: float64(p.Position.Direction) / 1000,
		Captures: append([]string{}, p.CaptureIDs...), DiameterMM: p.DiameterMM, UMM: p.UMM, DoF: finiteOrNil(p.DoF),
		CoverageFactor: p.CoverageFactor, ExpandedMM: p.ExpandedMM, FloorApplied: p.FloorApplied,
		DeviationMM: p.DeviationMM, SpreadMM: p.SpreadMM,
		Decision: p.Decision, Terms: []wireTerm{}, Reservations: append([]string{}, p.Reservations...),
	}
	if v := p.Verdict; v != nil {
		w.Verdict = &wireVerdict{
			Outcome: string(v.Outcome), Rule: string(v.Rule), LowerMM: v.LowerMM, UpperMM: v.UpperMM,
			LowerAcceptanceMM: v.LowerAcceptanceMM, UpperAcceptanceMM: v.UpperAcceptanceMM,
			Conformance: v.Conformance, Risk: v.Risk,
		}
	}
	for _, t := range p.Terms {
		w.Terms = append(w.Terms, wireTerm{
			ID: t.ID, Symbol: t.Symbol, Name: t.Name, Value: t.Value, U: t.U, DoF: finiteOrNil(t.DoF),
			Sensitivity: t.Sensitivity, ContributionMM: t.ContributionMM, Share: t.Share, Kind: t.Kind, Distribution: t.Distribution,
		})
	}
	return w
}

func wireEstimateOf(e *calibrate.Estimate) *wireEstimate {
	if e == nil {
		return nil
	}
	return &wireEstimate{ValueMM: e.ValueMM, UMM: e.UMM, DoF: finiteOrNil(e.Dof), CoverageFactor: e.CoverageFactor, ExpandedMM: e.ExpandedMM}
}

// finiteOrNil drops what JSON cannot carry: infinite degrees of freedom are
// absent on the wire.
func finiteOrNil(v *float64) *float64 {
	if v == nil || !finite(*v) {
		return nil
	}
	return v
}
