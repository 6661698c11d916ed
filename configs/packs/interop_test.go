//go:build interop

package packs_test

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"example.net/standwatch/receiver/mib"
)

// Where Debian's python3-pysnmp4-mibs and python3-pysnmp4 keep their
// compilation of the standard modules, made with smidump.
var pythonFolders = []string{"/usr/lib/python3/dist-packages/pysnmp_mibs", "/usr/lib/python3/dist-packages/pysnmp/smi/mibs"}

var (
	pythonNotification = regexp.MustCompile(`(?m)^(\w+) = NotificationType\(\(([\d, ]+)\)\)\.setObjects\((.*)$`)
	pythonObject       = regexp.MustCompile(`\("[\w-]+", "(\w+)"\)`)
	pythonWords        = regexp.MustCompile(`(?m)^(\w+) = Mib(?:Scalar|TableColumn)\(\(([\d, ]+)\), [^\n]*NamedValues\(([^\n]*)`)
	pythonWord         = regexp.MustCompile(`\("(\w+)", (\d+)\)`)
)

func pythonModule(t *testing.T, name string) string {
	t.Helper()
	for _, folder := range pythonFolders {
		if text, err := os.ReadFile(filepath.Join(folder, name+".py")); err == nil {
			return string(text)
		}
	}
	t.Fatalf("module %s is in none of %v: are python3-pysnmp4 and python3-pysnmp4-mibs installed?", name, pythonFolders)
	return ""
}

func dotted(tuple string) string {
	return strings.ReplaceAll(strings.ReplaceAll(tuple, ", ", "."), " ", "")
}

// packModules are the modules that packs speak of and that the independent
// compilation has. It is older than BATTERY-MIB (RFC 7577), and egpNeighborLoss
// is a generic trap of RFC 1215, in no SMIv2 module.
func packModules() []string {
	var out []string
	for _, n := range mib.Standard().Notifications() {
		if !slices.Contains([]string{"BATTERY-MIB", "KESTREL-REMOTE-MIB", "RFC1213-MIB"}, n.Module) && !slices.Contains(out, n.Module) {
			out = append(out, n.Module)
		}
	}
	return out
}

// TestPacksAgainstPython compares every notification of every module that packs
// speak of with the independent compilation: none is missing, each has the same
// OID and the same objects, and a rule claims it.
func TestPacksAgainstPython(t *testing.T) {
	claimed := claims(t)
	var got, want []string
	for _, n := range mib.Standard().Notifications() {
		if slices.Contains(packModules(), n.Module) {
			objects := slices.Sorted(slices.Values(n.Objects))
			got = append(got, fmt.Sprintf("%s %s %s claimed=%t", n.Name, n.OID, objects, claimed[n.Name]))
		}
	}
	for _, module := range packModules() {
		for _, m := range pythonNotification.FindAllStringSubmatch(pythonModule(t, module), -1) {
			var objects []string
			for _, o := range pythonObject.FindAllStringSubmatch(m[3], -1) {
				objects = append(objects, o[1])
			}
			slices.Sort(objects)
			want = append(want, fmt.Sprintf("%s %s %s claimed=true", m[1], dotted(m[2]), objects))
		}
	}
	slices.Sort(got)
	slices.Sort(want)
	if len(want) < 30 {
		t.Fatalf("only %d notifications were read there", len(want))
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("-python +ours:\n%s", diff)
	}
}

// TestWordsAgainstPython compares the enumerations that rules map from.
func TestWordsAgainstPython(t *testing.T) {
	checked := 0
	for _, module := range append(packModules(), "ENTITY-SENSOR-MIB") {
		for _, m := range pythonWords.FindAllStringSubmatch(pythonModule(t, module), -1) {
			oid, ok := mib.Standard().Lookup(m[1])
			if !ok {
				continue
			}
			o := mib.Standard().Object(oid)
			if o == nil || len(o.Words) == 0 {
				continue
			}
			want := map[int64]string{}
			for _, w := range pythonWord.FindAllStringSubmatch(m[3], -1) {
				n, err := strconv.ParseInt(w[2], 10, 64)
				if err != nil {
					t.Fatal(err)
				}
				want[n] = w[1]
			}
			got := map[int64]string{}
			for _, w := range o.Words {
				got[w.Number] = w.Word
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("%s -python +ours:\n%s", m[1], diff)
			}
			if dotted(m[2]) != o.OID.String() {
				t.Errorf("%s is %s here and %s there", m[1], o.OID, dotted(m[2]))
			}
			checked++
		}
	}
	if checked < 8 {
		t.Errorf("only %d enumerations were compared", checked)
	}
}
