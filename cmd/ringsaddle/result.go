package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"time"

	"ringsaddle/api"
	"ringsaddle/calibrate"
	"ringsaddle/storage"
)

// bench returns what the evaluation needs to know of the station. The resolution of
// the readout is left out: the detector's own u covers it.
func (s stationConfig) bench() calibrate.Station {
	in, co := s.Instrument, s.Contacts
	st := calibrate.Station{
		Instrument: calibrate.SetInstrument{
			RangeMM:       []float64{in.RangeMin.MM(), in.RangeMax.MM()},
			ScaleErrorMM:  &calibrate.Quantity{U: in.ScaleErrorU.MM()},
			ScaleMaterial: in.ScaleMaterial, ReadingSign: s.Readout.Sign,
		},
		Contacts: calibrate.SetContacts{
			Shape: "ball", RadiusMM: co.Radius.MM(), Material: co.Material,
			ForceN:           calibrate.Quantity{Value: co.Force.Newton, U: co.ForceU.Newton},
			OffsetSidewaysMM: &calibrate.Quantity{U: co.OffsetSideways.MM()},
			OffsetHeightMM:   &calibrate.Quantity{U: co.OffsetHeight.MM()},
		},
		Probability: 0.95,
	}
	if in.CommonTemperatureU.Temperature > 0 {
		st.CommonTemperatureOffsetK = &calibrate.Quantity{HalfWidth: in.CommonTemperatureU.Celsius(), Distribution: "rectangular"}
	}
	if in.RepeatabilityDoF > 0 {
		st.Repeatability = &calibrate.SetRepeatability{SMM: in.RepeatabilityS.MM(), Dof: float64(in.RepeatabilityDoF)}
	}
	return st
}

// facts are the settings of a station that are recorded with what it measures.
func (s stationConfig) facts() map[string]any {
	return map[string]any{
		"name": s.Name, "serial": s.Serial.Label(), "frame": s.Frame, "reading_sign": s.Readout.Sign, "bench": s.bench(),
	}
}

// evaluated is an outcome with the digest of what it was worked out from.
type evaluated struct {
	calibrate.Outcome
	input  calibrate.SetFile
	digest string
}

// evaluateState works out the result of a set by the engine of "evaluate".
func evaluateState(state calibrate.State, cfg stationConfig) (evaluated, error) {
	in, err := calibrate.SetFileOf(state, cfg.bench(), nil)
	if err != nil {
		return evaluated{}, err
	}
	outcome, err := calibrate.Evaluate(in, calibrate.Options{})
	if err != nil {
		return evaluated{}, err
	}
	text, err := json.Marshal(in)
	if err != nil {
		return evaluated{}, err
	}
	digest := sha256.Sum256(text)
	return evaluated{Outcome: outcome, input: in, digest: hex.EncodeToString(digest[:])}, nil
}

// putResult stores an evaluation as the next revision of the set's result.
func putResult(ctx context.Context, store *storage.Store, state calibrate.State, e evaluated) error {
	text, err := json.Marshal(e.Outcome)
	if err != nil {
		return err
	}
	rec := storage.ResultRecord{
		SetID: state.SetID, Method: string(calibrate.MethodGUM), Evaluator: release, InputDigest: e.digest,
		Status: string(e.Status), Outcome: text,
	}
	master := state.Plan.Steps[0].RingID
	for _, p := range positionsOf(e.Outcome, state) {
		diameter, _ := calibrate.LengthFromMM(p.DiameterMM)
		u, _ := calibrate.LengthFromMM(p.UMM)
		expanded, _ := calibrate.LengthFromMM(p.ExpandedMM)
		rec.Positions = append(rec.Positions, storage.ResultPosition{
			RingID: p.RingID, PlanStep: p.Step, Height: p.Position.Height, Direction: p.Position.Direction,
			Diameter: diameter, U: u, Expanded: expanded, Decision: p.Decision,
		})
	}
	if state.ClosingKnown {
		rec.Checks = append(rec.Checks, storage.ReferenceCheck{
			MasterID: master, Difference: state.ClosingDifference, Limit: state.ClosingLimit,
			DriftPerHour: driftPerHour(state), Attempts: len(state.Attempts), Within: e.Status == calibrate.Accepted,
		})
	}
	if state.RepeatabilityDof > 0 {
		rec.Repeatability = &storage.Repeatability{MasterID: master, S: state.Repeatability, DoF: state.RepeatabilityDof}
	}
	_, err = store.PutResult(ctx, rec)
	return err
}

// driftPerHour is the closing difference over the time between the means of the
// opening and the closing captures in use.
func driftPerHour(state calibrate.State) calibrate.Length {
	mean := func(role calibrate.StepRole) (ns float64, ok bool) {
		n := 0
		for _, c := range state.Captures {
			if c.Standing == calibrate.StandingUsed && c.Role == role {
				ns += float64(c.Fact.WallNS - state.WallNS)
				n++
			}
		}
		return ns / float64(max(n, 1)), n > 0
	}
	opened, okO := mean(calibrate.Opening)
	closed, okC := mean(calibrate.Closing)
	if !okO || !okC || closed <= opened {
		return 0
	}
	return calibrate.Length(float64(state.ClosingDifference) / ((closed - opened) / 3.6e12))
}

// positionsOf lists the positions of an outcome with their steps in the plan.
func positionsOf(out calibrate.Outcome, state calibrate.State) []api.PositionResult {
	var positions []api.PositionResult
	for _, ring := range out.Rings {
		register := ringByIdent(state, ring.Ring)
		for _, p := range ring.Positions {
			pr := api.PositionResult{
				RingID: register.ID, RingIdent: ring.Ring, Step: -1, CaptureIDs: p.Captures,
				DiameterMM: p.ValueMM, UMM: p.UMM, DoF: p.Dof, CoverageFactor: p.CoverageFactor, ExpandedMM: p.ExpandedMM,
				DeviationMM: p.ValueMM - register.Nominal.MM(), SpreadMM: p.SpreadMM, Decision: p.Decision,
				Verdict: p.Verdict, FloorApplied: p.FloorApplied,
				Terms: []api.ResultTerm{}, Reservations: []string{},
			}
			if len(p.Captures) > 0 {
				if c, ok := state.Capture(p.Captures[0]); ok {
					pr.Step = c.Step
					step := state.Plan.Steps[c.Step]
					pr.Position = api.Position{Height: step.Height, Direction: step.Direction}
				}
			}
			for _, t := range p.Terms {
				pr.Terms = append(pr.Terms, api.ResultTerm{
					ID: t.ID, Value: t.Value, U: t.U, DoF: t.Dof, Sensitivity: t.Sensitivity, ContributionMM: t.Contribution,
					Symbol: t.Symbol, Name: t.Name, Kind: t.Kind, Distribution: t.Distribution, Share: t.Share,
				})
			}
			positions = append(positions, pr)
		}
	}
	return positions
}

// ringsOf lists what the outcome says of each work ring as a whole.
func ringsOf(out calibrate.Outcome, state calibrate.State) []api.RingResult {
	var rings []api.RingResult
	for _, s := range out.Rings {
		register := ringByIdent(state, s.Ring)
		rings = append(rings, api.RingResult{
			RingID: register.ID, Ident: s.Ring, NominalMM: register.Nominal.MM(), Mean: s.Mean, FormMM: s.FormMM,
			Taper: s.Taper, OutOfRoundness: s.OutOfRoundness, Decision: s.Decision,
		})
	}
	return rings
}

// ringByIdent finds a ring of the set; a set file names its rings by their idents.
func ringByIdent(state calibrate.State, ident string) calibrate.Ring {
	for _, r := range state.Rings {
		if r.Ident == ident {
			return r
		}
	}
	return calibrate.Ring{Ident: ident}
}

// resultOf is a stored result as the pages show it.
func resultOf(rec storage.ResultRecord, state calibrate.State) (api.Result, error) {
	var out calibrate.Outcome
	if err := json.Unmarshal(rec.Outcome, &out); err != nil {
		return api.Result{}, fmt.Errorf("result %d of set %s: %w", rec.Revision, rec.SetID, err)
	}
	res := api.Result{
		SetID: rec.SetID, Revision: int(rec.Revision), At: time.Unix(0, rec.WallNS), Status: rec.Status,
		ClosingDifferenceMM: out.ClosingDifferenceMM, ClosingLimitMM: state.ClosingLimit.MM(),
		Positions: positionsOf(out, state), Rings: ringsOf(out, state), Reservations: append([]string{}, out.Reservations...),
	}
	if rec.Repeatability != nil {
		res.Repeatability = &api.Repeatability{SMM: rec.Repeatability.S.MM(), DoF: rec.Repeatability.DoF}
	}
	for _, r := range state.Reservations {
		res.Reservations = append(res.Reservations, r.Text)
	}
	return res, nil
}
