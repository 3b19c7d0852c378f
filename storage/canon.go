package storage

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
)

// Canonical JSON: one value has one text. Objects have their keys sorted by
// bytes, there is no white space, strings escape only what they must, and
// numbers are integers as written ("-0" and "1e3" are refused). Two programs
// that agree on the value agree on its hash.

// errFloat refuses floating point where a hash is to be taken.
var errFloat = errors.New("a number that is no integer has no place in the journal: write lengths in picometres and times in nanoseconds")

// canonicalOf returns the canonical JSON of a Go value.
func canonicalOf(v any) ([]byte, error) {
	raw, err := json.Marshal(v)
	if err != nil {
		return nil, err
	}
	return canonical(raw, false)
}

// canonical rewrites a JSON text canonically. With floats, other numbers keep
// the text in which they were written.
func canonical(raw []byte, floats bool) ([]byte, error) {
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.UseNumber()
	var v any
	if err := dec.Decode(&v); err != nil {
		return nil, fmt.Errorf("JSON: %w", err)
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("JSON: more than one value")
	}
	var b bytes.Buffer
	if err := writeCanonical(&b, v, floats); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

func writeCanonical(b *bytes.Buffer, v any, floats bool) error {
	switch v := v.(type) {
	case nil:
		b.WriteString("null")
	case bool:
		fmt.Fprint(b, v)
	case json.Number:
		if !floats && (strings.ContainsAny(v.String(), ".eE") || v.String() == "-0") {
			return fmt.Errorf("%s: %w", v, errFloat)
		}
		b.WriteString(v.String())
	case string:
		return writeString(b, v)
	case []any:
		b.WriteByte('[')
		for i, e := range v {
			if i > 0 {
				b.WriteByte(',')
			}
			if err := writeCanonical(b, e, floats); err != nil {
				return err
			}
		}
		b.WriteByte(']')
	case map[string]any:
		keys := make([]string, 0, len(v))
		for k := range v {
			keys = append(keys, k)
		}
		slices.Sort(keys)
		b.WriteByte('{')
		for i, k := range keys {
			if i > 0 {
				b.WriteByte(',')
			}
			if err := writeString(b, k); err != nil {
				return err
			}
			b.WriteByte(':')
			if err := writeCanonical(b, v[k], floats); err != nil {
				return err
			}
		}
		b.WriteByte('}')
	default:
		return fmt.Errorf("JSON: unexpected %T", v)
	}
	return nil
}

func writeString(b *bytes.Buffer, s string) error {
	enc := json.NewEncoder(b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(s); err != nil {
		return err
	}
	b.Truncate(b.Len() - 1) // the newline that Encode adds
	return nil
}
