package main

import (
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"

	"ringsaddle/detect"
)

// The README's trouble section lists every reason that a capture can give, with
// what the technician does then.
func TestReadmeListsTheReasons(t *testing.T) {
	var table strings.Builder
	table.WriteString("| code | when it appears | what to do |\n| --- | --- | --- |\n")
	for _, r := range detect.Reasons() {
		fmt.Fprintf(&table, "| `%s` | %s | %s |\n", r.Code, r.When, r.Advice)
	}
	checkReadme(t, "reasons", table.String())
}

// The README's commands exist.
func TestReadmeNamesRealCommands(t *testing.T) {
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	known := map[string]bool{}
	for _, c := range commands() {
		known[c.Name()] = true
	}
	named := regexp.MustCompile("`(?:go run ./cmd/)?ringsaddle ([a-z]+)").FindAllStringSubmatch(string(text), -1)
	if len(named) < 10 {
		t.Errorf("the README names %d commands", len(named))
	}
	for _, n := range named {
		if !known[n[1]] {
			t.Errorf("the README names the command %q, which does not exist", n[1])
		}
	}
}

// checkReadme compares the part of the README between <!-- name --> and
// <!-- /name --> with want, or writes it with -update.
func checkReadme(t *testing.T, name, want string) {
	t.Helper()
	const path = "../../README.md"
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	begin, end := "<!-- "+name+" -->\n", "<!-- /"+name+" -->\n"
	head, rest, ok := strings.Cut(string(text), begin)
	old, tail, ok2 := strings.Cut(rest, end)
	if !ok || !ok2 {
		t.Fatalf("the README has no part %q", name)
	}
	if *updateFlag {
		if err := os.WriteFile(path, []byte(head+begin+want+end+tail), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if old != want {
		t.Errorf("the part %q of the README is\n%s\nwant (go test ./cmd/ringsaddle -run Readme -update)\n%s", name, old, want)
	}
}
