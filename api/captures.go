package api

import (
	"context"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"
)

// wireCapture is what one entry yielded, with what was said about it later.
type wireCapture struct {
	ID        string     `json:"id"`
	Station   string     `json:"station"`
	SetID     string     `json:"set_id"`
	Step      int        `json:"step" doc:"Where it counts now; -1 if nowhere."`
	Outcome   string     `json:"outcome" doc:"diameter, tilt_only, cross_only, incomplete, ambiguous, or manual."`
	Standing  string     `json:"standing" doc:"used, pending_withdrawal, rejected, …; only used enters a result. Empty outside a set."`
	Why       string     `json:"why" doc:"The standing in words."`
	Manual    bool       `json:"manual"`
	At        time.Time  `json:"at" doc:"To which the reading is referred."`
	Start     *time.Time `json:"start,omitempty" doc:"First reading in settled contact."`
	End       *time.Time `json:"end,omitempty" doc:"Last reading in settled contact."`
	Ending    string     `json:"ending"`
	ReadingMM *float64   `json:"reading_mm,omitempty" doc:"Reading at the saddle; absent without a diameter."`
	UMM       *float64   `json:"u_mm,omitempty" doc:"Standard uncertainty of the reading from the trace alone."`
	At20MM    *float64   `json:"reading_20c_mm,omitempty" doc:"In the direction of a growing diameter, corrected to 20 °C."`
	Attempt   int        `json:"attempt" doc:"Closing attempt, from 1; 0 elsewhere."`

	TiltResidualMM  float64            `json:"tilt_residual_mm" doc:"How far the parked reading lay from the extremum."`
	CrossResidualMM float64            `json:"cross_residual_mm"`
	TurningPoints   []wireTurningPoint `json:"turning_points" nullable:"false"`
	Reasons         []wireReason       `json:"reasons" nullable:"false"`
	Question        string             `json:"question" doc:"Why it is not plausible for the ring; empty if it is."`
	RejectedBy      string             `json:"rejected_by" doc:"Empty unless rejected."`
	RejectedReason  string             `json:"rejected_reason"`
	Relabels        []wireRelabel      `json:"relabels" nullable:"false"`
	Stream          string             `json:"stream"`
	FirstSeq        uint64             `json:"first_seq"`
	LastSeq         uint64             `json:"last_seq"`
	Detector        string             `json:"detector" doc:"Revision of the detector."`
	ParamsDigest    string             `json:"params_digest"`
	Trace           string             `json:"trace" doc:"Where the raw trace is."`
}

type wireTurningPoint struct {
	Adjustment string    `json:"adjustment"`
	Sense      string    `json:"sense" enum:"min,max"`
	At         time.Time `json:"at" doc:"To which the value is referred."`
	Seq        uint64    `json:"seq"`
	ValueMM    float64   `json:"value_mm"`
	UMM        float64   `json:"u_mm"`
	Crossings  int       `json:"crossings" doc:"Passes over the extremum."`
}

type wireReason struct {
	Code string `json:"code"`
	Text string `json:"text"`
}

type wireRelabel struct {
	From   int       `json:"from"`
	To     int       `json:"to"`
	By     string    `json:"by"`
	Reason string    `json:"reason"`
	At     time.Time `json:"at"`
}

func wireCaptureOf(c Capture) wireCapture {
	f := c.Fact
	w := wireCapture{
		ID: f.ID, Station: c.Station, SetID: c.SetID, Step: c.Step, Outcome: f.Outcome,
		Standing: string(c.Standing), Why: c.Why, Manual: f.Manual,
		At: wallTime(f.WallNS), Ending: string(c.Ending), Attempt: c.Attempt,
		TiltResidualMM: f.TiltResidual.MM(), CrossResidualMM: f.CrossResidual.MM(),
		TurningPoints: []wireTurningPoint{}, Reasons: []wireReason{}, Question: f.Question,
		RejectedBy: c.RejectedBy, RejectedReason: c.RejectReason, Relabels: []wireRelabel{},
		Stream: f.StreamID, FirstSeq: c.FirstSeq, LastSeq: c.LastSeq,
		Detector: c.Revision, ParamsDigest: c.ParamsDigest, Trace: "/api/v1/captures/" + f.ID + "/trace",
	}
	if c.StartNS != 0 {
		start, end := wallTime(c.StartNS), wallTime(c.EndNS)
		w.Start, w.End = &start, &end
	}
	if c.Good() {
		w.ReadingMM, w.UMM = mmOf(f.Reading), mmOf(f.U)
		if c.SetID != "" {
			w.At20MM = mmOf(c.At20)
		}
	}
	for _, p := range c.Points {
		w.TurningPoints = append(w.TurningPoints, wireTurningPoint{
			Adjustment: string(p.Adjustment), Sense: p.Sense.String(), At: wallTime(p.WallNS), Seq: p.Seq,
			ValueMM: p.Value.MM(), UMM: p.U.MM(), Crossings: p.Crossings,
		})
	}
	for i, text := range f.Reasons {
		r := wireReason{Text: text}
		if i < len(f.ReasonCodes) {
			r.Code = f.ReasonCodes[i]
		}
		w.Reasons = append(w.Reasons, r)
	}
	for _, r := range c.Relabels {
		w.Relabels = append(w.Relabels, wireRelabel{From: r.From, To: r.To, By: r.By, Reason: r.Reason, At: wallTime(r.WallNS)})
	}
	return w
}

type capturePath struct {
	Capture string `path:"capture" maxLength:"64" doc:"Id of the capture."`
}

type capturesInput struct {
	Station string `query:"station" maxLength:"64"`
	Set     string `query:"set" maxLength:"64"`
	Outcome string `query:"outcome" maxLength:"32"`
	Limit   int    `query:"limit" minimum:"1" maximum:"1000" default:"100"`
}

type captureList struct {
	Captures []wireCapture `json:"captures" nullable:"false"`
}

type relabelBody struct {
	By     string `json:"by" minLength:"1" maxLength:"100"`
	Reason string `json:"reason" minLength:"1" maxLength:"500"`
	Step   int    `json:"step" minimum:"0" maximum:"10000" doc:"The step to which the capture belongs."`
}

func (s *Server) captureRoutes(api huma.API) {
	get(api, operation("list-captures", http.MethodGet, "/captures", "captures", "Captures, newest first", 422),
		func(ctx context.Context, in *capturesInput) (captureList, error) {
			list, err := s.deps.Captures.Captures(ctx, CaptureFilter{Station: in.Station, SetID: in.Set, Outcome: in.Outcome, Limit: in.Limit})
			if err != nil {
				return captureList{}, s.fail(ctx, "the list of captures", err)
			}
			out := captureList{Captures: []wireCapture{}}
			for _, c := range list {
				out.Captures = append(out.Captures, wireCaptureOf(c))
			}
			return out, nil
		})
	get(api, operation("get-capture", http.MethodGet, "/captures/{capture}", "captures", "One capture", 404),
		func(ctx context.Context, in *capturePath) (wireCapture, error) {
			c, err := s.deps.Captures.Capture(ctx, in.Capture)
			if err != nil {
				return wireCapture{}, s.fail(ctx, quoted("capture", in.Capture), err)
			}
			return wireCaptureOf(c), nil
		})
	onCapture(s, api, "reject-capture", "reject", "Reject a capture; it stays and is not used", func(b whoWhy) Action {
		return Action{Kind: ActReject, By: b.By, Reason: b.Reason}
	})
	onCapture(s, api, "redo-capture", "redo", "Ask once more for the step of a capture", func(b whoWhy) Action {
		return Action{Kind: ActRedo, By: b.By, Reason: b.Reason}
	})
	onCapture(s, api, "relabel-capture", "relabel", "Say to which step a capture belongs", func(b relabelBody) Action {
		return Action{Kind: ActRelabel, By: b.By, Reason: b.Reason, Step: b.Step}
	})
}

// onCapture registers an action on a capture of a set; it answers with the set.
func onCapture[B any](s *Server, api huma.API, id, path, summary string, f func(B) Action) {
	type input struct {
		Capture string `path:"capture" maxLength:"64" doc:"Id of the capture."`
		Body    B
	}
	huma.Register(api, operation(id, http.MethodPost, "/captures/{capture}/"+path, "captures", summary, 404, 409, 422),
		func(ctx context.Context, in *input) (*body[wireSet], error) {
			c, err := s.deps.Captures.Capture(ctx, in.Capture)
			if err != nil {
				return nil, s.fail(ctx, quoted("capture", in.Capture), err)
			}
			if c.SetID == "" {
				return nil, huma.NewError(http.StatusConflict, "this capture belongs to no set")
			}
			a := f(in.Body)
			a.CaptureID = in.Capture
			return s.act(ctx, c.SetID, a)
		})
}
