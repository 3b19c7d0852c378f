package api

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"github.com/danielgtaylor/huma/v2"
)

const (
	maxBodyBytes    = 256 << 10
	answerDeadline  = 30 * time.Second // to write an answer that is no stream
	shutdownTimeout = 5 * time.Second
	maxStreams      = 64 // event and live streams open at once
)

// Server serves the HTTP interface, the live stream and the bench page.
type Server struct {
	deps    Deps
	handler http.Handler
	openAPI *huma.OpenAPI

	closing   chan struct{} // closed when Run's context ends: streams end with it
	closeOnce sync.Once
	loopback  atomic.Bool // listening on loopback: names of the host are checked
	streams   atomic.Int64
	hubs      hubs
	grown     broadcast // the journal has grown
	cues      cueFan
}

// New returns a server. It does no I/O; Run does.
func New(d Deps) *Server {
	if d.Now == nil {
		d.Now = time.Now
	}
	s := &Server{deps: d, closing: make(chan struct{})}
	s.hubs.byName = map[string]*hub{}
	s.handler = s.routes()
	return s
}

// Handler returns the handler of all routes. Live frames flow only while Run
// runs; everything else works without it.
func (s *Server) Handler() http.Handler { return s.handler }

// Run serves on l until ctx is done, then ends the streams, lets other requests
// finish for up to five seconds, and returns nil. It owns l and may be called
// once.
func (s *Server) Run(ctx context.Context, l net.Listener) error {
	stations, err := s.deps.Stations.Stations(ctx)
	if err != nil {
		l.Close()
		return fmt.Errorf("api: list the stations: %w", err)
	}
	if a, ok := l.Addr().(*net.TCPAddr); ok {
		s.loopback.Store(a.IP.IsLoopback())
	}
	g, ctx := errgroup.WithContext(ctx)
	for _, st := range stations {
		h := s.hubs.add(s, st.Name)
		g.Go(func() error { return h.follow(ctx) })
		g.Go(func() error { return h.watch(ctx) })
	}
	srv := &http.Server{
		Handler:           s.handler,
		ReadHeaderTimeout: 5 * time.Second,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    64 << 10,
	}
	g.Go(func() error {
		if err := srv.Serve(l); !errors.Is(err, http.ErrServerClosed) {
			return fmt.Errorf("api: serve: %w", err)
		}
		return nil
	})
	g.Go(func() error {
		<-ctx.Done()
		// An open stream is never idle: it has to be told, or Shutdown waits for it.
		s.closeOnce.Do(func() { close(s.closing) })
		grace, cancel := context.WithTimeout(context.WithoutCancel(ctx), shutdownTimeout)
		defer cancel()
		if err := srv.Shutdown(grace); err != nil {
			return errors.Join(fmt.Errorf("api: shut down: %w", err), srv.Close())
		}
		return nil
	})
	return g.Wait()
}

// Announce sends a provisional cue to the pages. It never blocks; a page that is
// slow misses it.
func (s *Server) Announce(c Cue) { s.cues.send(c) }

// Committed tells the server that the journal has grown. It never blocks. Call it
// after the commit.
func (s *Server) Committed() {
	s.grown.send()
	s.hubs.touch()
}

// guard wraps the router with what holds for every request.
func (s *Server) guard(mux *http.ServeMux) http.Handler {
	var h http.Handler = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if _, pattern := mux.Handler(r); pattern == "" {
			s.unrouted(mux, w, r)
			return
		}
		mux.ServeHTTP(w, r)
	})
	origin := http.NewCrossOriginProtection()
	origin.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.deps.Log.Warn().Str("origin", r.Header.Get("Origin")).Str("path", r.URL.Path).
			Msg("refused a request from another origin")
		writeProblem(w, http.StatusForbidden, "this request comes from another origin than the bench page")
	}))
	h = origin.Handler(h)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		hd := w.Header()
		hd.Set("X-Content-Type-Options", "nosniff")
		hd.Set("Referrer-Policy", "no-referrer")
		hd.Set("Content-Security-Policy", "default-src 'self'; img-src 'self' data:; base-uri 'none'; form-action 'self'; frame-ancestors 'none'")
		defer s.recover(w, r)
		if !s.hostAllowed(r.Host) {
			writeProblem(w, http.StatusMisdirectedRequest, fmt.Sprintf("this daemon is not known as %q; use the address it listens on", r.Host))
			return
		}
		if strings.HasPrefix(r.URL.Path, "/api/") {
			hd.Set("Cache-Control", "no-store")
		}
		r.Body = http.MaxBytesReader(w, r.Body, 2*maxBodyBytes)
		// Streams lift this deadline and set their own with each write. Recorders of
		// tests have none, hence no check.
		http.NewResponseController(w).SetWriteDeadline(time.Now().Add(answerDeadline))
		h.ServeHTTP(w, r)
	})
}

// unrouted answers with a problem document what the router has no pattern for.
func (s *Server) unrouted(mux *http.ServeMux, w http.ResponseWriter, r *http.Request) {
	probe := &statusProbe{header: http.Header{}, status: http.StatusOK}
	h, _ := mux.Handler(r)
	h.ServeHTTP(probe, r)
	switch probe.status {
	case http.StatusMethodNotAllowed:
		allow := probe.header.Get("Allow")
		w.Header().Set("Allow", allow)
		writeProblem(w, probe.status, fmt.Sprintf("%s does not take %s; permitted: %s", r.URL.Path, r.Method, allow))
	case http.StatusNotFound:
		writeProblem(w, probe.status, r.URL.Path+" does not exist")
	default:
		writeProblem(w, http.StatusBadRequest, "this request cannot be understood")
	}
}

// statusProbe keeps the status and the header of an answer and drops its body.
type statusProbe struct {
	header http.Header
	status int
}

func (p *statusProbe) Header() http.Header         { return p.header }
func (p *statusProbe) WriteHeader(status int)      { p.status = status }
func (p *statusProbe) Write(b []byte) (int, error) { return len(b), nil }

func (s *Server) recover(w http.ResponseWriter, r *http.Request) {
	v := recover()
	if v == nil {
		return
	}
	if v == http.ErrAbortHandler {
		panic(v)
	}
	s.deps.Log.Error().Interface("panic", v).Str("path", r.URL.Path).Msg("request failed")
	writeProblem(w, http.StatusInternalServerError, "internal error; the daemon's log says more")
}

// hostAllowed keeps a foreign page from reaching a daemon on loopback under a
// name of its own that resolves to 127.0.0.1.
func (s *Server) hostAllowed(hostport string) bool {
	if !s.loopback.Load() {
		return true
	}
	host := hostport
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		host = h
	}
	host = strings.Trim(host, "[]")
	if strings.EqualFold(host, "localhost") || slices.ContainsFunc(s.deps.Hosts, func(h string) bool { return strings.EqualFold(h, host) }) {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}
