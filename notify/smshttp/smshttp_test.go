package smshttp_test

import (
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
	"example.net/standwatch/notify/smshttp"
)

var message = correlate.Message{ID: "m17-0", Address: "+12025550147", Body: `CRITICAL "Harrow Knoll": Mains & more < 5 €`}

func send(t *testing.T, o smshttp.Options) notify.Result {
	t.Helper()
	c, err := smshttp.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return c.Send(t.Context(), message)
}

const jsonBody = `{"recipient":"${to}","message":"${text}","ref":"${id}","sender":"${from}"}`

// TestRequest: the request arrives as described, each value escaped for its
// place.
func TestRequest(t *testing.T) {
	for name, c := range map[string]struct {
		o     smshttp.Options
		check func(t *testing.T, r *http.Request, body string)
	}{
		"json": {smshttp.Options{Body: jsonBody, From: "KESTREL", Headers: map[string]string{"X-Key": "s3cret", "X-Ref": "${id}"}},
			func(t *testing.T, r *http.Request, body string) {
				var got map[string]string
				if err := json.Unmarshal([]byte(body), &got); err != nil {
					t.Fatal(err)
				}
				if got["recipient"] != message.Address || got["message"] != message.Body || got["ref"] != "m17-0" || got["sender"] != "KESTREL" {
					t.Errorf("got %v", got)
				}
				if r.Header.Get("X-Key") != "s3cret" || r.Header.Get("X-Ref") != "m17-0" || r.Header.Get("Content-Type") != "application/json" || r.Method != "POST" {
					t.Errorf("got %s %v", r.Method, r.Header)
				}
			}},
		"form": {smshttp.Options{Body: "to=${to}&text=${text}", ContentType: "application/x-www-form-urlencoded", Username: "u", Password: "p"},
			func(t *testing.T, r *http.Request, body string) {
				r.Body = io.NopCloser(strings.NewReader(body))
				if r.PostFormValue("to") != message.Address || r.PostFormValue("text") != message.Body {
					t.Errorf("got %v", r.PostForm)
				}
				if u, p, ok := r.BasicAuth(); !ok || u != "u" || p != "p" {
					t.Errorf("got %s %s", u, p)
				}
			}},
		"query": {smshttp.Options{Method: "GET", URL: "/send?to=${to}&text=${text}"},
			func(t *testing.T, r *http.Request, body string) {
				if q := r.URL.Query(); q.Get("to") != message.Address || q.Get("text") != message.Body || body != "" {
					t.Errorf("got %v %q", q, body)
				}
			}},
		"xml": {smshttp.Options{Body: "<sms to='${to}'>${text}</sms>", ContentType: "application/xml"},
			func(t *testing.T, _ *http.Request, body string) {
				if want := "<sms to='+12025550147'>CRITICAL &#34;Harrow Knoll&#34;: Mains &amp; more &lt; 5 €</sms>"; body != want {
					t.Errorf("got %s, want %s", body, want)
				}
			}},
	} {
		t.Run(name, func(t *testing.T) {
			called := false
			server := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
				called = true
				body, err := io.ReadAll(r.Body)
				if err != nil {
					t.Error(err)
				}
				c.check(t, r, string(body))
			}))
			defer server.Close()
			c.o.URL = server.URL + c.o.URL
			if r := send(t, c.o); r.Outcome != correlate.Accepted || !called {
				t.Errorf("got %+v", r)
			}
		})
	}
}

// TestAnswers: a gateway that answers in every way.
func TestAnswers(t *testing.T) {
	date := "Sat, 10 Jan 2026 09:14:05 GMT"
	for name, c := range map[string]struct {
		status  int
		headers map[string]string
		body    string
		o       smshttp.Options
		want    notify.Result
	}{
		"accepted": {201, nil, `{"messages":[{"id":"abc-1"}]}`, smshttp.Options{IDPath: "messages.0.id"},
			notify.Result{Outcome: correlate.Accepted, Answer: `201 Created {"messages":[{"id":"abc-1"}]}`, GatewayID: "abc-1"}},
		"number as id": {200, nil, `{"id":12345678901234567890}`, smshttp.Options{IDPath: "id"},
			notify.Result{Outcome: correlate.Accepted, Answer: `200 OK {"id":12345678901234567890}`, GatewayID: "12345678901234567890"}},
		"no id": {200, nil, `thanks`, smshttp.Options{IDPath: "messages.0.id"}, notify.Result{Outcome: correlate.Accepted, Answer: "200 OK thanks"}},
		"says ok": {200, nil, `{"status":0}`, smshttp.Options{OKPath: "status", OKValues: []string{"0", "queued"}},
			notify.Result{Outcome: correlate.Accepted, Answer: `200 OK {"status":0}`}},
		"says no": {200, nil, `{"status":"blocked"}`, smshttp.Options{OKPath: "status", OKValues: []string{"0"}},
			notify.Result{Outcome: correlate.Permanent, Answer: `200 OK {"status":"blocked"} (status is "blocked")`}},
		"says nothing": {200, nil, `<html>`, smshttp.Options{OKPath: "status", OKValues: []string{"0"}},
			notify.Result{Outcome: correlate.Temporary, Answer: `200 OK <html> (the answer is not JSON)`}},
		"not wanted":  {204, nil, "", smshttp.Options{}, notify.Result{Outcome: correlate.Permanent, Answer: "204 No Content"}},
		"bad number":  {400, nil, "bad\r\n\x00number", smshttp.Options{}, notify.Result{Outcome: correlate.Permanent, Answer: "400 Bad Request bad number"}},
		"credentials": {401, nil, "", smshttp.Options{}, notify.Result{Outcome: correlate.Permanent, Answer: "401 Unauthorized"}},
		"redirect":    {302, map[string]string{"Location": "http://198.51.100.7/"}, "", smshttp.Options{}, notify.Result{Outcome: correlate.Permanent, Answer: "302 Found"}},
		"too many": {429, map[string]string{"Retry-After": "90"}, "", smshttp.Options{},
			notify.Result{Outcome: correlate.Temporary, Answer: "429 Too Many Requests", RetryAfter: 90 * time.Second}},
		"too many until": {429, map[string]string{"Retry-After": "Sat, 10 Jan 2026 09:15:00 GMT", "Date": date}, "", smshttp.Options{},
			notify.Result{Outcome: correlate.Temporary, Answer: "429 Too Many Requests", RetryAfter: 55 * time.Second}},
		"too many for ever": {429, map[string]string{"Retry-After": "99999999999"}, "", smshttp.Options{},
			notify.Result{Outcome: correlate.Temporary, Answer: "429 Too Many Requests", RetryAfter: time.Hour}},
		"nonsense": {503, map[string]string{"Retry-After": "soon"}, "", smshttp.Options{}, notify.Result{Outcome: correlate.Temporary, Answer: "503 Service Unavailable"}},
		"broken":   {500, nil, "oops", smshttp.Options{}, notify.Result{Outcome: correlate.Temporary, Answer: "500 Internal Server Error oops"}},
	} {
		t.Run(name, func(t *testing.T) {
			server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
				for k, v := range c.headers {
					w.Header().Set(k, v)
				}
				w.WriteHeader(c.status)
				if c.body != "" {
					if _, err := io.WriteString(w, c.body); err != nil {
						t.Error(err)
					}
				}
			}))
			defer server.Close()
			c.o.URL, c.o.Body = server.URL+"/?key=s3cret", jsonBody
			if got := send(t, c.o); got != c.want {
				t.Errorf("got  %+v\nwant %+v", got, c.want)
			}
		})
	}
}

// TestNoAnswer: refused, reset, and taken without a word. None of them is an
// acceptance or a refusal, and no secret of the address is in the answer.
func TestNoAnswer(t *testing.T) {
	refused, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	nobody := "http://" + refused.Addr().String()
	if err := refused.Close(); err != nil {
		t.Fatal(err)
	}
	release := make(chan struct{})
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/hang" {
			<-release
			return
		}
		conn, _, err := http.NewResponseController(w).Hijack()
		if err != nil {
			t.Error(err)
			return
		}
		if err := conn.(*net.TCPConn).SetLinger(0); err != nil { // close by reset
			t.Error(err)
		}
		conn.Close()
	}))
	defer server.Close()
	defer close(release)
	for url, want := range map[string]string{nobody: "connection refused", server.URL + "/reset": "reset", server.URL + "/hang": "no answer in time; it may have been taken"} {
		got := send(t, smshttp.Options{URL: url + "?key=s3cret", Body: jsonBody, Timeout: 200 * time.Millisecond})
		if got.Outcome != correlate.Temporary || !(strings.Contains(got.Answer, want) || want == "reset" && strings.Contains(got.Answer, "EOF")) || strings.Contains(got.Answer, "s3cret") {
			t.Errorf("%s: got %+v, want %s", url, got, want)
		}
	}
}

func TestTLS(t *testing.T) {
	server := httptest.NewTLSServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	defer server.Close()
	if got := send(t, smshttp.Options{URL: server.URL, Body: jsonBody}); got.Outcome != correlate.Temporary || !strings.Contains(got.Answer, "certificate") {
		t.Errorf("unknown issuer: got %+v", got)
	}
	roots := x509.NewCertPool()
	roots.AppendCertsFromPEM(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: server.Certificate().Raw}))
	if got := send(t, smshttp.Options{URL: server.URL, Body: jsonBody, RootCAs: roots}); got.Outcome != correlate.Accepted {
		t.Errorf("known issuer: got %+v", got)
	}
}

func TestNewRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		o    smshttp.Options
		want string
	}{
		"scheme":      {smshttp.Options{URL: "ftp://gw.example.net", Body: jsonBody}, "url is not an http or https address"},
		"placeholder": {smshttp.Options{URL: "https://gw.example.net", Body: jsonBody + "${too}"}, "${too} is none of ${to}, ${text}, ${id} and ${from}"},
		"no text":     {smshttp.Options{URL: "https://gw.example.net?to=${to}"}, "the request has no place for ${to} or ${text}"},
		"header":      {smshttp.Options{URL: "https://gw.example.net", Body: jsonBody, Headers: map[string]string{"X": "a\r\nb"}}, "a header value has a line break"},
		"values":      {smshttp.Options{URL: "https://gw.example.net", Body: jsonBody, OKPath: "status"}, "it is not said which values mean success"},
	} {
		if _, err := smshttp.New(c.o); err == nil || err.Error() != c.want {
			t.Errorf("%s: got %v, want %s", name, err, c.want)
		}
	}
}
