//go:build interop

package mib

import (
	"bufio"
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestAgainstSmidump reads the clean modules with Debian's smidump (package
// smitools) and compares every identifier, its place and its kind.
func TestAgainstSmidump(t *testing.T) {
	base, err := filepath.Abs("testdata/base")
	if err != nil {
		t.Fatal(err)
	}
	files, err := filepath.Glob("testdata/clean/*.mib")
	if err != nil || len(files) == 0 {
		t.Fatal("no modules", err)
	}
	lib, _ := readAll(t, "testdata/clean")
	var got, want []string
	for _, o := range lib.Objects {
		kind := map[Class]string{Node: "node", Variable: "scalar", Notification: "notification"}[o.Class]
		if o.Column && o.Class == Variable {
			kind = "column"
		}
		got = append(got, fmt.Sprintf("%s %s %s %s", o.Module, o.Name, kind, o.OID))
	}
	for _, file := range files {
		cmd := exec.Command("smidump", "-k", "-f", "identifiers", file)
		cmd.Env = append(os.Environ(), "SMIPATH="+base)
		var complaints bytes.Buffer
		cmd.Stderr = &complaints
		out, err := cmd.Output()
		if err != nil || complaints.Len() > 0 {
			t.Fatalf("smidump %s (is smitools installed?): %v\n%s", file, err, &complaints)
		}
		lines := bufio.NewScanner(bytes.NewReader(out))
		for lines.Scan() {
			f := strings.Fields(lines.Text())
			if len(f) != 4 || f[0] == "#" {
				continue
			}
			if slices.Contains([]string{"table", "row", "group", "compliance"}, f[2]) {
				f[2] = "node"
			}
			want = append(want, strings.Join(f, " "))
		}
	}
	slices.Sort(got)
	slices.Sort(want)
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("-smidump +ours:\n%s", diff)
	}
}

// rubyYAML is where Debian's ruby-snmp keeps its compilation of the standard
// modules, one "name: OID" a line.
const rubyYAML = "/usr/share/doc/ruby-snmp/yaml"

// TestTableAgainstRubySNMP compares the built-in table with an independent
// compilation of the same modules.
func TestTableAgainstRubySNMP(t *testing.T) {
	objects, err := parseTable(standardText)
	if err != nil {
		t.Fatal(err)
	}
	// Not in that compilation: BATTERY-MIB is newer, the remote is invented, and
	// the generic trap of RFC 1215 stands in no SMIv2 module.
	absent := map[string]bool{"BATTERY-MIB": true, "KESTREL-REMOTE-MIB": true, "egpNeighborLoss": true, "SNMPv2-SMI": true}
	modules := map[string]map[string]string{}
	checked := 0
	for _, o := range objects {
		if absent[o.Module] || absent[o.Name] {
			continue
		}
		if modules[o.Module] == nil {
			modules[o.Module] = rubyModule(t, o.Module)
		}
		want, ok := modules[o.Module][o.Name]
		if !ok {
			t.Errorf("%s has no %s there", o.Module, o.Name)
			continue
		}
		checked++
		if o.OID.String() != want {
			t.Errorf("%s::%s is %s here and %s there", o.Module, o.Name, o.OID, want)
		}
	}
	if checked < 130 {
		t.Errorf("only %d names were compared", checked)
	}
}

func rubyModule(t *testing.T, name string) map[string]string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(rubyYAML, name+".yaml"))
	if err != nil {
		t.Fatalf("is ruby-snmp installed? %v", err)
	}
	out := map[string]string{}
	for line := range strings.SplitSeq(string(text), "\n") {
		key, value, _ := strings.Cut(line, ": ")
		out[strings.Trim(key, `"`)] = strings.Trim(value, `" `)
	}
	return out
}

// TestShippedModulesAgainstSmidump reads the modules that Debian's libsnmp-base
// brings, written by others for agents in use: whatever smidump makes of them
// has the same identifier and kind here. They import modules that are not
// there; both programs go on without.
func TestShippedModulesAgainstSmidump(t *testing.T) {
	base, err := filepath.Abs("testdata/base")
	if err != nil {
		t.Fatal(err)
	}
	const folder = "/usr/share/snmp/mibs"
	files, err := filepath.Glob(filepath.Join(folder, "*.txt"))
	if err != nil || len(files) < 5 {
		t.Fatalf("is libsnmp-base installed? %v %v", files, err)
	}
	lib, _ := ReadFolder(os.DirFS(folder), nil)
	ours := map[string]string{}
	for _, o := range lib.Objects {
		kind := map[Class]string{Node: "node", Variable: "scalar", Notification: "notification"}[o.Class]
		if o.Column && o.Class == Variable {
			kind = "column"
		}
		ours[o.Module+" "+o.Name] = kind + " " + o.OID.String()
	}
	compared := 0
	for _, file := range files {
		cmd := exec.Command("smidump", "-k", "-q", "-f", "identifiers", file)
		cmd.Env = append(os.Environ(), "SMIPATH="+base+":"+folder)
		// It dies at some of them for want of a module that they import; then what
		// it printed before counts, and the number below sees that it was enough.
		out, _ := cmd.Output()
		for line := range strings.Lines(string(out)) {
			f := strings.Fields(line)
			if len(f) != 4 || f[0] == "#" || !strings.Contains(f[3], ".") {
				continue
			}
			if slices.Contains([]string{"table", "row", "group", "compliance", "capabilities"}, f[2]) {
				f[2] = "node"
			}
			compared++
			if got := ours[f[0]+" "+f[1]]; got != f[2]+" "+f[3] {
				t.Errorf("%s %s: %q here, %q there", f[0], f[1], got, f[2]+" "+f[3])
			}
		}
	}
	if compared < 120 {
		t.Errorf("only %d identifiers were compared; are smitools and libsnmp-base installed?", compared)
	}
}
