package storetest

import (
	"bytes"
	"os"
	"os/exec"
	"testing"
)

// aloneEnv names the test that a process was started for.
const aloneEnv = "STANDWATCH_TEST_ALONE"

// Alone runs a test in a process of its own and reports whether this is it. A
// test that bounds the size of files needs one: the bound holds for the whole
// process, and the go command has a log of its own written in it.
func Alone(t *testing.T) bool {
	t.Helper()
	if os.Getenv(aloneEnv) == t.Name() {
		return true
	}
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), exe, "-test.run=^"+t.Name()+"$", "-test.count=1", "-test.v")
	cmd.Env = append(os.Environ(), aloneEnv+"="+t.Name())
	if out, err := cmd.CombinedOutput(); err != nil || !bytes.Contains(out, []byte("--- PASS: "+t.Name())) {
		t.Fatalf("%s in a process of its own: %v\n%s", t.Name(), err, out)
	}
	return false
}
