package calibrate

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"reflect"
	"slices"
	"strings"
)

// DecodeSet reads a set in the offline form: one JSON object, no unknown, missing
// or doubled key. It reports all faults of the form at once, each with its path,
// and does not judge the values; SetFile.Validate does.
func DecodeSet(data []byte) (SetFile, error) {
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.UseNumber()
	tree, err := decodeTree(dec, "")
	if err != nil {
		return SetFile{}, locate(data, dec.InputOffset(), err)
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return SetFile{}, locate(data, dec.InputOffset(), errors.New("something follows the end of the set; expected nothing"))
	}
	v := &validator{}
	checkShape(v, "", tree, reflect.TypeFor[SetFile]())
	if len(v.faults) > 0 {
		return SetFile{}, errors.Join(v.faults...)
	}
	var s SetFile
	if err := json.Unmarshal(data, &s); err != nil {
		var te *json.UnmarshalTypeError
		if errors.As(err, &te) {
			return SetFile{}, locate(data, te.Offset, fmt.Errorf("%s: %s; expected %s", te.Field, te.Value, te.Type))
		}
		return SetFile{}, err
	}
	return s, nil
}

// locate adds line and column of an offset to an error.
func locate(data []byte, offset int64, err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		err = errors.New("the file ends in the middle of the set")
	}
	var se *json.SyntaxError
	if errors.As(err, &se) {
		offset = se.Offset
	}
	before := data[:min(int(offset), len(data))]
	line := 1 + bytes.Count(before, []byte("\n"))
	column := len(before) - bytes.LastIndexByte(before, '\n')
	return fmt.Errorf("line %d, column %d: %w", line, column, err)
}

// decodeTree reads one JSON value and refuses doubled keys, of which
// encoding/json would silently take the last.
func decodeTree(dec *json.Decoder, path string) (any, error) {
	tok, err := dec.Token()
	if err != nil {
		return nil, err
	}
	switch tok {
	case json.Delim('{'):
		out := map[string]any{}
		for dec.More() {
			key, err := dec.Token()
			if err != nil {
				return nil, err
			}
			k := key.(string)
			if _, ok := out[k]; ok {
				return nil, fmt.Errorf("%s is given twice", join(path, k))
			}
			if out[k], err = decodeTree(dec, join(path, k)); err != nil {
				return nil, err
			}
		}
		_, err = dec.Token()
		return out, err
	case json.Delim('['):
		out := []any{}
		for dec.More() {
			e, err := decodeTree(dec, fmt.Sprintf("%s[%d]", path, len(out)))
			if err != nil {
				return nil, err
			}
			out = append(out, e)
		}
		_, err = dec.Token()
		return out, err
	}
	return tok, nil
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

// checkShape compares a JSON tree with the Go type that it is to become.
func checkShape(v *validator, path string, tree any, t reflect.Type) {
	if t.Kind() == reflect.Pointer {
		if tree == nil {
			return
		}
		t = t.Elem()
	}
	name := path
	if name == "" {
		name = "(the set)"
	}
	switch t.Kind() {
	case reflect.Struct:
		obj, ok := tree.(map[string]any)
		if !ok {
			v.add(name, describe(tree), "an object", "")
			return
		}
		checkObject(v, path, obj, t)
	case reflect.Slice:
		list, ok := tree.([]any)
		if !ok {
			v.add(name, describe(tree), "a list", "")
			return
		}
		for i, e := range list {
			checkShape(v, fmt.Sprintf("%s[%d]", path, i), e, t.Elem())
		}
	case reflect.String:
		if _, ok := tree.(string); !ok {
			v.add(name, describe(tree), "a text", "")
		}
	default:
		if tree == nil && strings.HasSuffix(path, ".dof") {
			return
		}
		n, ok := tree.(json.Number)
		if !ok {
			v.add(name, describe(tree), "a number", "")
			return
		}
		if t.Kind() == reflect.Float64 {
			if _, err := n.Float64(); err != nil {
				v.add(name, n, "a number within ±1.8e308", "")
			}
		} else if err := json.Unmarshal([]byte(n), reflect.New(t).Interface()); err != nil {
			v.add(name, n, "a whole number", "")
		}
	}
}

func checkObject(v *validator, path string, obj map[string]any, t reflect.Type) {
	known := map[string]reflect.StructField{}
	var keys []string
	for i := range t.NumField() {
		f := t.Field(i)
		key, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		known[key] = f
		keys = append(keys, key)
		if _, ok := obj[key]; !ok && f.Tag.Get("set") == "required" {
			v.add(join(path, key), "", "required here", "")
		}
	}
	given := make([]string, 0, len(obj))
	for k := range obj {
		given = append(given, k)
	}
	slices.Sort(given)
	for _, k := range given {
		f, ok := known[k]
		if !ok {
			v.add(join(path, k), "unknown key", strings.Join(keys, ", "), "")
			continue
		}
		checkShape(v, join(path, k), obj[k], f.Type)
	}
	if t == reflect.TypeFor[SetDecision]() {
		// A guard band that is left out would silently be none.
		need := map[any]string{string(GuardBand): "r", string(ConformanceProbability): "probability"}[obj["rule"]]
		if _, ok := obj[need]; need != "" && !ok {
			v.add(join(path, need), "", "required with this rule", "")
		}
	}
	if t == reflect.TypeFor[Quantity]() {
		_, u := obj["u"]
		_, a := obj["half_width"]
		if u == a {
			v.add(path, "a quantity with "+map[bool]string{true: "both u and half_width", false: "neither u nor half_width"}[u],
				"value with u, or value with half_width and distribution", "")
		}
	}
}

func describe(tree any) string {
	switch x := tree.(type) {
	case nil:
		return "null"
	case map[string]any:
		return "an object"
	case []any:
		return "a list"
	case string:
		return fmt.Sprintf("the text %q", x)
	default:
		return fmt.Sprint(x)
	}
}
