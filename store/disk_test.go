//go:build trials

package store_test

import (
	"os"
	"os/exec"
	"syscall"
	"testing"
)

// TestTrialSmallDisk has a real file system run full, be freed, and become read-only.
// The child may mount one because it is root in a namespace of its own.
func TestTrialSmallDisk(t *testing.T) {
	t.Attr("promised", "an append that cannot be made says so and changes nothing; with room it goes on; on a read-only disk everything can be read and verified")
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), exe)
	cmd.Env = append(os.Environ(), roleEnv+"=small-disk "+t.TempDir())
	cmd.SysProcAttr = &syscall.SysProcAttr{
		Cloneflags:  syscall.CLONE_NEWUSER | syscall.CLONE_NEWNS,
		UidMappings: []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getuid(), Size: 1}},
		GidMappings: []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getgid(), Size: 1}},
	}
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	t.Attr("tried", "a file system of 6 MiB, 3 times full and freed, then made read-only, 500 records and more")
	t.Attr("lost", "0")
}
