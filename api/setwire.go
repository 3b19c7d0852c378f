package api

import (
	"time"

	"ringsaddle/calibrate"
)

// wireSetSummary is a set in a list.
type wireSetSummary struct {
	ID          string     `json:"id"`
	Station     string     `json:"station"`
	Technician  string     `json:"technician"`
	Status      string     `json:"status"`
	Closed      bool       `json:"closed"`
	Started     time.Time  `json:"started"`
	Ended       *time.Time `json:"ended,omitempty" doc:"Absent while the set takes events."`
	MasterIdent string     `json:"master_ident"`
	WorkIdents  []string   `json:"work_idents" nullable:"false"`
	StepsDone   int        `json:"steps_done"`
	Steps       int        `json:"steps"`
}

// wireSet is a set as folded from its events.
type wireSet struct {
	ID         string     `json:"id"`
	Station    string     `json:"station"`
	Technician string     `json:"technician"`
	Seq        int64      `json:"seq" doc:"Journal number of its newest event."`
	Status     string     `json:"status" doc:"running, paused, asking, waiting_ring_confirmation, finished, not_accepted or aborted."`
	Waits      string     `json:"waits" enum:"confirm_ring,capture,withdrawal,answer,resume,close,nothing" doc:"What the set waits for."`
	Closed     bool       `json:"closed"`
	Started    time.Time  `json:"started"`
	Ended      *time.Time `json:"ended,omitempty"`
	Sentence   string     `json:"sentence" doc:"What to do now, or how the set stands."`
	Next       string     `json:"next" doc:"What comes then."`
	StopReason string     `json:"stop_reason"`

	Step     int           `json:"step" doc:"Index of the step in hand; the number of steps when none is left."`
	Steps    []wireStep    `json:"steps" nullable:"false"`
	Rings    []wireRing    `json:"rings" nullable:"false"`
	Captures []wireCapture `json:"captures" nullable:"false"`

	ConfirmRing  string        `json:"confirm_ring" doc:"Ring whose ident must be confirmed; empty if none."`
	ConfirmIdent string        `json:"confirm_ident"`
	Question     *wireQuestion `json:"question,omitempty" doc:"The question that stopped the flow."`

	ReferenceVoid       bool           `json:"reference_void"`
	ClosingDifferenceMM *float64       `json:"closing_difference_mm,omitempty" doc:"Closing minus opening at 20 °C, of the last attempt."`
	ClosingLimitMM      float64        `json:"closing_limit_mm"`
	ClosingAttempts     []wireAttempt  `json:"closing_attempts" nullable:"false"`
	Repeatability       *wireRepeat    `json:"repeatability,omitempty"`
	Temperatures        []wireTemp     `json:"temperatures" nullable:"false"`
	Reservations        []wireReserved `json:"reservations" nullable:"false"`
}

type wireStep struct {
	Index        int     `json:"index"`
	Role         string  `json:"role" enum:"opening,work,reference,closing"`
	RingID       string  `json:"ring_id"`
	Ident        string  `json:"ident"`
	HeightMM     float64 `json:"height_mm"`
	DirectionDeg float64 `json:"direction_deg"`
	Title        string  `json:"title"`
	Got          int     `json:"got" doc:"Good captures."`
	Needed       int     `json:"needed"`
	Done         bool    `json:"done"`
	// Values of the captures in use.
	Mean20MM       *float64 `json:"mean_20c_mm,omitempty" doc:"Mean of the readings in use, in the direction of a growing diameter, at 20 °C."`
	Diameter20MM   *float64 `json:"diameter_by_opening_mm,omitempty" doc:"Certified diameter of the master plus the difference of the means, at 20 °C: without corrections beyond temperature, provisional."`
	SpreadMM       *float64 `json:"spread_mm,omitempty" doc:"Largest minus smallest, from two captures on."`
	DisagreementMM *float64 `json:"disagreement_mm,omitempty" doc:"Largest difference that the agreement rule does not allow."`
	LimitMM        *float64 `json:"agreement_limit_mm,omitempty"`
}

type wireQuestion struct {
	Seq       int64  `json:"seq"`
	CaptureID string `json:"capture_id"`
	Text      string `json:"text"`
}

type wireAttempt struct {
	Captures     []string `json:"captures" nullable:"false"`
	Complete     bool     `json:"complete"`
	DifferenceMM float64  `json:"difference_mm"`
	Within       bool     `json:"within"`
}

type wireRepeat struct {
	SMM float64 `json:"s_mm" doc:"Standard deviation of one entry, pooled over the steps."`
	DoF int     `json:"dof"`
}

type wireTemp struct {
	RingID  string    `json:"ring_id" doc:"Empty for the scale."`
	Celsius float64   `json:"celsius"`
	U       float64   `json:"u_kelvin"`
	At      time.Time `json:"at"`
	Source  string    `json:"source"`
}

type wireReserved struct {
	Code      string `json:"code"`
	Text      string `json:"text"`
	Step      int    `json:"step" doc:"-1 if it concerns no single step."`
	CaptureID string `json:"capture_id"`
}

func mmOf(l calibrate.Length) *float64 {
	v := l.MM()
	return &v
}

func timeOrNil(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.UTC()
	return &t
}

func wireSummaryOf(s SetSummary) wireSetSummary {
	return wireSetSummary{
		ID: s.ID, Station: s.Station, Technician: s.Technician, Status: s.Status, Closed: s.Closed,
		Started: s.Started.UTC(), Ended: timeOrNil(s.Ended), MasterIdent: s.MasterIdent,
		WorkIdents: append([]string{}, s.WorkIdents...), StepsDone: s.StepsDone, Steps: s.Steps,
	}
}

func wireSetOf(set Set) wireSet {
	st := &set.State
	w := wireSet{
		ID: set.ID, Station: set.Station, Technician: st.By, Seq: st.LastSeq,
		Status: string(st.Status), Waits: waitsFor(st), Closed: st.Closed,
		Started: wallTime(st.WallNS), Ended: timeOrNil(set.Ended),
		Sentence: st.Sentence, Next: st.Next, StopReason: st.StopReason,
		Step: st.Step, Steps: wireSteps(st), Rings: []wireRing{}, Captures: []wireCapture{},
		ConfirmRing: st.ConfirmRing, ConfirmIdent: st.ConfirmIdent,
		ReferenceVoid: st.ReferenceVoid, ClosingLimitMM: st.ClosingLimit.MM(),
		ClosingAttempts: []wireAttempt{}, Temperatures: []wireTemp{}, Reservations: []wireReserved{},
	}
	if q := st.Asking; q != nil {
		w.Question = &wireQuestion{Seq: q.Seq, CaptureID: q.CaptureID, Text: q.Text}
	}
	if st.ClosingKnown {
		w.ClosingDifferenceMM = mmOf(st.ClosingDifference)
	}
	if st.RepeatabilityDof > 0 {
		w.Repeatability = &wireRepeat{SMM: st.Repeatability.MM(), DoF: st.RepeatabilityDof}
	}
	for _, r := range st.Rings {
		w.Rings = append(w.Rings, wireRingOf(r))
	}
	for _, a := range st.Attempts {
		w.ClosingAttempts = append(w.ClosingAttempts, wireAttempt{
			Captures: append([]string{}, a.Captures...), Complete: a.Complete, DifferenceMM: a.Difference.MM(), Within: a.Within,
		})
	}
	for _, t := range st.Temperatures {
		w.Temperatures = append(w.Temperatures, wireTemp{
			RingID: t.RingID, Celsius: t.Value.Celsius(), U: t.U.Celsius(), At: wallTime(t.WallNS), Source: t.Source,
		})
	}
	for _, r := range st.Reservations {
		w.Reservations = append(w.Reservations, wireReserved{Code: string(r.Code), Text: r.Text, Step: r.Step, CaptureID: r.CaptureID})
	}
	details := map[string]Capture{}
	for _, c := range set.Captures {
		details[c.Fact.ID] = c
	}
	for _, rec := range st.Captures {
		c, ok := details[rec.Fact.ID]
		if !ok {
			c = Capture{StartNS: rec.Fact.WallNS, EndNS: rec.Fact.WallNS}
		}
		c.CaptureRecord, c.SetID, c.Station = rec, set.ID, set.Station
		w.Captures = append(w.Captures, wireCaptureOf(c))
	}
	return w
}

func wireSteps(st *calibrate.State) []wireStep {
	out := []wireStep{}
	opening, certified, haveOpening := openingMean(st)
	for i, p := range st.Plan.Steps {
		w := wireStep{
			Index: i, Role: string(p.Role), RingID: p.RingID,
			HeightMM: p.Height.MM(), DirectionDeg: float64(p.Direction) / 1000, Needed: p.Repeats,
		}
		if i < len(st.Steps) {
			s := st.Steps[i]
			w.Ident, w.Title, w.Got, w.Needed, w.Done = s.Ident, s.Title, s.Got, s.Needed, s.Done
			if len(s.Used) > 0 {
				w.Mean20MM = mmOf(s.Mean)
				if haveOpening {
					w.Diameter20MM = mmOf(certified + s.Mean - opening)
				}
			}
			if len(s.Used) > 1 {
				w.SpreadMM = mmOf(s.Spread)
			}
			if s.Disagreement > 0 {
				w.DisagreementMM, w.LimitMM = mmOf(s.Disagreement), mmOf(s.Limit)
			}
		}
		out = append(out, w)
	}
	return out
}

// openingMean returns the mean of the opening reference at 20 °C and the
// certified diameter of its master.
func openingMean(st *calibrate.State) (mean, certified calibrate.Length, ok bool) {
	for _, s := range st.Steps {
		if s.Role != calibrate.Opening || len(s.Used) == 0 {
			continue
		}
		if r, found := st.Ring(s.RingID); found && r.Certificate != nil {
			return s.Mean, r.Certificate.Diameter, true
		}
	}
	return 0, 0, false
}
