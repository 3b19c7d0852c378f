package api

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"ringsaddle/acquire"
)

type rangeInput struct {
	Station string    `path:"station" maxLength:"64" doc:"Configured name of the station."`
	From    time.Time `query:"from" required:"true" doc:"First wall time, RFC 3339."`
	To      time.Time `query:"to" required:"true" doc:"Wall time after the last one, at most a day later."`
}

// maxRange bounds a time range: a day of readings at 1000 a second is 2 GB of CSV.
const maxRange = 24 * time.Hour

func (s *Server) traceRoutes(api huma.API) {
	op := operation("get-station-trace", http.MethodGet, "/stations/{station}/trace", "stations",
		"Raw readings of a time range as CSV", 404, 422)
	csvResponse(&op)
	huma.Register(api, op, func(ctx context.Context, in *rangeInput) (*huma.StreamResponse, error) {
		if _, err := s.deps.Stations.Station(ctx, in.Station); err != nil {
			return nil, s.fail(ctx, quoted("station", in.Station), err)
		}
		if !in.To.After(in.From) || in.To.Sub(in.From) > maxRange {
			return nil, huma.NewError(http.StatusUnprocessableEntity, "validation failed", &huma.ErrorDetail{
				Message: "expected a time after from, at most " + maxRange.String() + " later", Location: "query.to", Value: in.To.Format(time.RFC3339Nano),
			})
		}
		name := fileName(in.Station + "-" + in.From.UTC().Format("20060102T150405Z"))
		return s.csv(name, func(ctx context.Context, fn TraceFunc) error {
			return s.deps.Traces.RangeTrace(ctx, in.Station, in.From, in.To, fn)
		}), nil
	})
	op = operation("get-capture-trace", http.MethodGet, "/captures/{capture}/trace", "captures",
		"Raw readings of a capture as CSV", 404)
	csvResponse(&op)
	huma.Register(api, op, func(ctx context.Context, in *capturePath) (*huma.StreamResponse, error) {
		if _, err := s.deps.Captures.Capture(ctx, in.Capture); err != nil {
			return nil, s.fail(ctx, quoted("capture", in.Capture), err)
		}
		return s.csv(fileName("capture-"+in.Capture), func(ctx context.Context, fn TraceFunc) error {
			return s.deps.Traces.CaptureTrace(ctx, in.Capture, fn)
		}), nil
	})
}

func csvResponse(op *huma.Operation) {
	op.Description = "Columns t_s,x_mm,y_mm,tilt_mm,seq,flags,hint, as the offline detector reads them. t_s is the station clock; " +
		"positions are exact decimals, empty where a row is no valid position or the readout sends no such channel. " +
		"flags are gap, not_valid, silence, stream_start and hint, joined with |."
	op.Responses = map[string]*huma.Response{"200": {
		Description: "CSV, UTF-8, with a header.",
		Content:     map[string]*huma.MediaType{"text/csv": {Schema: &huma.Schema{Type: huma.TypeString}}},
	}}
}

// csv streams a trace. A fault before the first byte is a problem document; one
// after it breaks the connection off, so that nobody takes half a trace for one.
func (s *Server) csv(name string, read func(context.Context, TraceFunc) error) *huma.StreamResponse {
	return &huma.StreamResponse{Body: func(hc huma.Context) {
		r, w := humago.Unwrap(hc)
		out := &csvBody{w: w, rc: http.NewResponseController(w), name: name}
		csv := acquire.NewCSVWriter(out)
		err := read(r.Context(), func(stream acquire.Stream, batch []acquire.Reading) error {
			for _, r := range batch {
				if err := csv.Write(stream.Step, r); err != nil {
					return err
				}
			}
			return nil
		})
		if err == nil {
			err = csv.Flush()
		}
		switch {
		case err == nil:
		case out.begun:
			if r.Context().Err() == nil && (out.failed == nil || !errors.Is(err, out.failed)) {
				s.deps.Log.Error().Err(err).Str("trace", name).Msg("a trace broke off")
			}
			panic(http.ErrAbortHandler)
		default:
			problem := s.fail(r.Context(), "the trace", err)
			var se huma.StatusError
			if !errors.As(problem, &se) {
				se = huma.NewError(http.StatusInternalServerError, "internal error")
			}
			writeProblem(w, se.GetStatus(), se.Error())
		}
	}}
}

// csvBody writes the header with the first byte and moves the deadline with each
// write.
type csvBody struct {
	w      http.ResponseWriter
	rc     *http.ResponseController
	name   string
	begun  bool
	failed error
}

func (b *csvBody) Write(p []byte) (int, error) {
	if !b.begun {
		b.begun = true
		h := b.w.Header()
		h.Set("Content-Type", "text/csv; charset=utf-8; header=present")
		h.Set("Content-Disposition", `attachment; filename="`+b.name+`.csv"`)
		b.w.WriteHeader(http.StatusOK)
	}
	b.rc.SetWriteDeadline(time.Now().Add(answerDeadline))
	n, err := b.w.Write(p)
	if err != nil {
		b.failed = err
	}
	return n, err
}

// fileName keeps what is safe in a header and in a file system.
func fileName(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-', r == '_', r == '.':
			return r
		}
		return '_'
	}, s)
}
