package api

import (
	"context"
	"encoding/json"
	"net/http"
	"strconv"
	"time"

	"github.com/danielgtaylor/huma/v2"
)

const eventBatch = 200

type eventsInput struct {
	After       int64  `query:"after" minimum:"-1" default:"-1" doc:"Begin after this journal number; -1 begins with what comes next. Last-Event-ID goes before it."`
	LastEventID string `header:"Last-Event-ID" maxLength:"20" doc:"Sent by a browser that comes back."`
	Station     string `query:"station" maxLength:"64" doc:"Only events and cues of this station, and of none."`
	Live        bool   `query:"live" doc:"Also the live frames of the station."`
}

type journalInput struct {
	After int64 `query:"after" minimum:"0" default:"0" doc:"Begin after this journal number."`
	Limit int   `query:"limit" minimum:"1" maximum:"1000" default:"200"`
}

type journalPage struct {
	Events  []wireEvent `json:"events" nullable:"false"`
	LastSeq int64       `json:"last_seq" doc:"Newest journal number."`
}

func (s *Server) eventRoutes(api huma.API) {
	op := operation("stream-events", http.MethodGet, "/events", "events", "The journal from a number on, and provisional cues", 404, 422, 503)
	op.Description = "Begins with hello. Journal events have their number as id and can be resumed with Last-Event-ID. " +
		"Cues, live frames and the heartbeat (once a second) have no id."
	streamSchema(api, &op, map[string]any{
		"hello": wireHello{}, "journal": wireEvent{}, "cue": wireCue{}, "heartbeat": wireHeartbeat{},
		"trace": liveTrace{}, "live": liveFrame{},
	})
	huma.Register(api, op, func(ctx context.Context, in *eventsInput) (*huma.StreamResponse, error) {
		after := in.After
		if in.LastEventID != "" {
			n, err := strconv.ParseInt(in.LastEventID, 10, 64)
			if err != nil || n < 0 {
				return nil, huma.NewError(http.StatusUnprocessableEntity, "validation failed", &huma.ErrorDetail{
					Message: "expected a journal number", Location: "header.Last-Event-ID", Value: in.LastEventID,
				})
			}
			after = n
		}
		if in.Live && in.Station == "" {
			return nil, huma.NewError(http.StatusUnprocessableEntity, "validation failed", &huma.ErrorDetail{
				Message: "live frames are those of one station: name it", Location: "query.station",
			})
		}
		if in.Station != "" {
			if _, err := s.deps.Stations.Station(ctx, in.Station); err != nil {
				return nil, s.fail(ctx, quoted("station", in.Station), err)
			}
		}
		opt := pumpOptions{journal: true, after: after, station: in.Station}
		if in.Live {
			opt.live = in.Station
		}
		return s.streaming(func(ctx context.Context, e *eventStream) { s.pump(ctx, e, opt) })
	})

	get(api, operation("list-events", http.MethodGet, "/journal", "events", "A page of the journal", 422),
		func(ctx context.Context, in *journalInput) (journalPage, error) {
			events, err := s.deps.Journal.EventsAfter(ctx, in.After, in.Limit)
			if err != nil {
				return journalPage{}, s.fail(ctx, "the journal", err)
			}
			out := journalPage{Events: []wireEvent{}}
			for _, e := range events {
				out.Events = append(out.Events, wireEventOf(e))
			}
			if out.LastSeq, err = s.deps.Journal.LastSeq(ctx); err != nil {
				return journalPage{}, s.fail(ctx, "the journal", err)
			}
			return out, nil
		})
}

// pumpOptions say what a stream carries.
type pumpOptions struct {
	journal bool
	after   int64  // -1: from what comes next
	station string // restricts journal events and cues
	live    string // the station whose frames are sent; empty for none
}

// pump writes to one client until ctx ends or the client takes nothing more.
func (s *Server) pump(ctx context.Context, e *eventStream, opt pumpOptions) {
	p := &clientPump{server: s, e: e, opt: opt}
	var cues <-chan Cue
	if opt.journal {
		// The channel of the next growth is taken before the journal is read, so that
		// nothing falls between.
		grown := s.grown.wait()
		if !p.hello(ctx) {
			return
		}
		p.grown = grown
		var stop func()
		cues, stop = s.cues.subscribe()
		defer stop()
	}
	var slot <-chan frame
	if opt.live != "" {
		if h := s.hubs.get(opt.live); h != nil {
			m, n, trace := h.subscribe()
			defer h.unsubscribe(m)
			p.hub, p.seen, slot = h, n, m.slot
			if e.send("trace", 0, trace) != nil {
				return
			}
		}
	}
	beat := time.NewTicker(heartbeatInterval)
	defer beat.Stop()
	if !p.journal(ctx) {
		return
	}
	for {
		ok := true
		select {
		case <-ctx.Done():
			return
		case <-p.grown:
			p.grown = s.grown.wait()
			ok = p.journal(ctx)
		case <-beat.C:
			// A commit that was not announced is found here at the latest.
			ok = p.data("heartbeat", 0, wireHeartbeat{Now: s.deps.Now().UTC()}) && p.journal(ctx)
		case c := <-cues:
			if opt.station == "" || c.Station == opt.station {
				ok = p.data("cue", 0, wireCueOf(c))
			}
		case f := <-slot:
			ok = p.frame(f)
		}
		if !ok {
			return
		}
	}
}

// clientPump is the state of one stream.
type clientPump struct {
	server *Server
	e      *eventStream
	opt    pumpOptions
	hub    *hub
	seen   uint64 // number of the newest frame sent
	grown  <-chan struct{}
}

func (p *clientPump) data(name string, id int64, v any) bool {
	b, err := json.Marshal(v)
	if err != nil {
		p.server.deps.Log.Error().Err(err).Str("event", name).Msg("events: cannot be encoded")
		return false
	}
	return p.e.send(name, id, b) == nil
}

func (p *clientPump) hello(ctx context.Context) bool {
	last, err := p.server.deps.Journal.LastSeq(ctx)
	if err != nil {
		p.server.deps.Log.Error().Err(err).Msg("events: the journal cannot be read")
		return false
	}
	now := p.server.deps.Now()
	h := wireHello{Version: p.server.deps.Version, LastSeq: last, Now: now.UTC(), Zone: zoneOf(now)}
	if p.opt.after > last {
		h.Reset = true
	}
	if p.opt.after < 0 || h.Reset {
		p.opt.after = last
	}
	return p.data("hello", 0, h)
}

// journal sends what has been committed since.
func (p *clientPump) journal(ctx context.Context) bool {
	if !p.opt.journal {
		return true
	}
	for {
		events, err := p.server.deps.Journal.EventsAfter(ctx, p.opt.after, eventBatch)
		if err != nil {
			if ctx.Err() == nil {
				p.server.deps.Log.Error().Err(err).Msg("events: the journal cannot be read")
			}
			return false
		}
		for _, ev := range events {
			p.opt.after = ev.Seq
			if p.opt.station != "" && ev.Station != "" && ev.Station != p.opt.station {
				continue
			}
			if !p.data("journal", ev.Seq, wireEventOf(ev)) {
				return false
			}
		}
		if len(events) < eventBatch {
			return true
		}
	}
}

func (p *clientPump) frame(f frame) bool {
	if f.n > p.seen+1 {
		n, trace := p.hub.snapshot()
		if p.e.send("trace", 0, trace) != nil {
			return false
		}
		p.seen = max(n, f.n)
	}
	p.seen = max(p.seen, f.n)
	return p.e.send("live", 0, f.data) == nil
}
