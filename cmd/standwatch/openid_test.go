package main

import (
	"crypto/x509"
	"net"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"example.net/standwatch/configs"
	"example.net/standwatch/store/accounts"

	"github.com/oauth2-proxy/mockoidc"
)

// trusting is a transport that trusts the pool.
func trusting(t *testing.T, pool *x509.CertPool) *http.Transport {
	t.Helper()
	out := http.DefaultTransport.(*http.Transport).Clone()
	out.TLSClientConfig.RootCAs = pool
	t.Cleanup(out.CloseIdleConnections)
	return out
}

// provider is an OpenID Connect provider that runs in this process.
func provider(t *testing.T) (*mockoidc.MockOIDC, func(*configs.Config)) {
	t.Helper()
	m, err := mockoidc.Run()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := m.Shutdown(); err != nil {
			t.Error(err)
		}
	})
	return m, func(c *configs.Config) {
		// The console's port has to be known before: the provider sends people back.
		at, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		c.Console.Listen = at.Addr().String()
		if err := at.Close(); err != nil {
			t.Fatal(err)
		}
		o := m.Config()
		c.Console.OpenID = &configs.OpenID{Label: "the cooperative's account", Issuer: o.Issuer, ClientID: o.ClientID, Secret: o.ClientSecret,
			Redirect: "http://" + c.Console.Listen + "/login/openid/back", Scopes: []string{"profile", "groups"},
			Grants: []configs.Grant{{Has: "noc-leads", Role: accounts.Supervise}, {Has: "noc-north", Role: accounts.Operate, Scope: accounts.NewScope(nil, []string{"north"})}}}
	}
}

// go through the provider and return what the console answers to the way back.
func (p *person) byProvider(next string) reply {
	p.g.Helper()
	r := p.get("/login/openid?next=" + url.QueryEscape(next))
	if r.status != http.StatusSeeOther {
		p.g.Fatalf("the way to the provider: %d %.300s", r.status, r.body)
	}
	return p.comeBack(r.header.Get("Location"))
}

func (p *person) comeBack(there string) reply {
	p.g.Helper()
	res, err := p.Get(there)
	if err != nil {
		p.g.Fatal(err)
	}
	res.Body.Close()
	back, found := strings.CutPrefix(res.Header.Get("Location"), p.g.base)
	if !found {
		p.g.Fatalf("the provider answers %s to %q", res.Status, res.Header.Get("Location"))
	}
	return p.get(back)
}

// TestAnotherProvider logs people in with OpenID Connect: authorization code,
// state, nonce and PKCE against a real provider.
func TestAnotherProvider(t *testing.T) {
	m, change := provider(t)
	g := newGuarded(t, change)
	m.QueueUser(&mockoidc.MockUser{Subject: "1", PreferredUsername: "North-Person", Groups: []string{"staff", "noc-north"}})
	p := g.browser()
	if r := p.get("/login"); !strings.Contains(r.body, "Log in with the cooperative&#39;s account") {
		t.Error("the login page does not offer the provider")
	}
	r := p.byProvider("/history")
	if r.status != http.StatusSeeOther || r.header.Get("Location") != "/history" {
		t.Fatalf("back: %d to %q\n%.500s", r.status, r.header.Get("Location"), r.body)
	}
	if r := p.get("/"); r.status != http.StatusOK || !strings.Contains(r.body, "<b>north-person</b>") || !strings.Contains(r.body, `data-role="operate"`) {
		t.Errorf("the watch: %d", r.status)
	}
	a, _ := g.d.door.book.Account("north-person")
	if a.Scope.String() != "region north" || a.Issuer != m.Issuer() || a.Subject != "1" {
		t.Errorf("account %+v", a)
	}
	// The same person comes back with another role.
	m.QueueUser(&mockoidc.MockUser{Subject: "1", PreferredUsername: "north-person", Groups: []string{"noc-leads"}})
	g.browser().byProvider("/")
	if a, _ := g.d.door.book.Account("north-person"); a.Role != accounts.Supervise || !a.Scope.All() {
		t.Errorf("account %+v", a)
	}
	for what, u := range map[string]*mockoidc.MockUser{
		"is granted to you":  {Subject: "2", PreferredUsername: "other", Groups: []string{"staff"}},
		"an account of that": {Subject: "3", PreferredUsername: "administrator", Groups: []string{"noc-leads"}},
		"cannot be used":     {Subject: "4", PreferredUsername: "a name with spaces", Groups: []string{"noc-leads"}},
		"what you are call":  {Subject: "5", Groups: []string{"noc-leads"}},
	} {
		m.QueueUser(u)
		p := g.browser()
		if r := p.byProvider("/"); r.status != http.StatusForbidden || !strings.Contains(r.body, what) {
			t.Errorf("%s: %d %.400s", what, r.status, r.body)
		}
		if r := p.get("/"); r.status != http.StatusSeeOther {
			t.Errorf("%s: and yet the watch answers %d", what, r.status)
		}
	}
}

// TestForgedWaysBack: a code or state from elsewhere lets nobody in.
func TestForgedWaysBack(t *testing.T) {
	m, change := provider(t)
	g := newGuarded(t, change)
	lead := func() {
		m.QueueUser(&mockoidc.MockUser{Subject: "1", PreferredUsername: "lead", Groups: []string{"noc-leads"}})
	}
	victim, thief := g.browser(), g.browser()
	lead()
	there := thief.get("/login/openid").header.Get("Location")
	if q, err := url.Parse(there); err != nil || q.Query().Get("code_challenge_method") != "S256" || q.Query().Get("nonce") == "" || len(q.Query().Get("state")) < 20 {
		t.Errorf("the way there is %s", there)
	}
	// The thief's own login, in the victim's browser.
	if r := victim.comeBack(there); r.status != http.StatusForbidden {
		t.Errorf("a login begun elsewhere: %d", r.status)
	}
	for _, back := range []string{"/login/openid/back", "/login/openid/back?state=x&code=y", "/login/openid/back?error=access_denied"} {
		if r := victim.get(back); r.status != http.StatusForbidden || r.header.Get("Set-Cookie") != "" && !strings.Contains(r.header.Get("Set-Cookie"), "Max-Age=0") {
			t.Errorf("%s: %d %q", back, r.status, r.header.Get("Set-Cookie"))
		}
	}
	// A way back is good once.
	lead()
	p := g.browser()
	res, err := p.Get(p.get("/login/openid").header.Get("Location"))
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	back := strings.TrimPrefix(res.Header.Get("Location"), g.base)
	if r := p.get(back); r.status != http.StatusSeeOther {
		t.Errorf("the first time: %d", r.status)
	}
	if r := p.get(back); r.status != http.StatusForbidden {
		t.Errorf("the second time: %d", r.status)
	}
}
