package api

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"ringsaddle/acquire"
)

// traceWriter writes entries of the tape as CSV: t_s,x_mm[,y_mm],seq,flags.
//
// t_s is the time since the first entry, with all nine decimals; x_mm and y_mm
// are exact. Entries that are no valid position have an empty x_mm and say in
// flags what they are. Whether there is a y_mm column is decided by the first
// entry that has a position: a frame format does not change within a trace.
type traceWriter struct {
	w       *bufio.Writer
	waiting []heldEntry // entries before the first position
	started bool
	withY   bool
	t0      int64
	line    []byte
}

type heldEntry struct {
	r    acquire.Reading
	form decimalForm
}

func newTraceWriter(w io.Writer) *traceWriter {
	return &traceWriter{w: bufio.NewWriterSize(w, 64<<10)}
}

// maxHeld bounds the entries that wait for the first position.
const maxHeld = 1 << 16

func (t *traceWriter) write(stream acquire.Stream, batch []acquire.Reading) error {
	form, ok := exactMM(stream.Step)
	if !ok {
		return fmt.Errorf("stream %s has the step %d/%d pm, which has no finite decimals in millimetres", stream.ID, stream.Step.Num, stream.Step.Den)
	}
	for _, r := range batch {
		if t.started {
			if err := t.row(r, form); err != nil {
				return err
			}
			continue
		}
		t.waiting = append(t.waiting, heldEntry{r, form})
		if r.IsPosition() || len(t.waiting) >= maxHeld {
			if err := t.start(r.Flags&acquire.HasY != 0); err != nil {
				return err
			}
		}
	}
	return nil
}

func (t *traceWriter) start(withY bool) error {
	t.started, t.withY = true, withY
	header := "t_s,x_mm,seq,flags\n"
	if withY {
		header = "t_s,x_mm,y_mm,seq,flags\n"
	}
	if _, err := t.w.WriteString(header); err != nil {
		return err
	}
	for i, h := range t.waiting {
		if i == 0 {
			t.t0 = h.r.At
		}
		if err := t.row(h.r, h.form); err != nil {
			return err
		}
	}
	t.waiting = nil
	return nil
}

func (t *traceWriter) row(r acquire.Reading, form decimalForm) error {
	b := appendSeconds(t.line[:0], r.At-t.t0)
	b = append(b, ',')
	if r.IsPosition() {
		b = form.append(b, r.X)
	}
	b = append(b, ',')
	if t.withY {
		if r.IsPosition() && r.Flags&acquire.HasY != 0 {
			b = form.append(b, r.Y)
		}
		b = append(b, ',')
	}
	b = strconv.AppendUint(b, r.Seq, 10)
	b = append(b, ',')
	b = append(b, flagWords(r.Flags)...)
	b = append(b, '\n')
	t.line = b
	_, err := t.w.Write(b)
	return err
}

// close writes what is left, and the header of a trace without entries.
func (t *traceWriter) close() error {
	if !t.started {
		if err := t.start(false); err != nil {
			return err
		}
	}
	return t.w.Flush()
}

// flagWords names the flags that say more than which columns are filled.
func flagWords(f acquire.Flags) string {
	var words []string
	for _, w := range []struct {
		flag acquire.Flags
		word string
	}{
		{acquire.Gap, "gap"},
		{acquire.NotValid, "not_valid"},
		{acquire.Silence, "silence"},
		{acquire.StreamStart, "stream_start"},
		{acquire.Hint, "hint"},
	} {
		if f&w.flag != 0 {
			words = append(words, w.word)
		}
	}
	return strings.Join(words, "|")
}

type rangeInput struct {
	stationPath
	From time.Time `query:"from" required:"true" doc:"First wall time, RFC 3339."`
	To   time.Time `query:"to" required:"true" doc:"Wall time after the last one, at most a day later."`
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
	op.Description = "Columns t_s,x_mm, y_mm where the readout sends it, seq and flags (gap, not_valid, silence, stream_start, hint, joined with |). " +
		"t_s counts from the first row; x_mm and y_mm are exact decimals, empty where a row is no valid position."
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
		tw := newTraceWriter(out)
		err := read(r.Context(), tw.write)
		if err == nil {
			err = tw.close()
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
