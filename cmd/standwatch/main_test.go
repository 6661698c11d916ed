package main

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"example.net/standwatch/cmd/standwatch/demo/wire/wiretest"
	"example.net/standwatch/configs/example"
)

// TestMain lets the test binary be run as one of the programs, such as standwatch
// by the scripts.
func TestMain(m *testing.M) {
	testscript.Main(swept{m}, programs)
}

// leftovers are folders that outlive single tests.
var leftovers []string

// swept removes leftovers after the tests.
type swept struct{ m *testing.M }

func (s swept) Run() int {
	code := s.m.Run()
	for _, dir := range leftovers {
		_ = os.RemoveAll(dir) // below the system's temporary folder, which is swept anyway
	}
	return code
}

// TestScripts runs command lines as a person types them. Beyond testscript's
// own commands there is
//
//	exits CODE program args...    which wants just this exit code
//
// $EXAMPLE is the example configuration, whose secrets are set, and $MASTER a
// UDP port that answers informs.
func TestScripts(t *testing.T) {
	folder, err := filepath.Abs(filepath.Join("..", "..", "configs", "example"))
	if err != nil {
		t.Fatal(err)
	}
	master := wiretest.Listen(t, 0).Addr().String()
	testscript.Run(t, testscript.Params{
		Dir:                 filepath.Join("testdata", "script"),
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup: func(e *testscript.Env) error {
			e.Setenv("EXAMPLE", folder)
			e.Setenv("MASTER", master)
			for name, value := range example.Secrets() {
				e.Setenv(name, value)
			}
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"exits": exits},
	})
}

// exits runs a program and compares its exit code.
func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits CODE program args...")
	}
	want, err := strconv.Atoi(args[0])
	if err != nil {
		ts.Fatalf("exits: %v", err)
	}
	got := 0
	var status *exec.ExitError
	switch err := ts.Exec(args[1], args[2:]...); {
	case errors.As(err, &status):
		got = status.ExitCode()
	case err != nil:
		ts.Fatalf("exits: %v", err)
	}
	if got != want {
		ts.Fatalf("exit code %d, want %d", got, want)
	}
}
