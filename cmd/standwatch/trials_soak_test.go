//go:build trials

package main

import (
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"testing"
)

// soakRules let a load raise and clear the same alarms for ever.
const soakRules = `rules:
  - name: counted no more
    on: 1.3.6.1.4.1.32473.20.0.2
    observe: [{point: counted, instance: "${#1}", what: clear}]
`

// vital is what must stay flat.
type vital struct {
	memory     int // KiB resident, but for mapped files, which the kernel takes back
	goroutines int
	records    int
	octets     int
}

// TestTrialSoak sends the traps of many hours in a few minutes, at a rate that the
// daemon keeps up with, and looks whether anything grows beside the journal. What
// depends on hours rather than on traps, such as letting history go, is not hurried.
func TestTrialSoak(t *testing.T) {
	t.Attr("promised", "no trap is lost at this rate; memory and goroutines stay as they are; each record takes as much disk as the one before")
	tr := newTrialOf(t, &trial{extra: map[string]string{"rules/soak.yaml": soakRules}})
	path, err := binary()
	if err != nil {
		t.Fatal(err)
	}
	const windows, rate = 8, 2000
	each := trialRounds(t, 15_000)
	var seen []vital
	for range windows {
		before := tr.vital(t).records
		out, err := exec.Command(path, "send", "--target", tr.traps, "--community", trialCommunity, "--from", trialAgents[1].address, "--count", fmt.Sprint(each), "--rate", fmt.Sprint(rate),
			"--trap", "1.3.6.1.4.1.32473.20.0.1", "--trap", "1.3.6.1.4.1.32473.20.0.2", "--varbind", "1.3.6.1.4.1.32473.20.1.1.0=text:soak-#").CombinedOutput()
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		tr.eventually(t, "everything sent is in the journal", func() bool { return tr.vital(t).records >= before+each })
		seen = append(seen, tr.vital(t))
	}
	second, last := seen[1], seen[windows-1] // in the first, caches fill
	perRecord := func(a, b vital) float64 { return float64(b.octets-a.octets) / float64(b.records-a.records) }
	half := seen[windows/2-1]
	early, late := perRecord(seen[0], half), perRecord(half, last)
	if last.goroutines > second.goroutines+10 {
		t.Errorf("%d goroutines became %d", second.goroutines, last.goroutines)
	}
	if last.memory > second.memory*3/2 {
		t.Errorf("%d KiB of memory became %d", second.memory, last.memory)
	}
	if late > early*3/2 {
		t.Errorf("a record took %.0f octets and takes %.0f", early, late)
	}
	t.Attr("tried", fmt.Sprintf("%d traps at %d a second, that is %.1f hours of one a second; memory %d to %d MiB, goroutines %d to %d, octets a record %.0f to %.0f",
		windows*each, rate, float64(windows*each)/3600, second.memory>>10, last.memory>>10, second.goroutines, last.goroutines, early, late))
	t.Attr("lost", "0, by the count of records")
}

var goroutinesLine = regexp.MustCompile(`(?m)^go_goroutines (\d+)$`)

// vital asks the daemon and the kernel how the daemon is.
func (tr *trial) vital(t *testing.T) (v vital) {
	t.Helper()
	var held struct{ Last, Octets int }
	tr.get(t, "/api/v1/store", &held)
	v.records, v.octets = held.Last, held.Octets
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+tr.console+"/metrics", nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+tr.token)
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	found := goroutinesLine.FindSubmatch(body)
	if found == nil {
		t.Fatalf("no goroutines in the metrics\n%s", body)
	}
	v.goroutines, _ = strconv.Atoi(string(found[1])) // digits, by the expression
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", tr.cmd.Process.Pid))
	if err != nil {
		t.Fatal(err)
	}
	v.memory = int(numbers(status, ":")["RssAnon"])
	if v.memory == 0 || v.records == 0 || v.octets == 0 {
		t.Fatalf("looked in vain: %+v", v)
	}
	return v
}
