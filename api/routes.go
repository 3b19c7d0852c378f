package api

import (
	"context"
	"encoding/json"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"
)

const openAPIPath = "/api/v1/openapi"

// routes builds the router. Nothing here touches a dependency.
func (s *Server) routes() http.Handler {
	mux := http.NewServeMux()
	cfg := huma.DefaultConfig("Ringsaddle", "v1")
	cfg.Info.Description = "Readings, captures, sets and rings of a bench length-measuring instrument. " +
		"Lengths are numbers of millimetres, u is a standard uncertainty, times are RFC 3339 in UTC. " +
		"Within v1 changes only add."
	cfg.Info.License = &huma.License{Name: "Apache-2.0", Identifier: "Apache-2.0"}
	cfg.Servers = []*huma.Server{{URL: "/"}}
	cfg.OpenAPIPath = openAPIPath
	cfg.DocsPath = ""
	cfg.SchemasPath = ""
	cfg.CreateHooks = nil
	cfg.NoFormatFallback = false
	cfg.RejectUnknownQueryParameters = true
	cfg.Tags = []*huma.Tag{
		{Name: "stations", Description: "The benches, and what they send."},
		{Name: "events", Description: "The journal as a stream."},
		{Name: "sets", Description: "Opening reference, work positions, closing reference."},
		{Name: "captures", Description: "What one entry into a ring yielded."},
		{Name: "register", Description: "Rings and materials."},
	}
	api := humago.New(mux, cfg)
	s.openAPI = api.OpenAPI()
	s.stationRoutes(api)
	s.traceRoutes(api)
	s.eventRoutes(api)
	s.setRoutes(api)
	s.captureRoutes(api)
	s.envelopeRoutes(api)
	s.ringRoutes(api)
	s.historyRoutes(api)

	s.pageRoutes(mux)
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) {
		writeJSON(w, http.StatusOK, map[string]string{"status": "ok"})
	})
	mux.HandleFunc("GET /readyz", s.readyz)
	if s.deps.Metrics != nil {
		mux.Handle("GET /metrics", s.deps.Metrics)
	}
	return s.guard(mux)
}

// operation fills what every operation has.
func operation(id, method, path, tag, summary string, errs ...int) huma.Operation {
	status := http.StatusOK
	if strings.HasPrefix(id, "start-") || strings.HasPrefix(id, "register-") {
		status = http.StatusCreated
	}
	return huma.Operation{
		OperationID: id, Method: method, Path: "/api/v1" + path, Tags: []string{tag},
		Summary: summary, DefaultStatus: status, MaxBodyBytes: maxBodyBytes, Errors: errs,
	}
}

// readyz answers 200 if every check passes and 503 otherwise, with all of them.
func (s *Server) readyz(w http.ResponseWriter, r *http.Request) {
	type check struct {
		Name string `json:"name"`
		OK   bool   `json:"ok"`
		Text string `json:"text,omitempty"`
	}
	body := struct {
		Ready  bool    `json:"ready"`
		Checks []check `json:"checks"`
	}{Ready: true, Checks: []check{}}
	for _, c := range s.deps.Readiness.Ready(r.Context()) {
		out := check{Name: c.Name, OK: c.Err == nil}
		if c.Err != nil {
			out.Text = c.Err.Error()
			body.Ready = false
		}
		body.Checks = append(body.Checks, out)
	}
	status := http.StatusOK
	if !body.Ready {
		status = http.StatusServiceUnavailable
	}
	writeJSON(w, status, body)
}

func writeJSON(w http.ResponseWriter, status int, v any) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	json.NewEncoder(w).Encode(v)
}

// body wraps the answer of an operation.
type body[T any] struct{ Body T }

func answer[T any](v T) *body[T] { return &body[T]{Body: v} }

// created is the answer to something new: where it is, and what.
type created[T any] struct {
	Location string `header:"Location"`
	Body     T
}

// get registers an operation that reads.
func get[I, O any](api huma.API, op huma.Operation, f func(context.Context, *I) (O, error)) {
	huma.Register(api, op, func(ctx context.Context, in *I) (*body[O], error) {
		v, err := f(ctx, in)
		if err != nil {
			return nil, err
		}
		return answer(v), nil
	})
}
