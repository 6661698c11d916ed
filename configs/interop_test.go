//go:build interop

package configs

import (
	"os"
	"regexp"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"example.net/standwatch/correlate"
)

// pythonWords reads an enumeration out of Debian's python3-pysnmp4-mibs, an
// independent compilation of the standard modules.
func pythonWords(t *testing.T, module, convention string) []string {
	t.Helper()
	text, err := os.ReadFile("/usr/lib/python3/dist-packages/pysnmp_mibs/" + module + ".py")
	if err != nil {
		t.Fatalf("is python3-pysnmp4-mibs installed? %v", err)
	}
	class := regexp.MustCompile(`(?s)class ` + convention + `\(.*?namedValues = NamedValues\((.*?)\n`).FindSubmatch(text)
	if class == nil {
		t.Fatalf("%s has no %s", module, convention)
	}
	var out []string
	for _, m := range regexp.MustCompile(`\("(\w+)", \d+\)`).FindAllSubmatch(class[1], -1) {
		out = append(out, string(m[1]))
	}
	slices.Sort(out)
	return out
}

// TestProbableCausesAgainstPython compares the causes that a point may have with
// IANAItuProbableCause (RFC 3877).
func TestProbableCausesAgainstPython(t *testing.T) {
	want := pythonWords(t, "IANA-ITU-ALARM-TC-MIB", "IANAItuProbableCause")
	if diff := cmp.Diff(want, slices.Sorted(slices.Values(probableCauses()))); diff != "" {
		t.Errorf("-python +ours:\n%s", diff)
	}
}

// TestSeveritiesAgainstPython compares the severities with ItuPerceivedSeverity
// (RFC 3877, ITU-ALARM-TC-MIB).
func TestSeveritiesAgainstPython(t *testing.T) {
	got := []string{correlate.Cleared.String()}
	for _, s := range correlate.Severities() {
		got = append(got, s.String())
	}
	slices.Sort(got)
	if diff := cmp.Diff(pythonWords(t, "ITU-ALARM-TC-MIB", "ItuPerceivedSeverity"), got); diff != "" {
		t.Errorf("-python +ours:\n%s", diff)
	}
}
