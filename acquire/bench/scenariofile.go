package bench

import (
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

//go:embed scenarios/*.toml
var ready embed.FS

// Scenarios returns the names of the ready scenarios and, by name, what each is.
func Scenarios() (names []string, descriptions map[string]string, err error) {
	files, err := fs.Glob(ready, "scenarios/*.toml")
	if err != nil {
		return nil, nil, err
	}
	descriptions = map[string]string{}
	for _, f := range files {
		name := strings.TrimSuffix(filepath.Base(f), ".toml")
		sc, err := LoadScenario(name)
		if err != nil {
			return nil, nil, err
		}
		names = append(names, name)
		descriptions[name] = sc.Description
	}
	slices.Sort(names)
	return names, descriptions, nil
}

// LoadScenario returns the ready scenario of that name; an unknown name gives an
// error that wraps fs.ErrNotExist.
func LoadScenario(name string) (Scenario, error) {
	file := "scenarios/" + name + ".toml"
	data, err := ready.ReadFile(file)
	if err != nil {
		return Scenario{}, fmt.Errorf("no ready scenario %q (simulate --list shows them): %w", name, fs.ErrNotExist)
	}
	return ParseScenario(name+".toml", data)
}

// OpenScenario returns the ready scenario of that name, or reads the file of that
// name: whatever contains a slash or ends in .toml is a file.
func OpenScenario(nameOrFile string) (Scenario, error) {
	if !strings.ContainsRune(nameOrFile, '/') && !strings.HasSuffix(nameOrFile, ".toml") {
		return LoadScenario(nameOrFile)
	}
	data, err := os.ReadFile(nameOrFile)
	if err != nil {
		return Scenario{}, fmt.Errorf("read the scenario: %w", err)
	}
	return ParseScenario(nameOrFile, data)
}

// ParseScenario reads a scenario file over DefaultScenario. All faults are
// reported at once, each with file, line and key.
func ParseScenario(file string, data []byte) (Scenario, error) {
	sc := DefaultScenario()
	sc.Name = strings.TrimSuffix(filepath.Base(file), ".toml")
	sc.Rings, sc.Tasks = nil, nil
	dec := toml.NewDecoder(strings.NewReader(string(data))).DisallowUnknownFields()
	if err := dec.Decode(&sc); err != nil {
		return Scenario{}, decodeFaults(file, err)
	}
	for i := range sc.Rings {
		r := &sc.Rings[i]
		if r.Shape == "" {
			r.Shape = Bore
		}
		if r.Expansion == 0 {
			r.Expansion = 11.5
		}
		if r.Celsius == 0 {
			r.Celsius = 20
		}
	}
	if err := sc.Validate(); err != nil {
		return Scenario{}, withLines(file, data, err)
	}
	return sc, nil
}

// decodeFaults turns the errors of the decoder into one line each.
func decodeFaults(file string, err error) error {
	var strict *toml.StrictMissingError
	if errors.As(err, &strict) {
		var out []error
		for i := range strict.Errors {
			e := &strict.Errors[i]
			line, _ := e.Position()
			out = append(out, fmt.Errorf("%s:%d: %s: there is no such key", file, line, strings.Join(e.Key(), ".")))
		}
		return errors.Join(out...)
	}
	var dec *toml.DecodeError
	if errors.As(err, &dec) {
		line, _ := dec.Position()
		key := strings.Join(dec.Key(), ".")
		if key != "" {
			key += ": "
		}
		return fmt.Errorf("%s:%d: %s%s", file, line, key, strings.TrimPrefix(dec.Error(), "toml: "))
	}
	return fmt.Errorf("%s: %w", file, err)
}

// withLines puts file and line before every KeyError.
func withLines(file string, data []byte, err error) error {
	lines := keyLines(data)
	var out []error
	joined, ok := err.(interface{ Unwrap() []error })
	if !ok {
		return fmt.Errorf("%s: %w", file, err)
	}
	for _, e := range joined.Unwrap() {
		var k *KeyError
		if !errors.As(e, &k) {
			out = append(out, fmt.Errorf("%s: %w", file, e))
			continue
		}
		if line := lineOf(lines, k.Key); line > 0 {
			out = append(out, fmt.Errorf("%s:%d: %w", file, line, e))
		} else {
			out = append(out, fmt.Errorf("%s: %w", file, e))
		}
	}
	return errors.Join(out...)
}

// lineOf finds the line of a key, or of the table that lacks it.
func lineOf(lines map[string]int, key string) int {
	for key != "" {
		if n := lines[key]; n > 0 {
			return n
		}
		i := strings.LastIndexAny(key, ".[")
		if i < 0 {
			return 0
		}
		key = key[:i]
	}
	return 0
}

// keyLines maps dotted keys ("ring[1].nominal_mm") to their line. Elements of an
// array have the line of its key.
func keyLines(data []byte) map[string]int {
	lines := map[string]int{}
	count := map[string]int{}
	var p unstable.Parser
	p.Reset(data)
	table := ""
	for p.NextExpression() {
		e := p.Expression()
		var parts []string
		line := 0
		for it := e.Key(); it.Next(); {
			if line == 0 {
				line = p.Shape(it.Node().Raw).Start.Line
			}
			parts = append(parts, string(it.Node().Data))
		}
		name := strings.Join(parts, ".")
		switch e.Kind {
		case unstable.Table:
			table = name
			lines[table] = line
		case unstable.ArrayTable:
			table = name + "[" + strconv.Itoa(count[name]) + "]"
			count[name]++
			lines[table] = line
		case unstable.KeyValue:
			if table != "" {
				name = table + "." + name
			}
			lines[name] = line
		}
	}
	return lines
}
