package main

// The rules of this file: one configuration file, strict. An unknown or missing
// key, a value of the wrong kind or out of range gives file, line, key and what was
// expected, and all faults are reported at once. Nothing is guessed.

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"reflect"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// fault is one thing wrong with a configuration file.
type fault struct {
	file string
	line int // 0 where no line can be named
	key  string
	text string
}

func (f fault) Error() string {
	where := f.file
	if f.line > 0 {
		where = fmt.Sprintf("%s:%d", f.file, f.line)
	}
	if f.key == "" {
		return fmt.Sprintf("%s: %s", where, f.text)
	}
	return fmt.Sprintf("%s: %s: %s", where, f.key, f.text)
}

// loadConfig reads, decodes and checks the file. The error joins one fault per
// line, in the order of the file.
func loadConfig(path string) (*config, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("configuration: %w", err)
	}
	return parseConfig(path, data)
}

func parseConfig(path string, data []byte) (*config, error) {
	index, err := indexKeys(data)
	if err != nil {
		return nil, syntaxFault(path, data)
	}
	cfg, faults := decodeAll(path, data, index)
	if cfg != nil {
		undecoded := map[string]bool{} // keys with a value of the wrong kind, and their sections
		for _, f := range faults {
			if strings.HasPrefix(f.text, wrongKindText) {
				undecoded[f.key], undecoded[section(f.key)] = true, true
			}
		}
		cfg.check(func(key, format string, args ...any) {
			text := fmt.Sprintf(format, args...)
			if undecoded[key] || strings.HasPrefix(text, "missing") && undecoded[section(key)] {
				return // it is there, and said to be of the wrong kind
			}
			faults = append(faults, fault{path, index.lineOf(key), key, text})
		}, index.has)
	}
	if len(faults) > 0 {
		slices.SortStableFunc(faults, func(a, b fault) int { return a.line - b.line })
		errs := make([]error, len(faults))
		for i, f := range faults {
			errs[i] = f
		}
		return nil, errors.Join(errs...)
	}
	return cfg, nil
}

// syntaxFault asks the decoder for the position of a syntax error.
func syntaxFault(path string, data []byte) error {
	var any map[string]any
	err := toml.Unmarshal(data, &any)
	var de *toml.DecodeError
	if errors.As(err, &de) {
		line, column := de.Position()
		return fault{path, line, "", fmt.Sprintf("column %d: not TOML: %s", column, strings.TrimPrefix(de.Error(), "toml: "))}
	}
	return fault{path, 0, "", fmt.Sprintf("not TOML: %v", err)}
}

// decodeAll decodes strictly. The decoder stops at the first value of a wrong
// kind, so each such line is noted, blanked out and the decoding begun again:
// every fault is found in one go.
func decodeAll(path string, data []byte, index keyIndex) (*config, []fault) {
	var faults []fault
	data = slices.Clone(data)
	for {
		cfg := defaultConfig()
		decoder := toml.NewDecoder(bytes.NewReader(data)).DisallowUnknownFields()
		err := decoder.Decode(cfg)
		var missing *toml.StrictMissingError
		var de *toml.DecodeError
		switch {
		case err == nil:
			return cfg, faults
		case errors.As(err, &missing):
			for _, e := range missing.Errors {
				line, _ := e.Position()
				key := index.keyAt(line, strings.Join(e.Key(), "."))
				faults = append(faults, fault{path, line, key, "unknown key" + knownKeys(e.Key())})
			}
			return cfg, faults
		case errors.As(err, &de):
			line, _ := de.Position()
			key := index.keyAt(line, strings.Join(de.Key(), "."))
			faults = append(faults, fault{path, line, key, wrongKind(de)})
			if !blankLine(data, line) {
				return nil, faults
			}
		default:
			return nil, append(faults, fault{path, 0, "", err.Error()})
		}
	}
}

const wrongKindText = "wrong kind of value"

// section is the key of the table that holds a key.
func section(key string) string { return key[:max(0, strings.LastIndexByte(key, '.'))] }

// wrongKind says what was expected where a value has the wrong kind.
func wrongKind(de *toml.DecodeError) string {
	expected := "another kind of value"
	if t := fieldType(reflect.TypeFor[config](), de.Key()); t != nil {
		switch t {
		case reflect.TypeFor[length]():
			expected = `a length with its unit in quotes, for example "0.2 um" or "40 mm"`
		case reflect.TypeFor[celsius]():
			expected = `a temperature with its unit in quotes, for example "0.05 K" or "20 °C"`
		case reflect.TypeFor[duration]():
			expected = `a duration with its unit in quotes, for example "2s" or "500ms"`
		case reflect.TypeFor[force]():
			expected = `a force with its unit in quotes, for example "3.5 N"`
		default:
			expected = map[reflect.Kind]string{
				reflect.String: "text in quotes", reflect.Int: "a whole number", reflect.Int64: "a whole number",
				reflect.Float64: "a number", reflect.Bool: "true or false", reflect.Slice: "a list in brackets",
			}[t.Kind()]
			if expected == "" {
				expected = t.Kind().String()
			}
		}
	}
	return wrongKindText + ": expected " + expected
}

// blankLine overwrites a line (from 1) with spaces, so that the positions of all
// others stay. It reports whether there was anything to blank.
func blankLine(data []byte, line int) bool {
	start := 0
	for range line - 1 {
		i := bytes.IndexByte(data[start:], '\n')
		if i < 0 {
			return false
		}
		start += i + 1
	}
	end := len(data)
	if i := bytes.IndexByte(data[start:], '\n'); i >= 0 {
		end = start + i
	}
	changed := false
	for i := start; i < end; i++ {
		if data[i] != ' ' {
			data[i] = ' '
			changed = true
		}
	}
	return changed
}

// keyIndex knows the line of every table and key of a file, with the keys of
// repeated tables numbered: "station[1].port.baud".
type keyIndex struct {
	line map[string]int
	key  map[int]string
}

func indexKeys(data []byte) (keyIndex, error) {
	index := keyIndex{line: map[string]int{}, key: map[int]string{}}
	count := map[string]int{} // elements of each array of tables so far
	table := ""
	note := func(name string, node unstable.Range, p *unstable.Parser) {
		line := p.Shape(node).Start.Line
		if _, known := index.line[name]; !known {
			index.line[name] = line
		}
		index.key[line] = name
	}
	resolve := func(parts []string) string {
		name := ""
		for _, part := range parts {
			if name != "" {
				name += "."
			}
			name += part
			if n := count[name]; n > 0 {
				name = fmt.Sprintf("%s[%d]", name, n-1)
			}
		}
		return name
	}
	var p unstable.Parser
	p.Reset(data)
	for p.NextExpression() {
		e := p.Expression()
		var parts []string
		var at unstable.Range
		for it := e.Key(); it.Next(); {
			if len(parts) == 0 {
				at = it.Node().Raw
			}
			parts = append(parts, string(it.Node().Data))
		}
		switch e.Kind {
		case unstable.ArrayTable:
			name := resolve(parts[:len(parts)-1])
			if name != "" {
				name += "."
			}
			name += parts[len(parts)-1]
			count[name]++
			table = fmt.Sprintf("%s[%d]", name, count[name]-1)
			note(table, at, &p)
		case unstable.Table:
			table = resolve(parts)
			note(table, at, &p)
		case unstable.KeyValue:
			name := strings.Join(parts, ".")
			if table != "" {
				name = table + "." + name
			}
			note(name, at, &p)
		}
	}
	return index, p.Error()
}

func (x keyIndex) has(key string) bool { _, ok := x.line[key]; return ok }

// lineOf returns the line of the key, or of the nearest table around it.
func (x keyIndex) lineOf(key string) int {
	for key != "" {
		if line, ok := x.line[key]; ok {
			return line
		}
		i := strings.LastIndexByte(key, '.')
		if i < 0 {
			break
		}
		key = key[:i]
	}
	return 0
}

func (x keyIndex) keyAt(line int, otherwise string) string {
	if key, ok := x.key[line]; ok {
		return key
	}
	return otherwise
}

// fieldType follows a key through the configuration's types; nil if there is no
// such field.
func fieldType(t reflect.Type, key []string) reflect.Type {
	for _, part := range key {
		if t.Kind() == reflect.Slice {
			t = t.Elem()
		}
		if t.Kind() != reflect.Struct {
			return nil
		}
		next := reflect.Type(nil)
		for _, f := range reflect.VisibleFields(t) {
			if tag, _, _ := strings.Cut(f.Tag.Get("toml"), ","); tag == part {
				next = f.Type
			}
		}
		if next == nil {
			return nil
		}
		t = next
	}
	return t
}

// knownKeys lists what an unknown key could have been.
func knownKeys(key []string) string {
	if len(key) == 0 {
		return ""
	}
	t := reflect.TypeFor[config]()
	if parent := key[:len(key)-1]; len(parent) > 0 {
		if t = fieldType(t, parent); t == nil {
			return ""
		}
	}
	if t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct {
		return ""
	}
	var names []string
	for _, f := range reflect.VisibleFields(t) {
		if tag, _, _ := strings.Cut(f.Tag.Get("toml"), ","); tag != "" && tag != "-" {
			names = append(names, tag)
		}
	}
	slices.Sort(names)
	return "; known here: " + strings.Join(names, ", ")
}
