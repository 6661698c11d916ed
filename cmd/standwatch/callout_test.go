package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"

	"github.com/rs/zerolog"
)

// calledFiles is a centre with one site, two people and a gateway that answers.
var calledFiles = map[string]string{
	"standwatch.yaml": `
centre: {name: Trial centre, time-zone: America/Denver}
traps: {listeners: {field: {address: "127.0.0.1:0", allow: 127.0.0.0/8}}}
console: {listen: "127.0.0.1:0", url: "https://watch.example.net/"}
gateways:
  sms:
    sms-http: {url: "${env:SMS}/send", body: '{"to":"${to}","text":"${text}","ref":"${id}"}', id-path: id}
    incoming:
      secret: ${env:SECRET}
      from: from
      text: text
      id: id
      receipt: {id: receipt, status: status, delivered: arrived, undelivered: lost}
  post:
    mail: {host: 127.0.0.1, port: 1, tls: none, from: watch@example.net}
    incoming: {secret: "${env:SECRET}"}
`,
	"people.yaml": `
people:
  north: {name: North crew, reach: [{gateway: sms, to: "+13035550111"}, {gateway: post, to: north@example.net}]}
  south: {name: South crew, reach: [{gateway: sms, to: "+13035550112"}]}
ladders:
  both: {rungs: [{tell: [{person: north}, {person: south}], wait: 10m}, {tell: [{person: south}], wait: 10m}]}
routes: [{name: all, ladder: both}]
`,
	"sites/sites.yaml": `
sites:
  harrow-knoll:
    name: Harrow Knoll
    points:
      mains: {name: Mains supply, alarm: Mains failed, normal: Mains present, severity: major}
      door: {name: Door, alarm: Door open, normal: Door closed, severity: minor}
`,
}

const gatewaySecret = "shared with the gateway"

// called is a running daemon with a gateway that keeps what it is sent.
type called struct {
	testing.TB
	d    *daemon
	base string

	mu   sync.Mutex // guards what follows
	sent []map[string]string
	wake chan struct{}
}

func newCalled(t testing.TB, change func(files map[string]string)) *called {
	t.Helper()
	c := &called{TB: t, wake: make(chan struct{}, 1)}
	gateway := httptest.NewServer(http.HandlerFunc(c.take))
	t.Cleanup(gateway.Close)
	files := fstest.MapFS{}
	texts := map[string]string{}
	for name, text := range calledFiles {
		texts[name] = text
	}
	if change != nil {
		change(texts)
	}
	for name, text := range texts {
		files[name] = &fstest.MapFile{Data: []byte(text)}
	}
	env := map[string]string{"SMS": gateway.URL, "SECRET": gatewaySecret}
	cfg, problems := configs.Load(t.Context(), files, configs.Options{Env: func(name string) (string, bool) { v, ok := env[name]; return v, ok }})
	if problems.Mistakes() {
		t.Fatal(problems)
	}
	var err error
	if c.d, err = newDaemon(t.Context(), daemonOptions{Config: cfg, Data: t.TempDir(), Log: zerolog.Nop(), Now: time.Now}); err != nil {
		t.Fatal(err)
	}
	c.base = "http://" + c.d.webAt.Addr().String()
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	ended := make(chan error, 1)
	go func() { ended <- c.d.run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("daemon: %v", err)
		}
		http.DefaultClient.CloseIdleConnections()
	})
	return c
}

func (c *called) take(w http.ResponseWriter, r *http.Request) {
	var m map[string]string
	if err := json.NewDecoder(r.Body).Decode(&m); err != nil {
		c.Errorf("the gateway got %v", err)
	}
	c.mu.Lock()
	c.sent = append(c.sent, m)
	n := len(c.sent)
	c.mu.Unlock()
	fmt.Fprintf(w, `{"id":"g%d"}`, n)
	select {
	case c.wake <- struct{}{}:
	default:
	}
}

// text waits for a text to a number that has words in it.
func (c *called) text(to, words string) string {
	c.Helper()
	deadline := time.After(time.Minute)
	for {
		c.mu.Lock()
		for _, m := range c.sent {
			if m["to"] == to && strings.Contains(m["text"], words) {
				c.mu.Unlock()
				return m["text"]
			}
		}
		c.mu.Unlock()
		select {
		case <-c.wake:
		case <-deadline:
			c.Fatalf("no text to %s with %q; sent were %v", to, words, c.sent)
		}
	}
}

func (c *called) raise(point correlate.PointID) correlate.Key {
	c.Helper()
	k := correlate.Key{Site: "harrow-knoll", Point: point}
	if _, err := c.d.ledger.Submit(c.Context(), &correlate.Notice{Source: "test", Observations: []correlate.Observation{{Key: k, What: correlate.Raise}}}); err != nil {
		c.Fatal(err)
	}
	return k
}

func (c *called) alarm(k correlate.Key) (a correlate.Alarm) {
	c.d.ledger.Read(func(st *correlate.State, _ *correlate.Network) { a = *st.Alarms[k].Clone() })
	return a
}

// post sends a request to the daemon and returns status and body.
func (c *called) post(path, kind, body string, headers ...string) (int, string) {
	c.Helper()
	req, err := http.NewRequestWithContext(c.Context(), "POST", c.base+path, strings.NewReader(body))
	if err != nil {
		c.Fatal(err)
	}
	req.Header.Set("Content-Type", kind)
	for _, h := range headers {
		name, value, _ := strings.Cut(h, ": ")
		req.Header.Set(name, value)
	}
	return c.do(req)
}

func (c *called) get(path string) (int, string) {
	c.Helper()
	req, err := http.NewRequestWithContext(c.Context(), "GET", c.base+path, nil)
	if err != nil {
		c.Fatal(err)
	}
	return c.do(req)
}

func (c *called) do(req *http.Request) (int, string) {
	c.Helper()
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		c.Fatal(err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		c.Fatal(err)
	}
	return res.StatusCode, string(body)
}

const bearer = "Authorization: Bearer " + gatewaySecret

var codeIn = regexp.MustCompile(`\b[CDFGHJKMNPQRTWXY34679]{5}\b`)

// TestAnswerBySMS: a wrong proof and a wrong code change nothing; the right
// code takes the alarm and says so; the second is told who has it; a receipt
// is on record. Everything goes over real sockets.
func TestAnswerBySMS(t *testing.T) {
	c := newCalled(t, nil)
	k := c.raise("mains")
	code := codeIn.FindString(c.text("+13035550111", "Mains failed"))
	c.text("+13035550112", "Mains failed")
	const in, kind = "/in/sms", "application/json"
	body := func(from, text, id string) string {
		return fmt.Sprintf(`{"from":%q,"text":%q,"id":%q}`, from, text, id)
	}
	if status, _ := c.post(in, kind, body("+13035550111", code, "1")); status != http.StatusUnauthorized {
		t.Errorf("without proof: %d", status)
	}
	if status, _ := c.post("/in/none", kind, "{}", bearer); status != http.StatusNotFound {
		t.Errorf("no such gateway: %d", status)
	}
	if status, _ := c.post(in, kind, body("+13035550111", "CCCCC", "1"), bearer); status != http.StatusNoContent || c.alarm(k).Acknowledged {
		t.Errorf("wrong code: %d, taken %v", status, c.alarm(k).Acknowledged)
	}
	c.text("+13035550111", "CCCCC is not the code of any alarm you were told of.")
	for range 2 { // gateways repeat themselves
		if status, answer := c.post(in, kind, body("13035550111", strings.ToLower(code), "2"), bearer); status != http.StatusNoContent {
			t.Errorf("right code: %d %s", status, answer)
		}
	}
	c.text("+13035550111", "You have taken "+code+", Mains failed at Harrow Knoll.")
	if a := c.alarm(k); a.AckBy != "north" || a.AckVia != "sms" {
		t.Errorf("taken by %q via %q", a.AckBy, a.AckVia)
	}
	c.post(in, kind, body("+13035550112", code, "3"), bearer)
	c.text("+13035550112", code+" was taken by North crew")
	if status, _ := c.post(in, kind, `{"receipt":"g1","status":"arrived"}`, bearer); status != http.StatusNoContent {
		t.Errorf("receipt: %d", status)
	}
	delivered := 0
	c.d.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		for _, m := range st.Messages {
			if m.State == correlate.MessageDelivered {
				delivered++
			}
		}
	})
	if delivered != 1 {
		t.Errorf("%d messages are known to have arrived, want 1", delivered)
	}
}

// TestAnswerByMail: a mail comes in whole; an automatic answer takes nothing.
func TestAnswerByMail(t *testing.T) {
	c := newCalled(t, func(files map[string]string) {
		files["people.yaml"] = strings.Replace(files["people.yaml"], "[{tell: [{person: north}", "[{over: [sms, post], tell: [{person: north}", 1)
	})
	k := c.raise("mains")
	code := codeIn.FindString(c.text("+13035550111", "Mains failed"))
	mail := "From: north@example.net\r\nSubject: Re: MAJOR Harrow Knoll: Mains failed [" + code + "]\r\n%s\r\nok\r\n"
	for headers, taken := range map[string]bool{"Auto-Submitted: auto-replied\r\n": false} {
		if status, _ := c.post("/in/post", "message/rfc822", fmt.Sprintf(mail, headers), bearer); status != http.StatusNoContent || c.alarm(k).Acknowledged != taken {
			t.Errorf("%q: %d, taken %v", headers, status, c.alarm(k).Acknowledged)
		}
	}
	if status, _ := c.post("/in/post", "message/rfc822", fmt.Sprintf(mail, ""), bearer); status != http.StatusNoContent {
		t.Errorf("got %d", status)
	}
	if a := c.alarm(k); a.AckBy != "north" || a.AckVia != "post" {
		t.Errorf("taken by %q via %q", a.AckBy, a.AckVia)
	}
}

// link waits until a message with a link is queued to a person, and returns
// the link's path.
func (c *called) link(person string) string {
	c.Helper()
	path := regexp.MustCompile(`https://watch\.example\.net(/take/\S+)`)
	wake, cancel := c.d.ledger.Follow()
	defer cancel()
	deadline := time.After(time.Minute)
	for {
		found := ""
		c.d.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
			for _, m := range st.Messages {
				if at := path.FindStringSubmatch(m.Body); at != nil && m.Person == person && m.State != correlate.MessageDropped {
					found = at[1]
				}
			}
		})
		if found != "" {
			return found
		}
		select {
		case <-wake:
		case <-deadline:
			c.Fatal("no message has a link")
		}
	}
}

// TestAnswerByLink: looking changes nothing, the button takes it, once; a link
// that is changed, or of another centre, is refused in words.
func TestAnswerByLink(t *testing.T) {
	c := newCalled(t, func(files map[string]string) {
		files["people.yaml"] = strings.Replace(files["people.yaml"], "[{tell: [{person: north}", "[{over: [sms, post], tell: [{person: north}", 1)
	})
	k := c.raise("mains")
	path := c.link("north")
	// Whoever may look at the console may not press the button in another's name.
	for _, shown := range []string{"/outbox", "/alarms/" + string(k.ID()), "/history", "/api/v1/outbox", "/api/v1/history", "/api/v1/alarms/" + string(k.ID()), "/api/v1/alarms/" + string(k.ID()) + "/explain", "/report"} {
		if status, page := c.get(shown); status != http.StatusOK && status != http.StatusNotFound || strings.Contains(page, path[:len(path)/2]) {
			t.Errorf("%s: %d, or it shows the link", shown, status)
		}
	}
	if _, page := c.get("/api/v1/outbox"); !strings.Contains(page, "for its reader alone") {
		t.Error("the outbox shows no message with a link")
	}
	press := func(do string) (int, string) {
		return c.post(path, "application/x-www-form-urlencoded", url.Values{"do": {do}}.Encode())
	}
	for range 3 {
		status, page := c.get(path)
		if status != http.StatusOK || !strings.Contains(page, "Mains failed") || !strings.Contains(page, "I take it") || c.alarm(k).Acknowledged {
			t.Fatalf("looking: %d, taken %v\n%s", status, c.alarm(k).Acknowledged, page)
		}
	}
	if status, _ := press("something"); status != http.StatusBadRequest || c.alarm(k).Acknowledged {
		t.Errorf("no button: %d", status)
	}
	last := path[len(path)-1]
	changed := path[:len(path)-2] + string([]byte{last, path[len(path)-2]})
	for _, other := range []string{changed, "/take/x", path[:len(path)-9]} {
		if status, page := c.get(other); status != http.StatusNotFound || !strings.Contains(page, "none of ours") {
			t.Errorf("%s: %d", other, status)
		}
		if status, _ := c.post(other, "application/x-www-form-urlencoded", "do=take"); status != http.StatusNotFound || c.alarm(k).Acknowledged {
			t.Errorf("press on %s: %d", other, status)
		}
	}
	if status, page := press("take"); status != http.StatusOK || !strings.Contains(page, "You have taken") {
		t.Errorf("take: %d\n%s", status, page)
	}
	if a := c.alarm(k); a.AckBy != "north" || a.AckVia != "link" {
		t.Errorf("taken by %q via %q", a.AckBy, a.AckVia)
	}
	if status, page := press("take"); status != http.StatusOK || !strings.Contains(page, "already") || strings.Contains(page, "I take it") {
		t.Errorf("again: %d\n%s", status, page)
	}
}

// TestPassByLink: "not me" goes to the next rung at once, and the link is used.
func TestPassByLink(t *testing.T) {
	c := newCalled(t, func(files map[string]string) {
		files["people.yaml"] = strings.Replace(files["people.yaml"], "[{tell: [{person: north}, {person: south}]", "[{over: [sms, post], tell: [{person: north}]", 1)
	})
	k := c.raise("mains")
	path := c.link("north")
	if status, page := c.post(path, "application/x-www-form-urlencoded", "do=pass"); status != http.StatusOK || !strings.Contains(page, "Passed on") {
		t.Errorf("pass: %d\n%s", status, page)
	}
	c.text("+13035550112", "Mains failed")
	if status, page := c.post(path, "application/x-www-form-urlencoded", "do=take"); status != http.StatusOK || !strings.Contains(page, "this link was for once") || c.alarm(k).Acknowledged {
		t.Errorf("after passing: %d\n%s", status, page)
	}
}
