package api

import (
	"context"
	"net/http"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"
)

const (
	heartbeatInterval = time.Second
	streamDeadline    = 5 * time.Second // for one write to a stream
	reconnectDelayMS  = 500
)

// eventStream writes server-sent events. One goroutine uses it.
type eventStream struct {
	w   http.ResponseWriter
	rc  *http.ResponseController
	buf []byte
}

func newEventStream(w http.ResponseWriter) *eventStream {
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no")
	w.WriteHeader(http.StatusOK)
	return &eventStream{w: w, rc: http.NewResponseController(w)}
}

// send writes one event; id 0 means none. data must be one line.
func (e *eventStream) send(name string, id int64, data []byte) error {
	b := e.buf[:0]
	if id > 0 {
		b = append(b, "id: "...)
		b = strconv.AppendInt(b, id, 10)
		b = append(b, '\n')
	}
	b = append(b, "event: "...)
	b = append(b, name...)
	b = append(b, "\ndata: "...)
	b = append(b, data...)
	b = append(b, "\n\n"...)
	e.buf = b
	return e.write(b)
}

func (e *eventStream) write(b []byte) error {
	// Not every writer has deadlines (a recorder in a test has none).
	e.rc.SetWriteDeadline(time.Now().Add(streamDeadline))
	if _, err := e.w.Write(b); err != nil {
		return err
	}
	return e.rc.Flush()
}

// streaming makes the answer of a stream operation out of a function that runs
// until it returns or its context ends. The context ends with the request and
// with the server.
func (s *Server) streaming(run func(ctx context.Context, e *eventStream)) (*huma.StreamResponse, error) {
	if s.streams.Add(1) > maxStreams {
		s.streams.Add(-1)
		return nil, huma.NewError(http.StatusServiceUnavailable, "too many streams are open ("+strconv.Itoa(maxStreams)+")")
	}
	return &huma.StreamResponse{Body: func(hc huma.Context) {
		defer s.streams.Add(-1)
		r, w := humago.Unwrap(hc)
		if r.Method == http.MethodHead {
			w.Header().Set("Content-Type", "text/event-stream")
			return
		}
		ctx, cancel := context.WithCancel(r.Context())
		defer cancel()
		go func() {
			select {
			case <-s.closing:
				cancel()
			case <-ctx.Done():
			}
		}()
		e := newEventStream(w)
		if e.write([]byte("retry: "+strconv.Itoa(reconnectDelayMS)+"\n\n")) == nil {
			run(ctx, e)
		}
	}}, nil
}

// streamSchema documents a stream: one schema for each event name.
func streamSchema(api huma.API, op *huma.Operation, events map[string]any) {
	names := make([]string, 0, len(events))
	for name := range events {
		names = append(names, name)
	}
	slices.Sort(names)
	var variants []*huma.Schema
	for _, name := range names {
		variants = append(variants, &huma.Schema{
			Title: "Event " + name, Type: huma.TypeObject,
			Properties: map[string]*huma.Schema{
				"id":    {Type: huma.TypeInteger, Description: "Journal sequence number; journal events only."},
				"event": {Type: huma.TypeString, Enum: []any{name}},
				"data":  api.OpenAPI().Components.Schemas.Schema(reflect.TypeOf(events[name]), true, name),
			},
			Required: []string{"event", "data"},
		})
	}
	op.Responses = map[string]*huma.Response{"200": {
		Description: "Server-sent events: " + strings.Join(names, ", ") + ".",
		Content: map[string]*huma.MediaType{"text/event-stream": {Schema: &huma.Schema{
			Type: huma.TypeArray, Items: &huma.Schema{OneOf: variants},
		}}},
	}}
}

// broadcast wakes any number of waiters.
type broadcast struct {
	mu sync.Mutex
	ch chan struct{}
}

// wait returns a channel that is closed by the next send.
func (b *broadcast) wait() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.ch == nil {
		b.ch = make(chan struct{})
	}
	return b.ch
}

func (b *broadcast) send() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.ch != nil {
		close(b.ch)
		b.ch = nil
	}
}

// cueFan hands cues to the open event streams.
type cueFan struct {
	mu   sync.Mutex
	subs map[chan Cue]struct{}
}

func (f *cueFan) subscribe() (<-chan Cue, func()) {
	ch := make(chan Cue, 16)
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.subs == nil {
		f.subs = map[chan Cue]struct{}{}
	}
	f.subs[ch] = struct{}{}
	return ch, func() {
		f.mu.Lock()
		defer f.mu.Unlock()
		delete(f.subs, ch)
	}
}

func (f *cueFan) send(c Cue) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for ch := range f.subs {
		select {
		case ch <- c:
		default:
		}
	}
}
