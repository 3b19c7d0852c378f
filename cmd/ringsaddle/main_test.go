package main

import (
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestMain makes the program available to scripts as "ringsaddle", and runs the
// test binary as a daemon where a test asks for one that can be killed.
func TestMain(m *testing.M) {
	if os.Getenv(childEnv) != "" {
		os.Exit(childDaemon())
	}
	testscript.Main(m, map[string]func(){
		"ringsaddle": func() { os.Exit(run(os.Args[1:])) },
	})
}

func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script",
		Setup: func(env *testscript.Env) error {
			root, err := filepath.Abs(filepath.Join("..", ".."))
			env.Setenv("ROOT", root)
			return err
		},
	})
}

// realBinary builds the program once and returns its path.
func realBinary(t *testing.T) string {
	t.Helper()
	path, err := builtBinary()
	if err != nil {
		t.Fatal(err)
	}
	return path
}

var builtBinary = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "ringsaddle-test-")
	if err != nil {
		return "", err
	}
	path := filepath.Join(dir, "ringsaddle")
	build := exec.Command("go", "build", "-o", path, ".")
	build.Stderr = os.Stderr
	return path, build.Run()
})

// need returns the path of a tool from the system's packages. A developer without
// it is told what is missing; CI fails.
func need(t testing.TB, tool, debianPackage string) string {
	t.Helper()
	path, err := exec.LookPath(tool)
	if err == nil {
		return path
	}
	if os.Getenv("CI") == "true" {
		t.Fatalf("%s is missing; the check script installs it from Debian's package %s", tool, debianPackage)
	}
	t.Skipf("%s is not installed (Debian's package %s); this test needs it", tool, debianPackage)
	return ""
}

var setsFlag = flag.Int("sets", 8, "how many seeded sets TestSeededSets replays")
