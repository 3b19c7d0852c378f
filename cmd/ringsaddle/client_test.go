package main

import (
	"net/http"
	"net/http/httptest"
	"testing"
)

// An answer that is cut short is the answer of a daemon that went away: the demo's
// technician waits for it to come back, as for one that does not answer at all.
func TestAnswerCutShort(t *testing.T) {
	cut := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Length", "100")
		_, _ = w.Write([]byte(`{"id":`))
	}))
	defer cut.Close()
	c := client{base: cut.URL}
	if _, err := c.set(t.Context(), "1"); err == nil || !unreachable(err) {
		t.Errorf("an answer cut short: %v", err)
	}
	wrong := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.WriteHeader(http.StatusConflict)
	}))
	defer wrong.Close()
	c = client{base: wrong.URL}
	if _, err := c.set(t.Context(), "1"); err == nil || unreachable(err) {
		t.Errorf("a refusal: %v", err)
	}
}
