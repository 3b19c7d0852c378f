package main

import (
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// allowed says which packages of this module a room may import. The arrows run
// one way: acquire ← detect ← calibrate ← {storage, api} ← cmd. Nothing but tests
// imports a room that is there for tests.
func allowed(from, to string) bool {
	rooms := map[string][]string{
		"acquire":                  {},
		"acquire/frame":            {"acquire"},
		"acquire/serialport":       {"acquire"},
		"acquire/bench":            {"acquire"},
		"acquire/acquiretest":      {"acquire"},
		"detect":                   {"acquire"},
		"detect/detecttest":        {"acquire"},
		"detect/detecttest/narrow": {"acquire", "detect/detecttest"},
		"calibrate":                {"acquire", "detect"},
		"storage":                  {"acquire", "detect", "calibrate"},
		"api":                      {"acquire", "detect", "calibrate"},
	}
	if forTests(to) && !forTests(from) {
		return false
	}
	if strings.HasPrefix(from, "cmd/") {
		return !strings.HasPrefix(to, "cmd/")
	}
	permitted, known := rooms[from]
	return known && slices.Contains(permitted, to)
}

// forTests reports whether a room, or one that it lies in, is there for tests.
func forTests(room string) bool {
	return slices.ContainsFunc(strings.Split(room, "/"), func(part string) bool { return strings.HasSuffix(part, "test") })
}

// allowedInTest also lets a room's tests play on the simulated bench, on traces
// of other hands and on recorded ports.
func allowedInTest(from, to string) bool {
	playground := []string{"acquire/bench", "acquire/acquiretest", "acquire/frame", "detect/detecttest", "detect/detecttest/narrow"}
	return allowed(from, to) || from == to || slices.Contains(playground, to)
}

func TestImportsRunOneWay(t *testing.T) {
	const module = "ringsaddle/"
	root := filepath.Join("..", "..")
	seen := map[string]bool{}
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if name := d.Name(); name != ".." && (strings.HasPrefix(name, ".") || name == "testdata") {
				return filepath.SkipDir
			}
			return nil
		}
		if filepath.Ext(path) != ".go" {
			return nil
		}
		rel, err := filepath.Rel(root, filepath.Dir(path))
		if err != nil {
			return err
		}
		from := filepath.ToSlash(rel)
		seen[from] = true
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		for _, spec := range file.Imports {
			name, err := strconv.Unquote(spec.Path.Value)
			if err != nil {
				return err
			}
			to, ours := strings.CutPrefix(name, module)
			if !ours {
				continue
			}
			ok := allowed(from, to)
			if strings.HasSuffix(path, "_test.go") {
				ok = allowedInTest(from, to)
			}
			if !ok {
				t.Errorf("%s: %s imports %s, against the direction of the pipeline", path, from, to)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, room := range []string{"acquire", "detect", "calibrate", "storage", "api", "cmd/ringsaddle"} {
		if !seen[room] {
			t.Errorf("no Go file of %s was looked at", room)
		}
	}
}

// The rule itself must be able to fail.
func TestImportRuleRefusesWrongArrows(t *testing.T) {
	for _, arrow := range [][2]string{
		{"storage", "api"},
		{"api", "storage"},
		{"detect", "calibrate"},
		{"acquire", "detect"},
		{"detect", "acquire/bench"},
		{"detect", "detect/detecttest"},
		{"detect/detecttest", "detect"},
		{"detect/detecttest", "detect/detecttest/narrow"},
		{"detect", "detect/detecttest/narrow"},
		{"detect/detecttest/narrow", "detect"},
		{"cmd/ringsaddle", "acquire/acquiretest"},
		{"cmd/ringsaddle", "detect/detecttest/narrow"},
		{"calibrate", "cmd/ringsaddle"},
		{"elsewhere", "acquire"},
	} {
		if allowed(arrow[0], arrow[1]) {
			t.Errorf("%s may import %s", arrow[0], arrow[1])
		}
	}
}
