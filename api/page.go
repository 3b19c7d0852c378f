package api

import (
	"embed"
	"io/fs"
	"net/http"
)

//go:embed web
var webFiles embed.FS

// pageRoutes serves the bench page. Its files are embedded and change only with
// the program.
func (s *Server) pageRoutes(mux *http.ServeMux) {
	web, err := fs.Sub(webFiles, "web")
	if err != nil {
		panic(err) // the name above is a constant
	}
	files := http.FileServerFS(web)
	mux.HandleFunc("GET /{$}", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "no-cache")
		http.ServeFileFS(w, r, web, "index.html")
	})
	mux.HandleFunc("GET /web/{file}", func(w http.ResponseWriter, r *http.Request) {
		name := r.PathValue("file")
		if info, err := fs.Stat(web, name); err != nil || info.IsDir() {
			writeProblem(w, http.StatusNotFound, r.URL.Path+" does not exist")
			return
		}
		w.Header().Set("Cache-Control", "no-cache")
		http.StripPrefix("/web", files).ServeHTTP(w, r)
	})
	mux.HandleFunc("GET /favicon.ico", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "max-age=86400")
		http.ServeFileFS(w, r, web, "icon.svg")
	})
}
