package main

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/cmd/standwatch/console"
	"example.net/standwatch/store/accounts"
)

// leastRole says for every page and operation who may, in words of its own: a
// route that is not here fails the test, and so does one whose permission was
// changed without a thought. "nobody" needs no login, "look all" all sites.
var leastRole = map[string]string{
	"GET /{$}": "look", "GET /wall": "look", "GET /hand": "look", "GET /live": "look", "GET /alarms/{id}": "look", "POST /alarms/{id}/{action}": "operate",
	"GET /sites": "look", "GET /sites/{id}": "look", "GET /sites/{id}/cameras/{n}": "look", "GET /sites/{id}/trend": "look", "GET /history": "look", "GET /outbox": "look",
	"GET /intake": "look", "POST /intake/run-again": "supervise", "GET /journal": "look all", "GET /keys": "look",
	"GET /login": "nobody", "POST /login": "nobody", "POST /login/token": "nobody", "GET /login/openid": "nobody", "GET /login/openid/back": "nobody", "POST /logout": "nobody",
	"GET /me": "look", "POST /me/password": "look", "POST /me/sessions/{id}/end": "look", "POST /me/sessions/end-others": "look",
	"GET /tokens": "look", "POST /tokens": "look", "POST /tokens/{id}/end": "look",
	"GET /accounts": "administer", "POST /accounts": "administer", "POST /accounts/{name}/{change}": "administer", "POST /sessions/{id}/end": "administer", "GET /trail": "supervise",

	"GET /api/v1/alarms": "look", "GET /api/v1/alarms/{id}": "look", "POST /api/v1/alarms/{id}/acknowledge": "operate", "POST /api/v1/alarms/{id}/note": "operate",
	"POST /api/v1/alarms/{id}/shelve": "operate", "POST /api/v1/alarms/{id}/unshelve": "operate", "GET /api/v1/sentence": "look", "GET /api/v1/history": "look", "GET /api/v1/history.csv": "look", "GET /api/v1/history.jsonl": "look",
	"GET /api/v1/stream": "look", "GET /api/v1/sites": "look", "GET /api/v1/sites/{id}": "look", "GET /api/v1/rosters": "look", "GET /api/v1/rosters/{name}": "look",
	"GET /api/v1/intake": "look", "POST /api/v1/intake/run-again": "supervise", "GET /api/v1/outbox": "look", "GET /api/v1/store": "look all",
	"GET /api/v1/configurations": "look all", "GET /api/v1/configurations/{hash}": "look all", "GET /api/v1/openapi.json": "look",

	"POST /alarms": "operate", "POST /alarms/{id}/ask": "operate", "POST /sites/{id}/ask": "operate", "POST /sites/{id}/note": "operate", "POST /api/v1/sites/{id}/note": "operate", "GET /rosters": "look", "POST /rosters/{name}/stand-ins": "supervise",
	"POST /rosters/{name}/stand-ins/{id}/end": "supervise", "GET /alarms/{id}/explanation": "look",
	"POST /api/v1/alarms/{id}/ask": "operate", "POST /api/v1/sites/{id}/ask": "operate", "GET /silences": "look", "POST /silences": "operate", "POST /silences/{id}/end": "operate", "GET /api/v1/silences": "look", "POST /api/v1/silences": "operate",
	"POST /api/v1/silences/{id}/end": "operate", "GET /api/v1/rosters/{name}/turns": "look", "POST /api/v1/rosters/{name}/stand-ins": "supervise",
	"POST /api/v1/rosters/{name}/stand-ins/{id}/end": "supervise", "GET /api/v1/alarms/{id}/explanation": "look", "GET /api/v1/would-tell": "look",

	"GET /shift": "look", "GET /shifts/{date}/{name}": "look", "GET /report": "look", "POST /handover": "operate",
	"GET /api/v1/shifts": "look", "GET /api/v1/shifts/{date}/{name}": "look", "GET /api/v1/report": "look", "POST /api/v1/handover": "operate", "POST /api/v1/handover/read": "operate",

	"GET /metrics": "look all", "GET /healthz": "nobody", "GET /readyz": "nobody", "GET /assets/{name}": "nobody", "GET /offline.js": "nobody", "GET /manifest.webmanifest": "nobody",
}

// byInput are the addresses whose input may reach further than the sites that a
// person sees, which package scoped decides.
var byInput = []string{"/rosters/{name}/stand-ins/{id}/end", "/api/v1/rosters/{name}/stand-ins/{id}/end", "/handover", "/api/v1/handover", "/api/v1/handover/read", "/silences/{id}/end", "/api/v1/silences/{id}/end"}

// served are the routes of both handlers, and those that stand beside them.
func served() []access.Route {
	routes := slices.Concat(console.Routes(), api.Routes())
	for _, pattern := range []string{"GET /metrics", "GET /healthz", "GET /readyz", "GET /assets/{name}", "GET /offline.js", "GET /manifest.webmanifest"} {
		routes = append(routes, access.Route{Pattern: pattern})
	}
	return routes
}

func TestEveryRouteIsInTheTable(t *testing.T) {
	there := map[string]bool{}
	for _, rt := range served() {
		there[rt.Pattern] = true
		if leastRole[rt.Pattern] == "" {
			t.Errorf("%s is not in the table of who may: write down who, and why nobody else", rt.Pattern)
		}
	}
	for pattern := range leastRole {
		if !there[pattern] {
			t.Errorf("%s is in the table and served by nobody", pattern)
		}
	}
}

// TestWhoMayAndWhoMayNot asks every route as nobody, as each role, as somebody
// who sees one region, and with a token and a screen's session, over HTTP.
func TestWhoMayAndWhoMayNot(t *testing.T) {
	g := newGuarded(t, nil)
	key := g.raise("harrow-knoll", "rectifier", "")
	type asker struct {
		name string
		role accounts.Role // 0: nobody
		all  bool
		own  bool // may change an account of their own
		*person
		header []string
	}
	askers := []asker{{name: "nobody", person: g.browser()}}
	for _, role := range accounts.Roles() {
		g.add(role.String()+"-desk", role, accounts.Scope{})
		askers = append(askers, asker{name: role.String(), role: role, all: true, own: true, person: g.login(role.String()+"-desk", passphrase)})
	}
	north := accounts.NewScope(nil, []string{"north"})
	g.add("north-desk", accounts.Supervise, north)
	askers = append(askers, asker{name: "north", role: accounts.Supervise, own: true, person: g.login("north-desk", passphrase)})
	bearer := "Bearer " + g.token("administer-desk", accounts.Administer, accounts.Scope{})
	askers = append(askers, asker{name: "token", role: accounts.Administer, all: true, person: g.browser(), header: []string{"Authorization", bearer}})
	screen := g.browser()
	if r := screen.post("/login/token", map[string][]string{"token": {g.token("administer-desk", accounts.Administer, accounts.Scope{})}}); r.status != http.StatusSeeOther {
		t.Fatalf("screen: %d", r.status)
	}
	askers = append(askers, asker{name: "screen", role: accounts.Look, all: true, person: screen})

	path := strings.NewReplacer("{$}", "", "{id}", string(key.ID()), "{action}", "nothing", "{n}", "0", "{name}", "no-such", "{change}", "nothing", "{hash}", "0")
	for _, rt := range served() {
		method, address, _ := strings.Cut(rt.Pattern, " ")
		if rt.Pattern == "POST /logout" || strings.HasSuffix(rt.Pattern, "/end-others") {
			continue // would end the sessions that ask; tested by themselves
		}
		least := leastRole[rt.Pattern]
		role, all := strings.CutSuffix(least, " all")
		needs, _ := accounts.ParseRole(role) // 0 for nobody
		about := rt.Needs == access.Self || rt.Needs == access.Manage
		for _, a := range askers {
			want := a.role >= needs && (!all || a.all) && (!about || a.own)
			body, kind := "", "application/x-www-form-urlencoded"
			if strings.HasPrefix(address, "/api/") {
				kind = "application/json"
			}
			// A stream answers as soon as it may; nobody waits for its end.
			ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
			status := a.status(ctx, method, path.Replace(address), body, append([]string{"Content-Type", kind, "Accept", "application/problem+json"}, a.header...)...)
			cancel()
			refused := status == http.StatusUnauthorized || status == http.StatusForbidden
			switch {
			case needs == 0 && status == http.StatusUnauthorized:
				t.Errorf("%s as %s: %d, and nobody needs to log in for it", rt.Pattern, a.name, status)
			case needs == 0:
			case want && refused && !a.all && slices.Contains(byInput, address):
				// Their sites are looked at where the input is handed in.
			case want && refused:
				t.Errorf("%s as %s: %d, and they may", rt.Pattern, a.name, status)
			case !want && !refused:
				t.Errorf("%s as %s: %d, and they may not", rt.Pattern, a.name, status)
			case a.role == 0 && status != http.StatusUnauthorized:
				t.Errorf("%s as nobody: %d, want 401", rt.Pattern, status)
			}
		}
	}
}

// status asks and returns the status, without waiting for a body.
func (p *person) status(ctx context.Context, method, path, body string, header ...string) int {
	p.g.Helper()
	req, err := http.NewRequestWithContext(ctx, method, p.g.base+path, strings.NewReader(body))
	if err != nil {
		p.g.Fatal(err)
	}
	for i := 0; i+1 < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	res, err := p.Do(req)
	if err != nil {
		p.g.Fatalf("%s %s: %v", method, path, err)
	}
	if err := res.Body.Close(); err != nil && !errors.Is(err, context.Canceled) {
		p.g.Fatal(err)
	}
	return res.StatusCode
}
