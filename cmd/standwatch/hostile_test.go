package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/store/accounts"

	"golang.org/x/net/html"
)

// The hand-check list: what somebody on the network, with or without a login,
// may try at the console's door. Each has its test here, over HTTP against a
// whole daemon.

func TestOpenRedirects(t *testing.T) {
	g := newGuarded(t, nil)
	g.add("desk", accounts.Operate, accounts.Scope{})
	for _, next := range []string{"https://evil.example.net/", "//evil.example.net/", `/\evil.example.net`, "/\t/evil.example.net", "javascript:alert(1)", "/%2f%2fevil.example.net", "http:evil.example.net"} {
		p := g.browser()
		r := p.get("/login?" + url.Values{"next": {next}}.Encode())
		if strings.Contains(r.body, "evil") || strings.Contains(r.body, "javascript:") {
			t.Errorf("%q stands in the login page", next)
		}
		r = p.post("/login", url.Values{"name": {"desk"}, "password": {passphrase}, "next": {next}})
		if to := r.header.Get("Location"); r.status != http.StatusSeeOther || to != "/" {
			t.Errorf("%q leads to %q (%d)", next, to, r.status)
		}
		r = p.get("/login?" + url.Values{"next": {next}}.Encode())
		if to := r.header.Get("Location"); to != "/" {
			t.Errorf("%q leads somebody who is logged in to %q", next, to)
		}
	}
	// The mux and the forms of actions lead nowhere else either.
	p := g.login("desk", passphrase)
	key := g.raise("harrow-knoll", "rectifier", "")
	for _, path := range []string{"//evil.example.net/..", "/%2f/evil.example.net", "/sites/..%2f..%2f%2fevil.example.net"} {
		if r := p.get(path); strings.Contains(r.header.Get("Location"), "//evil") {
			t.Errorf("%s leads to %s", path, r.header.Get("Location"))
		}
	}
	r := p.post("/alarms/"+string(key.ID())+"/take", url.Values{"back": {"watch"}, "view": {"x=//evil.example.net\r\nSet-Cookie: a=b"}})
	if to := r.header.Get("Location"); !strings.HasPrefix(to, "/?") || r.header.Get("Set-Cookie") != "" {
		t.Errorf("an action leads to %q with %q", to, r.header.Get("Set-Cookie"))
	}
}

func TestPathTraversal(t *testing.T) {
	g := newGuarded(t, nil)
	g.add("desk", accounts.Administer, accounts.Scope{})
	p := g.login("desk", passphrase)
	for _, start := range []string{"/assets/", "/sites/", "/alarms/", "/api/v1/sites/", "/api/v1/configurations/", "/shifts/", "/accounts/", "/in/"} {
		for _, way := range []string{"../../../../etc/passwd", "..%2f..%2f..%2f..%2fetc%2fpasswd", "%2e%2e/%2e%2e/etc/passwd", "..%5c..%5cetc%5cpasswd", "%2fetc%2fpasswd", "console.css%00.js", "..%c0%af..%c0%afetc/passwd"} {
			if r := p.get(start + way); r.status == http.StatusOK || strings.Contains(r.body, "root:") {
				t.Errorf("%s%s: %d\n%.200s", start, way, r.status, r.body)
			}
		}
	}
}

// raw sends octets as they are and returns the answer.
func raw(t *testing.T, at, request string) string {
	t.Helper()
	conn, err := net.Dial("tcp", at)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if err := conn.SetDeadline(time.Now().Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	if _, err := io.WriteString(conn, request); err != nil {
		t.Fatal(err)
	}
	answer, err := io.ReadAll(conn)
	if err != nil {
		t.Fatalf("%v after %q", err, answer)
	}
	return string(answer)
}

// TestHeaderAndLogInjection: what a request brings makes no line of an answer's
// header, of the log or of the journal.
func TestHeaderAndLogInjection(t *testing.T) {
	g := newGuarded(t, nil)
	g.add("desk", accounts.Supervise, accounts.Scope{})
	evil := "x\r\nX-Evil: yes\r\n\r\n{\"level\":\"error\",\"message\":\"forged\"}\n\x1b[31m"
	at := g.d.webAt.Addr().String()
	form := url.Values{"name": {evil}, "password": {evil}, "next": {"/" + evil}}.Encode()
	answers := raw(t, at, "POST /login HTTP/1.1\r\nHost: x\r\nConnection: close\r\nUser-Agent: a\x1b[2Jb\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: "+fmt.Sprint(len(form))+"\r\n\r\n"+form)
	answers += raw(t, at, "GET /login?next=%2F%0d%0aX-Evil:%20yes HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
	answers += raw(t, at, "GET /history?site=%0d%0aX-Evil:%20yes HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
	answers += raw(t, at, "GET /api/v1/alarms HTTP/1.1\r\nHost: x\r\nConnection: close\r\nAuthorization: Bearer a\x00b\r\nX-Forwarded-For: 192.0.2.1\r\n\r\n")
	for answer := range strings.SplitSeq(answers, "HTTP/1.1 ") {
		head, _, _ := strings.Cut(answer, "\r\n\r\n")
		if strings.Contains(strings.ToLower(head), "\nx-evil") {
			t.Errorf("a request made a header line:\n%s", head)
		}
	}
	p := g.login("desk", passphrase)
	key := g.raise("harrow-knoll", "rectifier", "")
	if r := p.post("/alarms/"+string(key.ID())+"/note", url.Values{"text": {evil}}); r.status != http.StatusSeeOther {
		t.Fatalf("note: %d", r.status)
	}
	p.get("/" + url.PathEscape(evil))
	for line := range strings.Lines(g.log.String()) {
		var entry map[string]any
		if err := json.Unmarshal([]byte(line), &entry); err != nil || entry["message"] == "forged" {
			t.Errorf("a request made a line of the log: %q", line)
		}
		if strings.Contains(line, "\x1b") {
			t.Errorf("the log holds control characters: %q", line)
		}
	}
	err := g.d.store.Scan(t.Context(), 1, func(r *correlate.Record) error {
		switch in := r.Input.(type) {
		case *correlate.Access:
			if text := in.Account + in.From + in.Text; strings.ContainsAny(text, "\r\n\x1b") {
				t.Errorf("the journal's record %d holds %q", r.Seq, text)
			}
		case *correlate.Act:
			if strings.ContainsAny(in.Text, "\r\n\x1b") {
				t.Errorf("the note is %q", in.Text)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestStoredScriptInATrap: a remote sends markup in a real trap; nowhere does it
// become any, and no page allows a script that is written in it.
func TestStoredScriptInATrap(t *testing.T) {
	g := newGuarded(t, nil)
	g.add("desk", accounts.Administer, accounts.Scope{})
	p := g.login("desk", passphrase)
	const evil = `<script>alert(1)</script><img src=x onerror=alert(2)>"><svg onload=alert(3)> javascript:alert(4) '-alert(5)-' ` + "\u2028</title>"
	var traps string
	for _, at := range g.d.receiver.Addresses() {
		traps = at.String()
	}
	b := snmp.Build{Version: snmp.V2c, RequestID: 7, Community: "evil" + evil, TrapOID: snmp.MustOID("1.3.6.1.4.1.32473.99.0.1"), Varbinds: []snmp.Varbind{{Name: []byte(snmp.MustOID("1.3.6.1.4.1.32473.99.1.1.0")), Tag: snmp.TagOctetString, Value: []byte(evil)}}}
	datagram, err := b.Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	conn, err := net.Dial("udp", traps)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if _, err := conn.Write(datagram); err != nil {
		t.Fatal(err)
	}
	key := g.raise("harrow-knoll", "rectifier", evil)
	for _, f := range []struct{ path, text string }{{"/note", evil}, {"/shelve", evil}} {
		p.post("/alarms/"+string(key.ID())+f.path, url.Values{"text": {f.text}, "for": {"1h"}})
	}
	g.browser().do("POST", "/login", url.Values{"name": {evil}, "password": {evil}}.Encode(), "Content-Type", "application/x-www-form-urlencoded", "User-Agent", evil)
	for _, path := range []string{"/", "/?q=" + url.QueryEscape(evil), "/alarms/" + string(key.ID()), "/hand?alarm=" + string(key.ID()), "/sites/harrow-knoll", "/history", "/history?site=" + url.QueryEscape(evil), "/intake", "/outbox", "/trail", "/trail?actor=" + url.QueryEscape(evil), "/accounts", "/me", "/tokens", "/login?next=" + url.QueryEscape("/"+evil), "/report", "/nowhere/" + url.PathEscape(evil)} {
		r := p.get(path)
		doc, err := html.Parse(strings.NewReader(r.body))
		if err != nil {
			t.Fatal(err)
		}
		for n := range doc.Descendants() {
			if n.Type != html.ElementNode {
				continue
			}
			if n.Data == "script" && n.FirstChild != nil {
				t.Errorf("%s holds a script: %s", path, n.FirstChild.Data)
			}
			for _, a := range n.Attr {
				if strings.HasPrefix(a.Key, "on") || a.Key == "style" || strings.HasPrefix(strings.TrimSpace(strings.ToLower(a.Val)), "javascript:") {
					t.Errorf("%s holds %s=%q", path, a.Key, a.Val)
				}
			}
		}
		if !strings.HasPrefix(path, "/hand") {
			policy := r.header.Get("Content-Security-Policy")
			if !strings.HasPrefix(policy, "default-src 'self';") || strings.Contains(policy, "unsafe") || r.header.Get("X-Content-Type-Options") != "nosniff" {
				t.Errorf("%s: policy %q", path, policy)
			}
		}
	}
	if r := p.do("GET", "/api/v1/alarms?state=all", ""); !strings.HasPrefix(r.header.Get("Content-Type"), "application/json") || strings.Contains(r.body, "<script>") {
		t.Errorf("the API says %s: %.300s", r.header.Get("Content-Type"), r.body)
	}
}

func TestOversizedBodies(t *testing.T) {
	g := newGuarded(t, nil)
	g.add("desk", accounts.Administer, accounts.Scope{})
	p := g.login("desk", passphrase)
	key := g.raise("harrow-knoll", "rectifier", "")
	big := strings.Repeat("x", 2<<20)
	for _, path := range []string{"/login", "/login/token", "/me/password", "/accounts", "/tokens", "/alarms/" + string(key.ID()) + "/note"} {
		if r := p.do("POST", path, "text="+big, "Content-Type", "application/x-www-form-urlencoded"); r.status != http.StatusRequestEntityTooLarge {
			t.Errorf("%s: %d", path, r.status)
		}
	}
	if r := p.do("POST", "/api/v1/alarms/"+string(key.ID())+"/note", `{"text":"`+big+`"}`, "Content-Type", "application/json"); r.status != http.StatusRequestEntityTooLarge {
		t.Errorf("API: %d", r.status)
	}
	if r := p.do("GET", "/", "", "X-Big", strings.Repeat("x", 80<<10)); r.status != http.StatusRequestHeaderFieldsTooLarge {
		t.Errorf("a header of 80 KiB: %d", r.status)
	}
}

// TestSlowClients: a header that never ends holds its connection no longer than
// it may, and a hundred of them keep nobody else out. Slow bodies and slow
// readers are tested in package access.
func TestSlowClients(t *testing.T) {
	g := newGuarded(t, nil)
	g.add("desk", accounts.Look, accounts.Scope{})
	if g.d.web.ReadHeaderTimeout <= 0 || g.d.web.ReadHeaderTimeout > 10*time.Second || g.d.web.IdleTimeout <= 0 {
		t.Errorf("headers may take %s, an idle connection %s", g.d.web.ReadHeaderTimeout, g.d.web.IdleTimeout)
	}
	var slow []net.Conn
	for range 100 {
		conn, err := net.Dial("tcp", g.d.webAt.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		if _, err := io.WriteString(conn, "GET / HTTP/1.1\r\nHost: x\r\nX-Slow: "); err != nil {
			t.Fatal(err)
		}
		slow = append(slow, conn)
	}
	began := time.Now()
	if r := g.login("desk", passphrase).get("/"); r.status != http.StatusOK {
		t.Errorf("beside a hundred slow ones: %d", r.status)
	}
	if err := slow[0].SetReadDeadline(began.Add(30 * time.Second)); err != nil {
		t.Fatal(err)
	}
	if line, err := bufio.NewReader(slow[0]).ReadString('\n'); err == nil && !regexp.MustCompile(`^HTTP/1.1 (400|408)`).MatchString(line) {
		t.Errorf("a header that does not end is answered %q", line)
	} else if ne, is := err.(net.Error); is && ne.Timeout() {
		t.Error("a header that does not end holds its connection")
	}
}

// TestForeignForms: a page of another origin cannot make a browser act.
func TestForeignForms(t *testing.T) {
	g := newGuarded(t, nil)
	g.add("desk", accounts.Administer, accounts.Scope{})
	p := g.login("desk", passphrase)
	key := g.raise("harrow-knoll", "rectifier", "")
	for _, path := range []string{"/alarms/" + string(key.ID()) + "/take", "/accounts", "/tokens", "/logout", "/login", "/me/password", "/api/v1/alarms/" + string(key.ID()) + "/acknowledge"} {
		for _, header := range [][]string{{"Sec-Fetch-Site", "cross-site"}, {"Sec-Fetch-Site", "same-site"}, {"Origin", "https://evil.example.net"}, {"Origin", "null"}} {
			if r := p.do("POST", path, "", header...); r.status != http.StatusForbidden {
				t.Errorf("%s with %v: %d", path, header, r.status)
			}
		}
	}
	if r := p.get("/"); r.status != http.StatusOK {
		t.Error("a foreign form logged somebody out")
	}
}
