package main

import (
	"bytes"
	"net/http"
	"regexp"
	"strings"
	"testing"
)

// command runs a command of the program against the daemon and returns what
// it writes.
func (c *called) command(args ...string) (string, error) {
	c.Helper()
	var out bytes.Buffer
	root := newRootCommand()
	root.SetOut(&out)
	root.SetErr(&out)
	root.SetArgs(append(args, "--url", c.base))
	err := root.ExecuteContext(c.Context())
	return out.String(), err
}

// withRoster gives the trial a roster.
func withRoster(files map[string]string) {
	files["people.yaml"] = strings.Replace(files["people.yaml"], "ladders:", `rosters:
  crew: {name: Crew, time-zone: America/Denver, turns: [{people: north, start: 2026-01-05, hand-over: "08:00", every: week}]}
ladders:
  crew: {rungs: [{tell: [{roster: crew}], wait: 10m}]}`, 1)
	files["people.yaml"] = strings.Replace(files["people.yaml"], "routes: [", "routes: [{name: doors, points: door, ladder: crew}, ", 1)
}

func TestRosterCommand(t *testing.T) {
	c := newCalled(t, withRoster)
	if out, err := c.command("roster", "list"); err != nil || !strings.HasPrefix(out, "crew (Crew): North crew") {
		t.Errorf("list: %v\n%s", err, out)
	}
	out, err := c.command("roster", "stand-in", "crew", "--person", "south", "--from", "2026-01-05T00:00:00Z", "--to", "2026-12-31T23:00:00Z", "--why", "ill")
	if err != nil || !strings.HasPrefix(out, "Agreed as s") {
		t.Fatalf("stand-in: %v\n%s", err, out)
	}
	id := regexp.MustCompile(`s[0-9]+`).FindString(out)
	if out, err := c.command("roster", "list"); err != nil || !strings.HasPrefix(out, "crew (Crew): South crew") {
		t.Errorf("list: %v\n%s", err, out)
	}
	if out, err := c.command("roster", "show", "crew"); err != nil || !strings.Contains(out, "South crew (stands in)") || !strings.Contains(out, "stand-in "+id+": south for whoever is on call") {
		t.Errorf("show: %v\n%s", err, out)
	}
	c.raise("door")
	c.text("+13035550112", "Door open")
	if out, err := c.command("roster", "end", "crew", id); err != nil {
		t.Errorf("end: %v\n%s", err, out)
	}
	if out, err := c.command("roster", "list"); err != nil || !strings.HasPrefix(out, "crew (Crew): North crew") {
		t.Errorf("list: %v\n%s", err, out)
	}
	if out, err := c.command("roster", "swap", "crew", "--person", "north", "--from", "2027-01-05T00:00:00Z", "--to", "2027-01-06T00:00:00Z", "--with", "south",
		"--with-from", "2027-02-05T00:00:00Z", "--with-to", "2027-02-05T00:00:00Z"); err == nil || len(c.d.planNow().StandIns("crew")) != 1 {
		t.Errorf("half a swap is left: %v\n%s", err, out)
	}
}

func TestExplainCommand(t *testing.T) {
	c := newCalled(t, withRoster)
	k := c.raise("door")
	code := codeIn.FindString(c.text("+13035550111", "Door open"))
	c.post("/in/sms", "application/json", `{"from":"+13035550111","text":"`+code+`"}`, bearer)
	c.text("+13035550111", "You have taken")
	out, err := c.command("explain", string(k.ID()))
	for _, words := range []string{"found by this program itself (test)", "raised", "by ladder crew, code " + code, "for north over sms to +13035550111: MINOR Harrow Knoll: Door open", `accepted: the gateway said "200 OK`,
		"north over sms said: " + code, "taken by north by sms"} {
		if err != nil || !strings.Contains(out, words) {
			t.Errorf("it lacks %q (%v):\n%s", words, err, out)
		}
	}
	if out, err := c.command("explain", "--would", "harrow-knoll/door", "--at", "Sat 03:00"); err != nil || !strings.Contains(out, "Route doors, ladder crew.") || !strings.Contains(out, "03:00:00  North crew over sms, +13035550111") {
		t.Errorf("%v\n%s", err, out)
	}
	if out, err := c.command("explain", "--would", "harrow-knoll/none"); err == nil {
		t.Errorf("no such point: %s", out)
	}
}

func TestCalendar(t *testing.T) {
	c := newCalled(t, withRoster)
	path := c.d.calendarPath("north")
	if status, text := c.get(path); status != http.StatusOK || !strings.Contains(text, "SUMMARY:On call: Crew") {
		t.Errorf("got %d\n%s", status, text)
	}
	for _, other := range []string{strings.Replace(path, "north", "south", 1), "/calendar/north.ics", "/calendar/nobody." + path[len(path)-8:]} {
		if status, _ := c.get(other); status != http.StatusNotFound {
			t.Errorf("%s: got %d", other, status)
		}
	}
}

// TestCalendarFile: holidays come from a file of the configuration folder.
func TestCalendarFile(t *testing.T) {
	c := newCalled(t, func(files map[string]string) {
		withRoster(files)
		files["calendars/state.ics"] = "BEGIN:VEVENT\r\nDTSTART;VALUE=DATE:20260101\r\nRRULE:FREQ=DAILY\r\nEND:VEVENT\r\n"
		files["people.yaml"] = strings.Replace(files["people.yaml"], "people:", "calendars: {state: {file: calendars/state.ics}}\npeople:", 1)
		files["people.yaml"] = strings.Replace(files["people.yaml"], "points: door,", `points: door, hours: [{from: "00:00", to: "00:00", except: state}],`, 1)
	})
	if out, err := c.command("explain", "--would", "harrow-knoll/door", "--at", "2026-05-01 12:00"); err != nil || !strings.Contains(out, "Route all") {
		t.Errorf("%v\n%s", err, out)
	}
}
