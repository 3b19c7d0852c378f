package api

import (
	"context"
	"net"
	"net/http"
)

// Server serves the HTTP interface, the live stream and the bench page.
type Server struct {
	deps Deps
}

// New returns a server. It does no I/O; Run does.
func New(d Deps) *Server { return &Server{deps: d} }

// Handler returns the handler of all routes.
func (s *Server) Handler() http.Handler { return http.NotFoundHandler() }

// Run serves on l until ctx is done.
func (s *Server) Run(ctx context.Context, l net.Listener) error {
	<-ctx.Done()
	return l.Close()
}

// Announce sends a provisional cue to the pages. It never blocks.
func (s *Server) Announce(Cue) {}

// Committed tells the server that the journal has grown. It never blocks.
func (s *Server) Committed() {}
