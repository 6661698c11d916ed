package main

import (
	"bufio"
	"context"
	"errors"
	"io"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/cmd/standwatch/api/apitest"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store/accounts"
)

// looked says at which addresses every page and operation that is read is asked
// for below. A route that is not here fails the test. N is a site in the north,
// S one in the south, D a day.
var looked = map[string][]string{
	"GET /{$}": {"/", "/?site=S", "/?region=south", "/?alarm=S:mains"}, "GET /hand": {"/hand?alarm=N:mains", "/hand?alarm=S:mains"}, "GET /live": {"/live?page=watch", "/live?page=outbox&seq=1", "/live?page=watch&seq=1"},
	"GET /alarms/{id}": {"/alarms/N:mains", "/alarms/S:mains", "/alarms/S:mains?evidence=all"}, "GET /alarms/{id}/explanation": {"/alarms/N:mains/explanation", "/alarms/S:mains/explanation"},
	"GET /sites": {"/sites"}, "GET /sites/{id}": {"/sites/N", "/sites/S"}, "GET /sites/{id}/trend": {"/sites/N/trend?point=battery", "/sites/S/trend?point=battery"}, "GET /wall": {"/wall"}, "GET /sites/{id}/cameras/{n}": {"/sites/S/cameras/0"},
	"GET /history": {"/history", "/history?site=S", "/history?site=N"}, "GET /outbox": {"/outbox"}, "GET /silences": {"/silences"}, "GET /intake": {"/intake"}, "GET /journal": {"/journal"},
	"GET /keys": {"/keys"}, "GET /shift": {"/shift"}, "GET /shifts/{date}/{name}": {"/shifts/D/early", "/shifts/D/early?form=csv"}, "GET /report": {"/report", "/report?form=csv"}, "GET /rosters": {"/rosters"},
	"GET /me": {"/me"}, "GET /tokens": {"/tokens"}, "GET /accounts": {"/accounts"}, "GET /trail": {"/trail"}, "GET /login": {"/login"}, "GET /login/openid": nil, "GET /login/openid/back": nil,
	"GET /assets/{name}": nil, "GET /offline.js": {"/offline.js"}, "GET /manifest.webmanifest": {"/manifest.webmanifest"}, "GET /healthz": {"/healthz"}, "GET /readyz": {"/readyz"}, "GET /metrics": {"/metrics"},

	"GET /api/v1/alarms": {"/api/v1/alarms", "/api/v1/alarms?site=S", "/api/v1/alarms?state=all"}, "GET /api/v1/alarms/{id}": {"/api/v1/alarms/N:mains", "/api/v1/alarms/S:mains"},
	"GET /api/v1/alarms/{id}/explanation": {"/api/v1/alarms/N:mains/explanation", "/api/v1/alarms/S:mains/explanation"}, "GET /api/v1/sentence": {"/api/v1/sentence"},
	"GET /api/v1/silences": {"/api/v1/silences"}, "GET /api/v1/history": {"/api/v1/history", "/api/v1/history?site=S", "/api/v1/history?limit=1000"}, "GET /api/v1/history.csv": {"/api/v1/history.csv", "/api/v1/history.csv?site=S"},
	"GET /api/v1/history.jsonl": {"/api/v1/history.jsonl", "/api/v1/history.jsonl?site=S"}, "GET /api/v1/stream": {"/api/v1/stream"}, "GET /api/v1/sites": {"/api/v1/sites"}, "GET /api/v1/sites/{id}": {"/api/v1/sites/N", "/api/v1/sites/S"},
	"GET /api/v1/rosters": {"/api/v1/rosters"}, "GET /api/v1/rosters/{name}": {"/api/v1/rosters/north"}, "GET /api/v1/rosters/{name}/turns": {"/api/v1/rosters/north/turns"},
	"GET /api/v1/would-tell": {"/api/v1/would-tell?site=N&point=mains", "/api/v1/would-tell?site=S&point=mains"}, "GET /api/v1/intake": {"/api/v1/intake"}, "GET /api/v1/outbox": {"/api/v1/outbox"},
	"GET /api/v1/store": {"/api/v1/store"}, "GET /api/v1/configurations": {"/api/v1/configurations"}, "GET /api/v1/configurations/{hash}": {"/api/v1/configurations/0"}, "GET /api/v1/openapi.json": {"/api/v1/openapi.json"},
	"GET /api/v1/shifts": {"/api/v1/shifts"}, "GET /api/v1/shifts/{date}/{name}": {"/api/v1/shifts/D/early"}, "GET /api/v1/report": {"/api/v1/report"},
}

// leakStory is a centre where something of every kind happened in both regions.
// The words SOUTHERN stand in every text that somebody in the south wrote.
func leakStory(t *testing.T) *guarded {
	g := newGuarded(t, nil)
	submit := func(in correlate.Input) {
		t.Helper()
		if _, err := g.d.ledger.Submit(t.Context(), in); err != nil {
			t.Fatal(err)
		}
	}
	now := time.Now()
	for site, word := range map[string]string{"quarry-gate": "northern", "tern-point": "SOUTHERN"} {
		from := map[string]string{"quarry-gate": "198.51.100.5", "tern-point": "198.51.100.13"}[site]
		key := func(point string) correlate.Key { return apitest.Key(site, point) }
		submit(&correlate.Arrival{From: from + ":4000", Listener: "field", Version: "v2c", Agent: correlate.AgentID(site + "-remote"), TrapOID: ".1.3.6.1.4.1.32473.10.0.1", Datagram: []byte(word + " datagram"), Origin: from,
			Observations: []correlate.Observation{{Key: key("mains"), What: correlate.Raise, Text: word + " mains"}, {Key: key("smoke"), What: correlate.Raise, Text: word + " smoke"}, {Key: key("battery"), What: correlate.Value, Value: 47.3}}})
		submit(&correlate.Arrival{From: from + ":4000", Listener: "field", Version: "v2c", Agent: correlate.AgentID(site + "-remote"), TrapOID: ".1.3.6.1.4.1.32473.99", Datagram: []byte(word + " datagram"), Unmatched: word + " has no rule"})
		submit(&correlate.Notice{Source: "test", Observations: []correlate.Observation{{Key: key("rectifier"), What: correlate.Raise, Text: word + " rectifier"}, {Key: key("tower-light"), What: correlate.Raise, Text: word + " light"}}})
		submit(&correlate.Act{Key: key("rectifier"), Action: correlate.ActNote, Actor: "lead", Via: "test", Text: word + " note"})
		submit(&correlate.Act{Key: correlate.Key{Site: correlate.SiteID(site)}, Action: correlate.ActNote, Actor: "lead", Via: "test", Text: word + " gate is stiff"})
		submit(&correlate.Act{Key: key("tower-light"), Action: correlate.ActShelve, Actor: "lead", Via: "test", Text: word + " shelf", Until: now.Add(time.Hour)})
		submit(&correlate.SetSilence{Kind: correlate.OutOfService, Scopes: []correlate.Scope{{Site: correlate.SiteID(site)}}, Until: now.Add(time.Hour), Reason: word + " works", Actor: "lead", Via: "test"})
	}
	submit(&correlate.SetSilence{Kind: correlate.OutOfService, Scopes: []correlate.Scope{{Site: "quarry-gate"}, {Site: "tern-point"}}, Until: now.Add(2 * time.Hour), Reason: "both", Actor: "lead", Via: "test"})
	submit(&correlate.Handover{Text: "SOUTHERN handover", Actor: "lead", Via: "test"})
	submit(&correlate.ShiftTurn{Name: "early", From: now.Add(-time.Hour), To: now.Add(7 * time.Hour)})
	submit(&correlate.Handover{Text: "SOUTHERN handover again", Actor: "lead", Via: "test"})
	return g
}

// read asks a route and returns its status with all that it says, a stream's
// for as long as it takes to send what it has.
func (p *person) read(path string, header ...string) (int, string) {
	p.g.Helper()
	ctx, cancel := context.WithCancel(p.g.Context())
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, p.g.base+path, nil)
	if err != nil {
		p.g.Fatal(err)
	}
	req.Header.Set("Last-Event-ID", "1") // a stream begins with all that came since
	for i := 0; i+1 < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	res, err := p.Do(req)
	if err != nil {
		p.g.Fatalf("GET %s: %v", path, err)
	}
	defer res.Body.Close()
	if strings.HasPrefix(res.Header.Get("Content-Type"), "text/event-stream") {
		return res.StatusCode, p.g.streamed(res.Body, cancel)
	}
	body, err := io.ReadAll(res.Body)
	if err != nil {
		p.g.Fatal(err)
	}
	return res.StatusCode, string(body)
}

// streamed reads a stream until it tells of a note that is written once the
// stream is open, so that what came before was sent.
func (g *guarded) streamed(body io.Reader, cancel func()) string {
	g.Helper()
	const last = "the last word of the story"
	over := time.AfterFunc(time.Minute, cancel)
	defer over.Stop()
	if _, err := g.d.ledger.Submit(g.Context(), &correlate.Act{Key: apitest.Key("quarry-gate", "rectifier"), Action: correlate.ActNote, Actor: "lead", Via: "test", Text: last}); err != nil {
		g.Fatal(err)
	}
	var out strings.Builder
	lines := bufio.NewReader(body)
	for frames := 0; ; {
		line, err := lines.ReadString('\n')
		out.WriteString(line)
		// A page's frame is of all that stands, and need not have the note.
		if frame := strings.HasPrefix(line, "event: frame"); frame {
			frames++
		}
		if strings.Contains(line, last) || frames > 0 && line == "\n" {
			return out.String()
		}
		if err != nil {
			if !errors.Is(err, context.Canceled) {
				g.Errorf("a stream ended: %v", err)
			}
			return out.String()
		}
	}
}

// everywhere reads every route as somebody and hands over what each says.
func everywhere(p *person, at func(address string, status int, body string), header ...string) {
	p.g.Helper()
	day := time.Now().In(p.g.d.current().Centre.Zone).Format("2006-01-02")
	fill := strings.NewReplacer("N:", "quarry-gate:", "S:", "tern-point:", "/N", "/quarry-gate", "/S", "/tern-point", "=N", "=quarry-gate", "=S", "=tern-point", "/D/", "/"+day+"/")
	for _, rt := range served() {
		if !strings.HasPrefix(rt.Pattern, "GET ") {
			continue
		}
		addresses, listed := looked[rt.Pattern]
		if !listed {
			p.g.Errorf("%s is not looked at here: write down at which addresses it is to be asked", rt.Pattern)
		}
		for _, address := range addresses {
			address = fill.Replace(address)
			status, body := p.read(address, header...)
			if status >= 500 {
				p.g.Errorf("GET %s: %d\n%s", address, status, p.g.log.String())
			}
			at(address, status, body)
		}
	}
}

// codesOf are the codes that take something now.
func (g *guarded) codesOf() (codes []string) {
	g.d.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		for _, o := range st.CallOuts {
			codes = append(codes, o.Code)
		}
		for _, m := range st.Messages {
			if m.Code != "" {
				codes = append(codes, m.Code)
			}
		}
	})
	return codes
}

// By the code of a message whoever can send in another's name takes an alarm.
// Those who may only look are shown it nowhere, and those who may take it
// anyway are.
func TestCodesAreForThoseWhoMayTake(t *testing.T) {
	g := leakStory(t)
	codes := g.codesOf()
	if len(codes) < 2 {
		t.Fatalf("codes %v", codes)
	}
	// Somebody sent one in, and it came too late.
	if _, err := g.d.ledger.Submit(t.Context(), &correlate.Reply{Gateway: "sms", From: "+13035550111", Person: "north-a", Text: strings.ToLower(codes[0]) + " ok", Code: codes[0], Say: codes[0] + " was taken by somebody."}); err != nil {
		t.Fatal(err)
	}
	for _, who := range []struct {
		name string
		role accounts.Role
		may  bool
	}{{"looker", accounts.Look, false}, {"operator", accounts.Operate, true}} {
		g.add(who.name, who.role, accounts.Scope{})
		found := map[string]bool{}
		everywhere(g.login(who.name, passphrase), func(address string, status int, body string) {
			for _, code := range codes {
				if strings.Contains(strings.ToUpper(body), code) {
					found[address] = true
				}
			}
		})
		if !who.may && len(found) > 0 {
			t.Errorf("%s is shown codes at %v", who.name, found)
		}
		if who.may && (!found["/outbox"] || !found["/api/v1/outbox"] || !found["/api/v1/history.jsonl"] || !found["/api/v1/stream"]) {
			t.Errorf("%s is shown codes at %v only", who.name, found)
		}
	}
	// A screen with a token that may only look, whoever made it.
	g.add("chief", accounts.Administer, accounts.Scope{})
	bearer := "Bearer " + g.token("chief", accounts.Look, accounts.Scope{})
	everywhere(g.browser(), func(address string, status int, body string) {
		if slices.ContainsFunc(codes, func(code string) bool { return strings.Contains(body, code) }) {
			t.Errorf("a token that may look is shown a code at %s", address)
		}
	}, "Authorization", bearer)
}

// south is what somebody who sees the north must not read anywhere: names,
// agents and addresses of the sites of the other region, and what was written
// about them. Rosters are of the whole centre, and "south" stands in theirs.
var south = regexp.MustCompile(`(?i)SOUTHERN|tern-point|tern point|south-hub|south hub|sallow|198\.51\.100\.1[1-9]|127\.9\.2\.`)

// namesItself reports whether an address names a site of the south, so that the
// answer may say that name back and no more.
func namesItself(address string) bool { return strings.Contains(address, "tern-point") }

// Somebody who sees one region learns nothing of another: no name, and no count.
func TestOneRegionLearnsNothingOfAnother(t *testing.T) {
	g := leakStory(t)
	north := accounts.NewScope(nil, []string{"north"})
	for _, role := range accounts.Roles() {
		name := "north-" + role.String()
		g.add(name, role, north)
		p := g.login(name, passphrase)
		seen := map[string]bool{}
		everywhere(p, func(address string, status int, body string) {
			if namesItself(address) {
				body = strings.NewReplacer("tern-point:mains", "", "tern-point", "").Replace(body)
			}
			if at := south.FindStringIndex(body); at != nil {
				if accountsOnly := strings.HasPrefix(address, "/accounts") || address == "/trail"; !accountsOnly {
					t.Errorf("%s reads of the south at %s: ...%s...", name, address, body[max(0, at[0]-120):min(len(body), at[1]+80)])
				}
			}
			seen[address] = status == http.StatusOK
		})
		for _, address := range []string{"/", "/outbox", "/history", "/api/v1/history.csv", "/api/v1/stream", "/live?page=watch", "/sites/quarry-gate", "/report"} {
			if !seen[address] {
				t.Errorf("%s does not see %s at all", name, address)
			}
		}
		if seen["/metrics"] || seen["/sites/tern-point"] || seen["/api/v1/alarms/tern-point:mains"] {
			t.Errorf("%s sees what is of the whole centre or the south", name)
		}
	}
}
