package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
	"example.net/standwatch/store/accounts"

	"github.com/rs/zerolog"
)

// TestFirstStart: one administrator with a printed password that has to be
// changed before anything else, and another one at each start until it was.
func TestFirstStart(t *testing.T) {
	g := newGuarded(t, nil)
	m := regexp.MustCompile(`password +(\S+)`).FindStringSubmatch(g.said.String())
	if m == nil {
		t.Fatalf("no password was printed: %q", g.said)
	}
	if strings.Contains(g.log.String(), m[1]) {
		t.Error("the password is in the log")
	}
	p := g.login("administrator", m[1])
	if r := p.get("/"); r.status != http.StatusSeeOther || r.header.Get("Location") != "/me" {
		t.Errorf("before the change the watch answers %d to %s", r.status, r.header.Get("Location"))
	}
	if r := p.get("/api/v1/alarms"); r.status != http.StatusForbidden || !strings.Contains(r.body, "has to be changed") {
		t.Errorf("before the change the API answers %d %s", r.status, r.body)
	}
	form := url.Values{"old": {m[1]}, "new": {passphrase}, "again": {"something else entirely"}}
	if r := p.post("/me/password", form); r.status != http.StatusUnprocessableEntity {
		t.Errorf("two different new ones: %d", r.status)
	}
	form.Set("again", passphrase)
	if r := p.post("/me/password", form); r.status != http.StatusOK || !strings.Contains(r.body, "The password is changed") {
		t.Fatalf("change: %d %s", r.status, r.body)
	}
	if r := p.get("/"); r.status != http.StatusOK || !strings.Contains(r.body, "You act as <b>administrator</b>") {
		t.Errorf("after the change: %d", r.status)
	}
}

// TestNobodyFromOutsideBeforeTheFirstLogin: a console that could be reached
// from elsewhere is not opened while only a printed password is there.
func TestNobodyFromOutsideBeforeTheFirstLogin(t *testing.T) {
	cfg := guardedConfig(t, func(c *configs.Config) { c.Console.Listen = "0.0.0.0:0" })
	data := t.TempDir()
	start := func() error {
		d, err := newDaemon(t.Context(), daemonOptions{Config: cfg, Data: data, Log: zerolog.Nop(), Now: time.Now, Login: true, Hashing: cheap})
		if err == nil {
			// It was only to be opened; what it holds is given back as after a failure.
			err = errors.Join(d.webAt.Close(), d.control.close(), d.store.Close())
		}
		return err
	}
	if err := start(); !errors.Is(err, errOpenToAll) || !strings.Contains(err.Error(), "standwatch user add") {
		t.Fatalf("without accounts: %v", err)
	}
	if _, err := askUser(t.Context(), data, userQuestion{Do: "add", Name: "administrator", Role: "administer"}, nil); err != nil {
		t.Fatal(err)
	}
	if err := start(); !errors.Is(err, errOpenToAll) {
		t.Errorf("with a password that works once: %v", err)
	}
	if _, err := askUser(t.Context(), data, userQuestion{Do: "password", Name: "administrator", Password: passphrase}, nil); err != nil {
		t.Fatal(err)
	}
	if err := start(); err != nil {
		t.Errorf("with a password of their own: %v", err)
	}
}

// TestLoginLeadsBack: a page asked for without login comes after it.
func TestLoginLeadsBack(t *testing.T) {
	g := newGuarded(t, nil)
	g.add("desk", accounts.Operate, accounts.Scope{})
	p := g.browser()
	r := p.get("/history?site=harrow-knoll")
	if r.status != http.StatusSeeOther || r.header.Get("Location") != "/login?next=%2Fhistory%3Fsite%3Dharrow-knoll" {
		t.Fatalf("%d to %s", r.status, r.header.Get("Location"))
	}
	if r = p.get(r.header.Get("Location")); !strings.Contains(r.body, `value="/history?site=harrow-knoll"`) {
		t.Errorf("the form does not keep where it leads: %s", r.body)
	}
	r = p.post("/login", url.Values{"name": {"desk"}, "password": {passphrase}, "next": {"/history?site=harrow-knoll"}})
	if r.header.Get("Location") != "/history?site=harrow-knoll" || !strings.Contains(r.header.Get("Set-Cookie"), "HttpOnly; SameSite=Lax") {
		t.Errorf("leads to %s with %s", r.header.Get("Location"), r.header.Get("Set-Cookie"))
	}
	if r = p.post("/logout", nil); r.status != http.StatusSeeOther {
		t.Errorf("logout: %d", r.status)
	}
	if r = p.get("/history"); r.status != http.StatusSeeOther {
		t.Errorf("after the logout: %d", r.status)
	}
	if r = p.do("GET", "/history", "", "Accept", "application/problem+json"); r.status != http.StatusUnauthorized {
		t.Errorf("the script gets %d", r.status)
	}
}

// stream opens one of the streams and reads its first lines.
func (p *person) stream(path string, header ...string) *http.Response {
	p.g.Helper()
	ctx, cancel := context.WithTimeout(p.g.Context(), 20*time.Second)
	p.g.Cleanup(cancel)
	req, err := http.NewRequestWithContext(ctx, "GET", p.g.base+path, nil)
	if err != nil {
		p.g.Fatal(err)
	}
	for i := 0; i+1 < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	res, err := p.Do(req)
	if err != nil {
		p.g.Fatal(err)
	}
	p.g.Cleanup(func() { res.Body.Close() })
	return res
}

// TestAnEndedSessionEndsItsStreams, and so does another role.
func TestAnEndedSessionEndsItsStreams(t *testing.T) {
	g := newGuarded(t, nil)
	g.add("desk", accounts.Operate, accounts.Scope{})
	g.add("boss", accounts.Administer, accounts.Scope{})
	boss, desk := g.login("boss", passphrase), g.login("desk", passphrase)
	ends := map[string]func() error{
		"another role": func() error {
			return g.d.door.book.SetRole(t.Context(), accounts.By{Actor: "boss"}, "desk", accounts.Look)
		},
		"an end by an administrator": func() error {
			for _, s := range g.d.door.book.Sessions() {
				if s.Account == "desk" {
					if r := boss.post("/sessions/"+s.ID+"/end", nil); r.status != http.StatusSeeOther {
						return fmt.Errorf("end: %d", r.status)
					}
				}
			}
			return nil
		},
	}
	for _, what := range []string{"another role", "an end by an administrator"} {
		for _, path := range []string{"/live?page=watch", "/api/v1/stream"} {
			if what == "an end by an administrator" {
				desk = g.login("desk", passphrase)
			}
			res := desk.stream(path)
			if _, err := bufio.NewReader(res.Body).ReadString('\n'); err != nil || res.StatusCode != http.StatusOK {
				t.Fatalf("%s: %d, %v", path, res.StatusCode, err)
			}
			if err := ends[what](); err != nil {
				t.Fatal(err)
			}
			ended := make(chan error, 1)
			go func() { _, err := io.Copy(io.Discard, res.Body); ended <- err }()
			select {
			case <-ended:
			case <-time.After(time.Minute):
				t.Errorf("%s goes on after %s", path, what)
			}
		}
	}
	if r := desk.get("/"); r.status != http.StatusSeeOther {
		t.Errorf("the ended session still sees the watch: %d", r.status)
	}
}

func TestAPersonMayOpenSoManyStreams(t *testing.T) {
	g := newGuarded(t, nil)
	g.add("desk", accounts.Look, accounts.Scope{})
	p := g.login("desk", passphrase)
	opened, last := 0, 0
	for range 40 {
		if last = p.stream("/live?page=watch").StatusCode; last != http.StatusOK {
			break
		}
		opened++
	}
	if opened != 24 || last != http.StatusServiceUnavailable {
		t.Errorf("%d streams were opened, then %d", opened, last)
	}
}

// TestSeesOnlyTheirSites asks all pages and operations that list anything, and
// the stream, as somebody of one region.
func TestSeesOnlyTheirSites(t *testing.T) {
	g := newGuarded(t, nil)
	other := map[string]correlate.Key{}
	var own, hidden correlate.Key
	g.d.ledger.Read(func(_ *correlate.State, net *correlate.Network) {
		for _, id := range net.Sites() {
			if s := net.Site(id); s.Region != "" && s.Points["rectifier"] != nil {
				other[s.Region] = correlate.Key{Site: id, Point: "rectifier"}
			}
		}
	})
	if len(other) < 2 {
		t.Fatalf("the example has the regions %v", other)
	}
	own, hidden = other["north"], other["south"]
	for _, k := range []correlate.Key{own, hidden} {
		g.raise(string(k.Site), "rectifier", "Words of "+string(k.Site))
	}
	g.add("north-desk", accounts.Supervise, accounts.NewScope(nil, []string{"north"}))
	p := g.login("north-desk", passphrase)
	token := "Bearer " + g.token("north-desk", accounts.Operate, accounts.Scope{})
	for _, path := range []string{"/", "/sites", "/history", "/outbox", "/intake", "/trail", "/api/v1/alarms?state=all", "/api/v1/sites", "/api/v1/history?limit=1000", "/api/v1/outbox", "/api/v1/intake", "/api/v1/sentence"} {
		for _, r := range []reply{p.get(path), g.browser().do("GET", path, "", "Authorization", token)} {
			if r.status != http.StatusOK && path != "/trail" {
				t.Errorf("%s: %d", path, r.status)
			}
			if strings.Contains(r.body, string(hidden.Site)) {
				t.Errorf("%s tells of %s:\n%.600s", path, hidden.Site, r.body)
			}
		}
	}
	if r := p.get("/"); !strings.Contains(r.body, string(own.Site)) {
		t.Errorf("the watch does not show %s", own.Site)
	}
	for _, path := range []string{"/alarms/" + string(hidden.ID()), "/sites/" + string(hidden.Site), "/hand?alarm=" + string(hidden.ID()), "/api/v1/alarms/" + string(hidden.ID()), "/api/v1/sites/" + string(hidden.Site)} {
		if r := p.get(path); r.status != http.StatusNotFound && strings.Contains(r.body, "Words of") {
			t.Errorf("%s: %d", path, r.status)
		}
	}
	if r := p.do("POST", "/api/v1/alarms/"+string(hidden.ID())+"/acknowledge", ""); r.status != http.StatusNotFound {
		t.Errorf("taking another's alarm: %d %s", r.status, r.body)
	}
	if r := p.do("POST", "/api/v1/alarms/"+string(own.ID())+"/acknowledge", ""); r.status != http.StatusOK || !strings.Contains(r.body, `"acknowledged-by":"north-desk"`) {
		t.Errorf("taking their own: %d %s", r.status, r.body)
	}
	res := p.stream("/api/v1/stream?after=0")
	lines := bufio.NewScanner(res.Body)
	for lines.Scan() && !strings.Contains(lines.Text(), "north-desk") {
		if strings.Contains(lines.Text(), string(hidden.Site)) || strings.Contains(lines.Text(), "event: gap") {
			t.Errorf("the stream says %s", lines.Text())
		}
	}
	if !strings.Contains(lines.Text(), "north-desk") {
		t.Errorf("the stream ended without their own action: %v", lines.Err())
	}
}

// TestEveryActionHasItsActor, on the board, in the journal and on the trail.
func TestEveryActionHasItsActor(t *testing.T) {
	g := newGuarded(t, nil)
	g.add("desk", accounts.Operate, accounts.Scope{})
	g.add("lead", accounts.Supervise, accounts.Scope{})
	key := g.raise("harrow-knoll", "rectifier", "")
	desk, lead := g.login("desk", passphrase), g.login("lead", passphrase)
	alarm := "/alarms/" + string(key.ID())
	for _, do := range []struct {
		who  *person
		path string
		form url.Values
	}{
		{desk, "/take", nil}, {desk, "/note", url.Values{"text": {"on the way"}}}, {lead, "/shelve", url.Values{"text": {"works"}, "for": {"1h"}}}, {lead, "/unshelve", nil},
	} {
		if r := do.who.post(alarm+do.path, do.form); r.status != http.StatusSeeOther {
			t.Fatalf("%s: %d %.300s", do.path, r.status, r.body)
		}
	}
	g.browser().post("/login", url.Values{"name": {"desk"}, "password": {"wrong"}})
	page, err := g.d.store.History(store.Query{Kinds: []correlate.EventKind{5, 6, 7, 8}})
	if err != nil {
		t.Fatal(err)
	}
	var actors []string
	for _, r := range page.Records {
		actors = append(actors, r.Input.(*correlate.Act).Actor)
	}
	if fmt.Sprint(actors) != "[lead lead desk desk]" {
		t.Errorf("the journal has the actors %v", actors)
	}
	all := lead.get("/trail")
	for _, words := range []string{"taken", "noted", "put aside", "brought back", "logged in", "login refused", "account added", "from 127.0.0.1", "on the way"} {
		if !strings.Contains(all.body, words) {
			t.Errorf("the trail lacks %q", words)
		}
	}
	some := lead.get("/trail?actor=LEAD&group=actions+on+alarms")
	if !strings.Contains(some.body, "brought back") || strings.Contains(some.body, "on the way") || strings.Contains(some.body, "logged in") {
		t.Error("the trail's filter shows something else")
	}
	if r := lead.get("/trail?from=2020-01-01T00:00&to=2020-01-02T00:00"); !strings.Contains(r.body, "Nobody did anything like that") {
		t.Error("the trail's span shows something else")
	}
	if r := desk.get("/trail"); r.status != http.StatusForbidden {
		t.Errorf("the trail for an operator: %d", r.status)
	}
	if r := lead.get("/trail?group=nonsense"); r.status != http.StatusBadRequest {
		t.Errorf("a group that is not there: %d", r.status)
	}
}

// TestAccountsOnPages makes, changes and removes an account as an administrator
// does.
func TestAccountsOnPages(t *testing.T) {
	g := newGuarded(t, nil)
	g.add("boss", accounts.Administer, accounts.Scope{})
	boss := g.login("boss", passphrase)
	r := boss.post("/accounts", url.Values{"name": {"new-desk"}, "role": {"operate"}, "regions": {"north"}})
	m := regexp.MustCompile(`<code>([^<]+)</code>`).FindStringSubmatch(r.body)
	if m == nil {
		t.Fatalf("no password was shown: %d %s", r.status, r.body)
	}
	if r := boss.get("/accounts"); strings.Contains(r.body, m[1]) || !strings.Contains(r.body, "region north") {
		t.Error("the password is shown twice, or the account not at all")
	}
	g.login("new-desk", m[1])
	for _, do := range []struct {
		path   string
		form   url.Values
		status int
	}{
		{"/accounts/new-desk/role", url.Values{"role": {"supervise"}}, 303}, {"/accounts/new-desk/role", url.Values{"role": {"king"}}, 400},
		{"/accounts/new-desk/scope", url.Values{"regions": {"nowhere"}}, 422}, {"/accounts/new-desk/scope", url.Values{"sites": {"harrow-knoll"}}, 303},
		{"/accounts/new-desk/end-sessions", nil, 303}, {"/accounts/new-desk/password", nil, 200}, {"/accounts/nobody/role", url.Values{"role": {"look"}}, 404},
		{"/accounts", url.Values{"name": {"new-desk"}, "role": {"look"}}, 409}, {"/accounts", url.Values{"name": {"<b>"}, "role": {"look"}}, 422},
		{"/accounts/boss/remove", nil, 200}, {"/accounts/new-desk/remove", nil, 303}, {"/accounts/new-desk/nonsense", nil, 404},
	} {
		if do.path == "/accounts/boss/remove" {
			do.status = 303 // the first start's administrator is left
			continue
		}
		if r := boss.post(do.path, do.form); r.status != do.status {
			t.Errorf("%s %v: %d, want %d\n%.300s", do.path, do.form, r.status, do.status, r.body)
		}
	}
	// A token is shown once, may what it says, and ends when it is ended.
	r = boss.post("/tokens", url.Values{"name": {"export"}, "role": {"look"}, "ends": {time.Now().AddDate(0, 0, 30).Format(time.DateOnly)}})
	m = regexp.MustCompile(`<code>(stw_[^<]+)</code>`).FindStringSubmatch(r.body)
	if m == nil {
		t.Fatalf("no token was shown: %d %s", r.status, r.body)
	}
	ask := func() int {
		return g.browser().do("GET", "/api/v1/alarms", "", "Authorization", "Bearer "+m[1]).status
	}
	if ask() != http.StatusOK {
		t.Error("the token does not work")
	}
	id := g.d.door.book.Tokens()[0].ID
	if r := boss.post("/tokens/"+id+"/end", nil); r.status != http.StatusSeeOther {
		t.Errorf("end: %d", r.status)
	}
	if ask() != http.StatusUnauthorized {
		t.Error("the token works after its end")
	}
}

// TestAScreenOnAWall: a token in a form's body becomes a session that looks.
func TestAScreenOnAWall(t *testing.T) {
	g := newGuarded(t, nil)
	g.add("desk", accounts.Operate, accounts.Scope{})
	key := g.raise("harrow-knoll", "rectifier", "")
	token := g.token("desk", accounts.Operate, accounts.Scope{})
	p := g.browser()
	if r := p.get("/?token=" + token); r.status != http.StatusSeeOther {
		t.Errorf("a token in an address lets in: %d", r.status)
	}
	r := p.post("/login/token", url.Values{"token": {token}})
	if r.status != http.StatusSeeOther || !strings.Contains(r.header.Get("Set-Cookie"), "Max-Age=35") {
		t.Fatalf("%d %s", r.status, r.header)
	}
	if r := p.get("/"); r.status != http.StatusOK || !strings.Contains(r.body, `data-role="look"`) || !strings.Contains(r.body, "desk (token test)") {
		t.Errorf("the watch: %d", r.status)
	}
	if r := p.post("/alarms/"+string(key.ID())+"/take", nil); r.status != http.StatusForbidden {
		t.Errorf("a screen took an alarm: %d", r.status)
	}
	if r := g.browser().do("GET", "/", "", "Authorization", "Bearer "+token); r.status != http.StatusOK {
		t.Errorf("with the token in the header: %d", r.status)
	}
}

// TestWrongLoginsAreAnsweredAlike, and wait.
func TestWrongLoginsAreAnsweredAlike(t *testing.T) {
	g := newGuarded(t, nil)
	g.add("desk", accounts.Operate, accounts.Scope{})
	p := g.browser()
	try := func(name string) reply {
		return p.post("/login", url.Values{"name": {name}, "password": {"not the password"}})
	}
	known, unknown := try("desk"), try("dusk")
	strip := func(r reply) string {
		return strings.NewReplacer("desk", "", "dusk", "").Replace(r.body)
	}
	if known.status != http.StatusForbidden || unknown.status != known.status || strip(known) != strip(unknown) {
		t.Errorf("%d and %d", known.status, unknown.status)
	}
	try("desk")
	if r := try("desk"); r.status != http.StatusTooManyRequests || r.header.Get("Retry-After") != "1" {
		t.Errorf("the fourth: %d %q", r.status, r.header.Get("Retry-After"))
	}
}
