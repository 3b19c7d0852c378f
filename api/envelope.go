package api

import (
	"context"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"ringsaddle/acquire"
	"ringsaddle/calibrate"
)

// finestColumn is the shortest duration of a column: about one reading of a fast
// readout.
const finestColumn = int64(time.Millisecond)

// envelope keeps the smallest and the largest position of columns of equal duration.
// It reads a trace once: when it would need more than max columns, neighbours are
// joined and the duration doubles, so that it ends with at most max of them and,
// unless the trace is shorter than that, at least half as many durations.
type envelope struct {
	max     int
	start   int64 // station clock at which the first column begins, ns
	width   int64 // ns
	cols    []envelopeColumn
	pending bool // readings are missing before the next position
}

// envelopeColumn is the n-th duration from start; columns without a position are
// left out. Positions are in counts.
type envelopeColumn struct {
	n              int64
	seq            uint64 // of its newest position
	min, max, last int64  // last is the newest position
	count          int
	broken         bool // readings are missing before it or within it
}

// add takes an entry of the tape. Time that stands still or runs backwards stays in
// the newest column.
func (e *envelope) add(r acquire.Reading) {
	if !r.IsPosition() {
		e.pending = e.pending || r.Flags&acquire.Hint == 0
		return
	}
	broken := e.pending || r.Flags&acquire.Gap != 0
	e.pending = false
	if len(e.cols) == 0 {
		e.start, e.width = r.At, finestColumn
	}
	n := max(r.At-e.start, 0) / e.width
	for n >= int64(e.max) {
		e.join()
		n /= 2
	}
	if k := len(e.cols); k > 0 && e.cols[k-1].n >= n {
		c := &e.cols[k-1]
		c.min, c.max, c.last = min(c.min, r.X), max(c.max, r.X), r.X
		c.seq, c.broken, c.count = r.Seq, c.broken || broken, c.count+1
		return
	}
	e.cols = append(e.cols, envelopeColumn{n: n, seq: r.Seq, min: r.X, max: r.X, last: r.X, count: 1, broken: broken})
}

// join doubles the duration of the columns.
func (e *envelope) join() {
	e.width *= 2
	kept := e.cols[:0]
	for _, c := range e.cols {
		c.n /= 2
		if k := len(kept); k > 0 && kept[k-1].n == c.n {
			p := &kept[k-1]
			p.min, p.max, p.last = min(p.min, c.min), max(p.max, c.max), c.last
			p.seq, p.broken, p.count = c.seq, p.broken || c.broken, p.count+c.count
			continue
		}
		kept = append(kept, c)
	}
	e.cols = kept
}

// wireEnvelope is a trace as a page can draw it.
type wireEnvelope struct {
	Capture  string    `json:"capture"`
	Stream   string    `json:"stream"`
	Origin   time.Time `json:"origin" doc:"Moment at which t_s is 0: the first reading in settled contact, or the first one stored where that is not known."`
	StepMM   float64   `json:"step_mm" doc:"Length of one count; 0 without a trace."`
	Readings int       `json:"readings" doc:"Positions in the whole trace."`
	FirstS   float64   `json:"first_s" doc:"The whole trace."`
	LastS    float64   `json:"last_s"`
	// The settled contact.
	ContactFromS *float64         `json:"contact_from_s,omitempty" doc:"The settled contact; absent where it is not known."`
	ContactToS   *float64         `json:"contact_to_s,omitempty"`
	ColumnS      float64          `json:"column_s" doc:"Duration of a column; a power of two of milliseconds."`
	Columns      []wireColumn     `json:"columns" nullable:"false" doc:"Of the window asked for, in order; empty durations are left out."`
	Points       []wireTracePoint `json:"points" nullable:"false" doc:"Turning points of the capture. For turn-backs see /captures/{capture}/turn-backs."`
}

type wireColumn struct {
	T      float64 `json:"t_s" doc:"Beginning of the column, station clock."`
	Seq    uint64  `json:"seq" doc:"Of its newest position."`
	Min    float64 `json:"min_mm"`
	Max    float64 `json:"max_mm"`
	Last   float64 `json:"last_mm"`
	N      int     `json:"n" doc:"Positions in it."`
	Broken bool    `json:"broken" doc:"Readings are missing before it or within it."`
}

type wireTracePoint struct {
	Adjustment string  `json:"adjustment"`
	Sense      string  `json:"sense" enum:"min,max"`
	T          float64 `json:"t_s" doc:"Station clock to which the value is referred."`
	ValueMM    float64 `json:"value_mm"`
	UMM        float64 `json:"u_mm"`
	Crossings  int     `json:"crossings"`
}

// wireTurnBacks are the turns of the hand in a capture's trace.
type wireTurnBacks struct {
	Capture   string         `json:"capture"`
	TurnBacks []wireTurnBack `json:"turn_backs" nullable:"false" doc:"In order of time; the newest, at most 16."`
}

type wireTurnBack struct {
	Adjustment string  `json:"adjustment"`
	Sense      string  `json:"sense" enum:"min,max" doc:"Of the turning point that it looks like."`
	T          float64 `json:"t_s" doc:"Station clock since the first reading in settled contact, as in the envelope."`
	ValueMM    float64 `json:"value_mm"`
}

type envelopeInput struct {
	Capture string  `path:"capture" maxLength:"64" doc:"Id of the capture."`
	Columns int     `query:"columns" minimum:"100" maximum:"2000" default:"1000" doc:"At most so many columns."`
	From    float64 `query:"from_s" doc:"First moment of the window; with to_s absent or equal, the whole trace."`
	To      float64 `query:"to_s" doc:"End of the window."`
}

func (s *Server) envelopeRoutes(api huma.API) {
	backs := operation("get-capture-turn-backs", http.MethodGet, "/captures/{capture}/turn-backs", "captures",
		"Reversals in the trace of a capture that the hand made", 404, 409)
	backs.Description = "Reversals that look like the turning point sought and were taken for the hand's when the contact ended. " +
		"They are found again in the stored readings; if another revision of the detector made the capture they are not known (409)."
	get(api, backs, func(ctx context.Context, in *capturePath) (wireTurnBacks, error) {
		c, err := s.deps.Captures.Capture(ctx, in.Capture)
		if err != nil {
			return wireTurnBacks{}, s.fail(ctx, quoted("capture", in.Capture), err)
		}
		list, err := s.deps.Captures.TurnBacks(ctx, in.Capture)
		if err != nil {
			return wireTurnBacks{}, s.fail(ctx, "the turn-backs of "+quoted("capture", in.Capture), err)
		}
		w := wireTurnBacks{Capture: in.Capture, TurnBacks: []wireTurnBack{}}
		for _, b := range list {
			w.TurnBacks = append(w.TurnBacks, wireTurnBack{
				Adjustment: string(b.Adjustment), Sense: b.Sense.String(),
				T: time.Duration(b.At - clockOf(c.Fact, c.StartNS)).Seconds(), ValueMM: b.Value.MM(),
			})
		}
		return w, nil
	})
	op := operation("get-capture-envelope", http.MethodGet, "/captures/{capture}/envelope", "captures",
		"The trace of a capture as a bounded number of columns", 404, 422)
	op.Description = "Smallest, largest and newest position of columns of equal duration, for drawing; the raw trace is at /captures/{capture}/trace. " +
		"A narrower window gives shorter columns."
	get(api, op, func(ctx context.Context, in *envelopeInput) (wireEnvelope, error) {
		if !finite(in.From) || !finite(in.To) || in.To < in.From {
			return wireEnvelope{}, huma.NewError(http.StatusUnprocessableEntity, "validation failed", &huma.ErrorDetail{
				Message: "expected a time in seconds, not before from_s", Location: "query.to_s", Value: in.To,
			})
		}
		c, err := s.deps.Captures.Capture(ctx, in.Capture)
		if err != nil {
			return wireEnvelope{}, s.fail(ctx, quoted("capture", in.Capture), err)
		}
		return s.envelopeOf(ctx, c, in)
	})
}

// clockOf returns the station clock at a wall time of a capture. Both are known of
// the moment to which the capture is referred.
func clockOf(f calibrate.CaptureFact, wallNS int64) int64 { return f.At + (wallNS - f.WallNS) }

func (s *Server) envelopeOf(ctx context.Context, c Capture, in *envelopeInput) (wireEnvelope, error) {
	f := c.Fact
	w := wireEnvelope{Capture: f.ID, Stream: f.StreamID, Origin: wallTime(f.WallNS), Columns: []wireColumn{}, Points: []wireTracePoint{}}
	known := c.StartNS != 0 && !f.Manual
	origin := clockOf(f, c.StartNS)
	e := envelope{max: in.Columns}
	var step acquire.Step
	var first, last int64
	seconds := func(at int64) float64 { return time.Duration(at - origin).Seconds() }
	var next uint64 // Seq expected next
	err := s.deps.Traces.CaptureTrace(ctx, f.ID, func(stream acquire.Stream, batch []acquire.Reading) error {
		step = stream.Step
		for _, r := range batch {
			e.pending = e.pending || next != 0 && r.Seq != next
			next = r.Seq + 1
			if r.IsPosition() {
				if w.Readings == 0 {
					first, last = r.At, r.At
					if !known {
						origin = r.At
					}
				}
				w.Readings++
				last = max(last, r.At)
				if t := seconds(r.At); in.To > in.From && (t < in.From || t >= in.To) {
					continue
				}
			}
			e.add(r)
		}
		return ctx.Err()
	})
	if err != nil {
		return wireEnvelope{}, s.fail(ctx, "the trace", err)
	}
	if w.Readings > 0 {
		w.FirstS, w.LastS, w.StepMM, w.ColumnS = seconds(first), seconds(last), step.MM(), time.Duration(e.width).Seconds()
		w.Origin = wallTime(f.WallNS + (origin - f.At))
	}
	if known {
		from, to := seconds(clockOf(f, c.StartNS)), seconds(clockOf(f, c.EndNS))
		w.ContactFromS, w.ContactToS = &from, &to
	}
	for i, col := range e.cols {
		w.Columns = append(w.Columns, wireColumn{
			T: seconds(e.start + col.n*e.width), Seq: col.seq, Min: step.PositionMM(col.min), Max: step.PositionMM(col.max),
			Last: step.PositionMM(col.last), N: col.count, Broken: col.broken && i > 0,
		})
	}
	for _, p := range c.Points {
		w.Points = append(w.Points, wireTracePoint{
			Adjustment: string(p.Adjustment), Sense: p.Sense.String(), T: seconds(clockOf(f, p.WallNS)),
			ValueMM: p.Value.MM(), UMM: p.U.MM(), Crossings: p.Crossings,
		})
	}
	return w, nil
}
