package hook_test

import (
	"crypto/x509"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
	"example.net/standwatch/notify/hook"
)

const secret = "0123456789abcdef"

var (
	at   = time.Date(2026, 1, 10, 9, 14, 5, 0, time.UTC)
	note = correlate.Message{ID: "m17-0", CallOut: "c17", Key: correlate.Key{Site: "harrow-knoll", Point: "mains"}, Purpose: "raised", Severity: correlate.Critical,
		Person: "north-crew", Address: "north", Body: "CRITICAL Harrow Knoll", Queued: at, Attempts: []correlate.Attempt{{}}}
)

func send(t *testing.T, o hook.Options) notify.Result {
	t.Helper()
	c, err := hook.New(o, func() time.Time { return at })
	if err != nil {
		t.Fatal(err)
	}
	return c.Send(t.Context(), note)
}

// TestRequest: the document and its proof, as a program that receives it would
// look at them.
func TestRequest(t *testing.T) {
	var got http.Header
	var body string
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b, err := io.ReadAll(r.Body)
		if err != nil {
			t.Error(err)
		}
		got, body = r.Header, string(b)
		w.WriteHeader(http.StatusAccepted)
		if _, err := io.WriteString(w, `{"id":"page-9"}`); err != nil {
			t.Error(err)
		}
	}))
	defer server.Close()
	r := send(t, hook.Options{URL: server.URL, Secret: secret})
	if want := (notify.Result{Outcome: correlate.Accepted, Answer: `202 Accepted {"id":"page-9"}`, GatewayID: "page-9"}); r != want {
		t.Errorf("got %+v", r)
	}
	want := `{"id":"m17-0","call-out":"c17","alarm":"harrow-knoll:mains","site":"harrow-knoll","point":"mains","purpose":"raised","severity":"critical",` +
		`"person":"north-crew","to":"north","text":"CRITICAL Harrow Knoll","queued":"2026-01-10T09:14:05Z","attempt":2}`
	if d := cmp.Diff(want, body); d != "" {
		t.Error(d)
	}
	// The signature was computed with an independent tool:
	// printf %s '1768036445.BODY' | openssl dgst -sha256 -hmac 0123456789abcdef
	if got.Get(hook.MessageHeader) != "m17-0" || got.Get(hook.TimestampHeader) != "1768036445" || got.Get("Content-Type") != "application/json" ||
		got.Get(hook.SignatureHeader) != "sha256=91b9723fdbf0d71a1dddc6e3e1053e3a829ae43e8328913e5ad94e9822c5f44a" {
		t.Errorf("got %v", got)
	}
}

// TestAnswers: what each answer means.
func TestAnswers(t *testing.T) {
	problem := map[string]string{"Content-Type": "application/problem+json; charset=utf-8"}
	for name, c := range map[string]struct {
		status  int
		headers map[string]string
		body    string
		want    notify.Result
	}{
		"no content": {204, nil, "", notify.Result{Outcome: correlate.Accepted, Answer: "204 No Content"}},
		"problem": {422, problem, `{"type":"https://hook.example.net/unknown","title":"Unknown recipient","status":422,"detail":"nobody is called north"}`,
			notify.Result{Outcome: correlate.Permanent, Answer: "422 Unprocessable Entity Unknown recipient: nobody is called north"}},
		"problem without title": {400, problem, `{"type":"https://hook.example.net/unknown"}`,
			notify.Result{Outcome: correlate.Permanent, Answer: "400 Bad Request https://hook.example.net/unknown"}},
		"broken problem": {400, problem, `{"title":`, notify.Result{Outcome: correlate.Permanent, Answer: `400 Bad Request {"title":`}},
		"later": {429, map[string]string{"Content-Type": "application/problem+json", "Retry-After": "90"}, `{"title":"Slow down"}`,
			notify.Result{Outcome: correlate.Temporary, Answer: "429 Too Many Requests Slow down", RetryAfter: 90 * time.Second}},
		"bad secret": {401, nil, "", notify.Result{Outcome: correlate.Permanent, Answer: "401 Unauthorized"}},
		"redirect":   {307, map[string]string{"Location": "http://198.51.100.7/"}, "", notify.Result{Outcome: correlate.Permanent, Answer: "307 Temporary Redirect"}},
		"down":       {503, nil, "oops", notify.Result{Outcome: correlate.Temporary, Answer: "503 Service Unavailable oops"}},
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
			if got := send(t, hook.Options{URL: server.URL + "/?key=s3cret", Secret: secret}); got != c.want {
				t.Errorf("got  %+v\nwant %+v", got, c.want)
			}
		})
	}
}

// TestNoAnswer: refused, and taken without a word; nothing of the address is
// told.
func TestNoAnswer(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	nobody := "http://" + ln.Addr().String()
	ln.Close()
	release := make(chan struct{})
	server := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { <-release }))
	defer server.Close()
	defer close(release)
	for at, want := range map[string]string{nobody: "connection refused", server.URL: "no answer in time; it may have been taken"} {
		got := send(t, hook.Options{URL: at + "?key=s3cret", Secret: secret, Timeout: 200 * time.Millisecond})
		if got.Outcome != correlate.Temporary || !strings.Contains(got.Answer, want) || strings.Contains(got.Answer, "s3cret") || got.InDoubt != (at == server.URL) {
			t.Errorf("got %+v, want %s", got, want)
		}
	}
}

func TestTLS(t *testing.T) {
	server := httptest.NewTLSServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	defer server.Close()
	if got := send(t, hook.Options{URL: server.URL, Secret: secret}); got.Outcome != correlate.Temporary || !strings.Contains(got.Answer, "certificate") {
		t.Errorf("unknown issuer: got %+v", got)
	}
	roots := x509.NewCertPool()
	roots.AddCert(server.Certificate())
	if got := send(t, hook.Options{URL: server.URL, Secret: secret, RootCAs: roots}); got.Outcome != correlate.Accepted {
		t.Errorf("known issuer: got %+v", got)
	}
}

func TestNewRefuses(t *testing.T) {
	for want, o := range map[string]hook.Options{
		"url is not an http or https address":     {URL: "hook.example.net", Secret: secret},
		"the secret has fewer than 16 characters": {URL: "https://hook.example.net", Secret: "short"},
	} {
		if _, err := hook.New(o, time.Now); err == nil || err.Error() != want {
			t.Errorf("got %v, want %s", err, want)
		}
	}
}
