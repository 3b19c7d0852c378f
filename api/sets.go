package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"ringsaddle/calibrate"
)

type setPath struct {
	Set string `path:"set" maxLength:"64" doc:"Id of the set."`
}

type setsInput struct {
	Station string `query:"station" maxLength:"64"`
	Status  string `query:"status" maxLength:"32" doc:"Only sets of this status."`
	Ring    string `query:"ring" maxLength:"64" doc:"Only sets with this ring."`
	Limit   int    `query:"limit" minimum:"1" maximum:"500" default:"50"`
}

type setList struct {
	Sets []wireSetSummary `json:"sets" nullable:"false"`
}

// orderBody starts a set.
type orderBody struct {
	Station        string      `json:"station" minLength:"1" maxLength:"64"`
	Technician     string      `json:"technician" minLength:"1" maxLength:"100" doc:"Who measures; recorded."`
	MasterID       string      `json:"master_id" minLength:"1" maxLength:"64"`
	Works          []orderWork `json:"works" minItems:"1" maxItems:"20" nullable:"false"`
	Repeats        int         `json:"repeats,omitempty" minimum:"1" maximum:"10" default:"2" doc:"Good captures at each step."`
	ClosingLimitMM float64     `json:"closing_limit_mm,omitempty" minimum:"0" maximum:"0.1" doc:"Largest permitted closing difference; 0 or absent for 0.0002 mm (common practice)."`
	OverdueReason  string      `json:"overdue_reason,omitempty" maxLength:"500" doc:"Why a master past its due date may be used; recorded."`
	Temperatures   []orderTemp `json:"temperatures,omitempty" maxItems:"50" nullable:"false"`
	Checks         []string    `json:"checks,omitempty" maxItems:"20" nullable:"false" doc:"Points of preparation that the person ticked; recorded."`
}

type orderWork struct {
	RingID    string          `json:"ring_id" minLength:"1" maxLength:"64"`
	Positions []orderPosition `json:"positions" minItems:"1" maxItems:"60" nullable:"false"`
}

type orderPosition struct {
	HeightMM     float64 `json:"height_mm" minimum:"0" maximum:"1000" doc:"From the datum face; declared."`
	DirectionDeg float64 `json:"direction_deg" minimum:"0" exclusiveMaximum:"360" doc:"From the mark; declared."`
}

type orderTemp struct {
	RingID  string  `json:"ring_id,omitempty" maxLength:"64" doc:"Empty or absent for the scale."`
	Celsius float64 `json:"celsius" minimum:"0" maximum:"40"`
	U       float64 `json:"u_kelvin,omitempty" minimum:"0" maximum:"5" default:"0.1" doc:"Standard uncertainty."`
}

// who is the body of an action that needs no reason.
type who struct {
	By string `json:"by" minLength:"1" maxLength:"100" doc:"Who acts; recorded, not proved."`
}

type whoWhy struct {
	By     string `json:"by" minLength:"1" maxLength:"100" doc:"Who acts; recorded, not proved."`
	Reason string `json:"reason" minLength:"1" maxLength:"500"`
}

type stepBody struct {
	By     string `json:"by" minLength:"1" maxLength:"100"`
	Reason string `json:"reason" minLength:"1" maxLength:"500"`
	Step   *int   `json:"step,omitempty" minimum:"0" maximum:"10000" doc:"Index of the step; absent for the step in hand."`
}

type moveBody struct {
	By     string `json:"by" minLength:"1" maxLength:"100"`
	Reason string `json:"reason" minLength:"1" maxLength:"500"`
	Step   int    `json:"step" minimum:"0" maximum:"10000"`
}

type confirmBody struct {
	By     string `json:"by" minLength:"1" maxLength:"100"`
	RingID string `json:"ring_id" minLength:"1" maxLength:"64" doc:"The ring whose ident the person has read."`
}

type answerBody struct {
	By        string `json:"by" minLength:"1" maxLength:"100"`
	Accept    bool   `json:"accept" doc:"True: yes, go on. False: no; a capture in question is rejected."`
	Reason    string `json:"reason,omitempty" maxLength:"500"`
	CaptureID string `json:"capture_id,omitempty" maxLength:"64" doc:"The capture in question, if any."`
}

type manualBody struct {
	By     string  `json:"by" minLength:"1" maxLength:"100"`
	Reason string  `json:"reason" minLength:"1" maxLength:"500"`
	UMM    float64 `json:"u_mm,omitempty" minimum:"0" maximum:"0.1" doc:"Standard uncertainty of the reading taken; 0 or absent for the station's own."`
}

type temperaturesBody struct {
	By           string      `json:"by" minLength:"1" maxLength:"100"`
	Temperatures []orderTemp `json:"temperatures" minItems:"1" maxItems:"50" nullable:"false"`
}

type resumeBody struct {
	By string `json:"by,omitempty" maxLength:"100"`
}

func (s *Server) setRoutes(api huma.API) {
	get(api, operation("list-sets", http.MethodGet, "/sets", "sets", "Sets, newest first", 422),
		func(ctx context.Context, in *setsInput) (setList, error) {
			list, err := s.deps.Sets.Sets(ctx, SetFilter{Station: in.Station, Status: in.Status, RingID: in.Ring, Limit: in.Limit})
			if err != nil {
				return setList{}, s.fail(ctx, "the list of sets", err)
			}
			out := setList{Sets: []wireSetSummary{}}
			for _, set := range list {
				out.Sets = append(out.Sets, wireSummaryOf(set))
			}
			return out, nil
		})
	get(api, operation("get-set", http.MethodGet, "/sets/{set}", "sets", "One set with its steps and captures", 404),
		func(ctx context.Context, in *setPath) (wireSet, error) { return s.set(ctx, in.Set) })
	get(api, operation("get-result", http.MethodGet, "/sets/{set}/result", "sets", "The newest result of a set", 404),
		func(ctx context.Context, in *setPath) (wireResult, error) {
			r, err := s.deps.Sets.Result(ctx, in.Set)
			if err != nil {
				return wireResult{}, s.fail(ctx, "a result of "+quoted("set", in.Set), err)
			}
			return wireResultOf(r), nil
		})
	op := operation("start-set", http.MethodPost, "/sets", "sets", "Start a set", 409, 422)
	op.Description = "The plan is: the master, every position of every work ring in the order given, the master. " +
		"Refused: a master past its due date without overdue_reason, a work ring outside the instrument's range, unknown rings."
	huma.Register(api, op, func(ctx context.Context, in *body[orderBody]) (*created[wireSet], error) {
		order, err := orderOf(in.Body)
		if err != nil {
			return nil, s.fail(ctx, "the order", err)
		}
		id, err := s.deps.Runner.StartSet(ctx, order)
		if err != nil {
			return nil, s.refused(ctx, "what the order names", err)
		}
		set, err := s.set(ctx, id)
		if err != nil {
			return nil, err
		}
		return &created[wireSet]{Location: "/api/v1/sets/" + id, Body: set}, nil
	})

	act(s, api, "pause-set", "pause", "Pause", func(b whoWhy) (Action, error) {
		return Action{Kind: ActPause, By: b.By, Reason: b.Reason}, nil
	})
	act(s, api, "resume-set", "resume", "Go on after a pause", func(b resumeBody) (Action, error) {
		return Action{Kind: ActResume, By: b.By}, nil
	})
	act(s, api, "abort-set", "abort", "Abort for good; what was recorded stays", func(b whoWhy) (Action, error) {
		return Action{Kind: ActAbort, By: b.By, Reason: b.Reason}, nil
	})
	act(s, api, "close-set", "close", "Close a set that waits for nothing more", func(b who) (Action, error) {
		return Action{Kind: ActClose, By: b.By}, nil
	})
	act(s, api, "confirm-ring", "confirm-ring", "Say that the ident on the ring was read", func(b confirmBody) (Action, error) {
		return Action{Kind: ActConfirm, By: b.By, RingID: b.RingID}, nil
	})
	act(s, api, "answer-question", "answer", "Answer the question that stopped the flow", func(b answerBody) (Action, error) {
		return Action{Kind: ActAnswer, By: b.By, Reason: b.Reason, Accept: b.Accept, CaptureID: b.CaptureID}, nil
	})
	act(s, api, "same-again", "same-again", "Ask for one more capture at a step", func(b stepBody) (Action, error) {
		a := Action{Kind: ActAgain, By: b.By, Reason: b.Reason, Step: -1}
		if b.Step != nil {
			a.Step = *b.Step
		}
		return a, nil
	})
	act(s, api, "move-set", "move", "Go to a step next", func(b moveBody) (Action, error) {
		return Action{Kind: ActMove, By: b.By, Reason: b.Reason, Step: b.Step}, nil
	})
	act(s, api, "capture-manually", "manual-capture", "Take the reading as it is now; flagged for ever", func(b manualBody) (Action, error) {
		u, err := lengthOf("u_mm", b.UMM)
		return Action{Kind: ActManual, By: b.By, Reason: b.Reason, U: u}, err
	})
	act(s, api, "record-temperatures", "temperatures", "Record temperatures that were read", func(b temperaturesBody) (Action, error) {
		t, err := temperaturesOf("temperatures", b.Temperatures)
		return Action{Kind: ActTemperatures, By: b.By, Temperatures: t}, err
	})
}

// act registers an action on a set; it answers with the set as it is after.
func act[B any](s *Server, api huma.API, id, path, summary string, f func(B) (Action, error)) {
	type input struct {
		Set  string `path:"set" maxLength:"64" doc:"Id of the set."` // not embedded: huma passes over unexported fields
		Body B
	}
	huma.Register(api, operation(id, http.MethodPost, "/sets/{set}/"+path, "sets", summary, 404, 409, 422),
		func(ctx context.Context, in *input) (*body[wireSet], error) {
			a, err := f(in.Body)
			if err != nil {
				return nil, s.fail(ctx, "the action", err)
			}
			return s.act(ctx, in.Set, a)
		})
}

func (s *Server) act(ctx context.Context, setID string, a Action) (*body[wireSet], error) {
	if err := s.deps.Runner.Act(ctx, setID, a); err != nil {
		return nil, s.refused(ctx, quoted("set", setID), err)
	}
	set, err := s.set(ctx, setID)
	if err != nil {
		return nil, err
	}
	return answer(set), nil
}

// refused is fail for what the plan walker refuses: it is sound, but not now.
func (s *Server) refused(ctx context.Context, what string, err error) error {
	var r *calibrate.RefusedError
	if errors.As(err, &r) {
		return huma.NewError(http.StatusConflict, upper(r.Why)+"; "+strings.TrimSuffix(r.Mend, ".")+".")
	}
	return s.fail(ctx, what, err)
}

func (s *Server) set(ctx context.Context, id string) (wireSet, error) {
	set, err := s.deps.Sets.Set(ctx, id)
	if err != nil {
		return wireSet{}, s.fail(ctx, quoted("set", id), err)
	}
	return wireSetOf(set), nil
}

// orderOf turns the body into an order; all faults at once.
func orderOf(b orderBody) (SetOrder, error) {
	var errs []error
	note := func(err error) {
		if err != nil {
			errs = append(errs, err)
		}
	}
	o := SetOrder{
		Station: b.Station, Technician: strings.TrimSpace(b.Technician), MasterID: b.MasterID, Repeats: b.Repeats,
		OverdueReason: strings.TrimSpace(b.OverdueReason), Checks: b.Checks,
	}
	if o.Technician == "" {
		note(refuseField("technician", b.Technician, "a name", "Say who measures"))
	}
	var err error
	o.ClosingLimit, err = lengthOf("closing_limit_mm", b.ClosingLimitMM)
	note(err)
	o.Temperatures, err = temperaturesOf("temperatures", b.Temperatures)
	note(err)
	seen := map[string]bool{b.MasterID: true}
	for i, w := range b.Works {
		if seen[w.RingID] {
			note(refuseField(fmt.Sprintf("works[%d].ring_id", i), w.RingID, "each ring once, the master not among them", "This ring is named twice"))
		}
		seen[w.RingID] = true
		work := WorkOrder{RingID: w.RingID}
		for j, p := range w.Positions {
			h, err := lengthOf(fmt.Sprintf("works[%d].positions[%d].height_mm", i, j), p.HeightMM)
			note(err)
			work.Positions = append(work.Positions, Position{Height: h, Direction: mdegOf(p.DirectionDeg)})
		}
		o.Works = append(o.Works, work)
	}
	return o, errors.Join(errs...)
}

func temperaturesOf(field string, list []orderTemp) ([]calibrate.TemperatureFact, error) {
	var errs []error
	var out []calibrate.TemperatureFact
	for i, t := range list {
		v, ok := calibrate.TemperatureFromCelsius(t.Celsius)
		if !ok {
			errs = append(errs, refuseField(fmt.Sprintf("%s[%d].celsius", field, i), fmt.Sprint(t.Celsius), "0 to 40 °C", "This is no temperature"))
		}
		u, _ := calibrate.TemperatureFromCelsius(t.U)
		out = append(out, calibrate.TemperatureFact{RingID: t.RingID, Value: v, U: u, Source: "typed"})
	}
	return out, errors.Join(errs...)
}

func lengthOf(field string, mm float64) (calibrate.Length, error) {
	l, ok := calibrate.LengthFromMM(mm)
	if !ok {
		return 0, refuseField(field, fmt.Sprint(mm), "a length in millimetres", "This is no length")
	}
	return l, nil
}

// mdegOf rounds degrees to thousandths.
func mdegOf(deg float64) int64 {
	if deg < 0 {
		return int64(deg*1000 - 0.5)
	}
	return int64(deg*1000 + 0.5)
}
