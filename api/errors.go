package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"
)

// problemType is the media type of RFC 9457.
const problemType = "application/problem+json"

// writeProblem writes a problem document outside of huma's operations.
func writeProblem(w http.ResponseWriter, status int, detail string) {
	body, err := json.Marshal(huma.ErrorModel{Title: http.StatusText(status), Status: status, Detail: detail})
	if err != nil {
		http.Error(w, detail, status)
		return
	}
	w.Header().Set("Content-Type", problemType)
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	w.Write(body)
}

// fail turns an error of a dependency into the answer for the client. what names
// the thing asked for (`ring "0199…"`), for the sentence about its absence.
func (s *Server) fail(ctx context.Context, what string, err error) error {
	if err == nil {
		return nil
	}
	var refusals []*Refusal
	collectRefusals(err, &refusals)
	if len(refusals) > 0 {
		details := make([]error, len(refusals))
		texts := make([]string, len(refusals))
		for i, r := range refusals {
			texts[i] = r.Text
			details[i] = refusalDetail(r)
		}
		return huma.NewError(http.StatusUnprocessableEntity, strings.Join(texts, "; "), details...)
	}
	switch {
	case errors.Is(err, ErrConflict):
		return huma.NewError(http.StatusConflict, trimSentinel(err, ErrConflict))
	case errors.Is(err, fs.ErrNotExist):
		return huma.NewError(http.StatusNotFound, what+" does not exist")
	case ctx.Err() != nil:
		return huma.NewError(http.StatusServiceUnavailable, "the request ended before it was answered")
	}
	s.deps.Log.Error().Err(err).Str("asked_for", what).Msg("request failed")
	return huma.NewError(http.StatusInternalServerError, "internal error; the daemon's log says more")
}

func refusalDetail(r *Refusal) error {
	msg := r.Text
	if r.Permitted != "" {
		msg += " (permitted: " + r.Permitted + ")"
	}
	d := &huma.ErrorDetail{Message: msg}
	if r.Field != "" {
		d.Location = "body." + r.Field
	}
	if r.Value != "" {
		d.Value = r.Value
	}
	return d
}

// collectRefusals gathers every Refusal in the tree of err, in order.
func collectRefusals(err error, into *[]*Refusal) {
	if r, ok := err.(*Refusal); ok {
		*into = append(*into, r)
		return
	}
	switch u := err.(type) {
	case interface{ Unwrap() error }:
		if inner := u.Unwrap(); inner != nil {
			collectRefusals(inner, into)
		}
	case interface{ Unwrap() []error }:
		for _, inner := range u.Unwrap() {
			collectRefusals(inner, into)
		}
	}
}

// trimSentinel returns the text of err without the sentinel that it wraps.
func trimSentinel(err, sentinel error) string {
	text := err.Error()
	for _, cut := range []string{": " + sentinel.Error(), sentinel.Error() + ": "} {
		text = strings.ReplaceAll(text, cut, "")
	}
	return text
}

// refuseField is a refusal made by this package itself.
func refuseField(field, value, permitted, format string, args ...any) *Refusal {
	return &Refusal{Field: field, Value: value, Permitted: permitted, Text: fmt.Sprintf(format, args...)}
}

// Refuse turns an error of a validation, which may join several faults, into
// refusals, so that the client sees all of them as such. A fault of the form
// "field: text" names its field. A nil err gives nil.
func Refuse(err error) error {
	if err == nil {
		return nil
	}
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		var out []error
		for _, e := range joined.Unwrap() {
			if r := Refuse(e); r != nil {
				out = append(out, r)
			}
		}
		return errors.Join(out...)
	}
	var r *Refusal
	if errors.As(err, &r) {
		return err
	}
	field, text, found := strings.Cut(err.Error(), ": ")
	if !found || strings.ContainsAny(field, " \t") {
		field, text = "", err.Error()
	}
	return &Refusal{Field: field, Text: text}
}
