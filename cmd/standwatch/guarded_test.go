package main

import (
	"context"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"example.net/standwatch/configs"
	"example.net/standwatch/configs/example"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store/accounts"

	"github.com/rs/zerolog"
)

// guarded is a daemon where people have to log in, over the example's network.
type guarded struct {
	*testing.T
	d    *daemon
	base string
	log  *lockedText
	said *lockedText // what a first start printed
}

// lockedText takes what several goroutines write.
type lockedText struct {
	mu   sync.Mutex // guards text
	text strings.Builder
}

func (l *lockedText) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *lockedText) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// cheap makes logging in often bearable in tests.
var cheap = accounts.Hashing{MemoryKiB: 64, Passes: 1}

const passphrase = "six words make one pass"

// guardedConfig is the example with a console on a free port of loopback.
func guardedConfig(t *testing.T, change func(*configs.Config)) *configs.Config {
	t.Helper()
	env := map[string]string{"STANDWATCH_TRAPS": "127.0.0.1:0", "STANDWATCH_CONSOLE": "127.0.0.1:0", "STANDWATCH_MAIL_HOST": "127.0.0.1", "STANDWATCH_MAIL_PORT": "9", "STANDWATCH_SMS_URL": "http://127.0.0.1:9/"}
	cfg, problems := configs.Load(t.Context(), example.FS, configs.Options{Env: example.Env(env)})
	if problems.Mistakes() {
		t.Fatal(problems)
	}
	if change != nil {
		change(cfg)
	}
	return cfg
}

func newGuarded(t *testing.T, change func(*configs.Config)) *guarded {
	t.Helper()
	g := &guarded{T: t, log: &lockedText{}, said: &lockedText{}}
	cfg := guardedConfig(t, change)
	var err error
	g.d, err = newDaemon(t.Context(), daemonOptions{Config: cfg, Data: t.TempDir(), Log: zerolog.New(g.log), Now: time.Now, Login: true, Told: g.said, Hashing: cheap})
	if err != nil {
		t.Fatal(err)
	}
	scheme := "http://"
	if cfg.Console.TLS != nil {
		scheme = "https://"
	}
	g.base = scheme + g.d.webAt.Addr().String()
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	ended := make(chan error, 1)
	go func() { ended <- g.d.run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("daemon: %v", err)
		}
	})
	return g
}

// add makes an account.
func (g *guarded) add(name string, role accounts.Role, scope accounts.Scope) {
	g.Helper()
	err := g.d.door.book.Add(g.Context(), accounts.By{Actor: "test", Via: "test"}, accounts.NewAccount{Name: name, Role: role, Scope: scope, Password: passphrase})
	if err != nil {
		g.Fatal(err)
	}
}

// token makes a token of an account.
func (g *guarded) token(name string, role accounts.Role, scope accounts.Scope) string {
	g.Helper()
	token, _, err := g.d.door.book.MakeToken(g.Context(), accounts.By{Actor: "test", Via: "test"}, accounts.NewToken{Name: "test", Owner: name, Role: role, Scope: scope, Ends: time.Now().Add(time.Hour)})
	if err != nil {
		g.Fatal(err)
	}
	return token
}

// person is a browser.
type person struct {
	g *guarded
	*http.Client
}

// browser is one that is not logged in and follows no redirect.
func (g *guarded) browser() *person {
	g.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		g.Fatal(err)
	}
	transport := &http.Transport{}
	g.Cleanup(transport.CloseIdleConnections)
	return &person{g, &http.Client{Jar: jar, Transport: transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
}

// login is a browser that is logged in.
func (g *guarded) login(name, password string) *person {
	g.Helper()
	p := g.browser()
	if r := p.post("/login", url.Values{"name": {name}, "password": {password}}); r.status != http.StatusSeeOther {
		g.Fatalf("login as %s: %d\n%s", name, r.status, r.body)
	}
	return p
}

type reply struct {
	status int
	body   string
	header http.Header
}

func (p *person) do(method, path, body string, header ...string) reply {
	p.g.Helper()
	req, err := http.NewRequestWithContext(p.g.Context(), method, p.g.base+path, strings.NewReader(body))
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
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		p.g.Fatal(err)
	}
	return reply{res.StatusCode, string(text), res.Header}
}

func (p *person) get(path string) reply { return p.do("GET", path, "") }

func (p *person) post(path string, form url.Values) reply {
	return p.do("POST", path, form.Encode(), "Content-Type", "application/x-www-form-urlencoded")
}

// raise makes an alarm stand.
func (g *guarded) raise(site, point, text string) correlate.Key {
	g.Helper()
	k := correlate.Key{Site: correlate.SiteID(site), Point: correlate.PointID(point)}
	if _, err := g.d.ledger.Submit(g.Context(), &correlate.Notice{Source: "test", Observations: []correlate.Observation{{Key: k, What: correlate.Raise, Text: text}}}); err != nil {
		g.Fatal(err)
	}
	return k
}
