package access

import (
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"strings"
	"testing"

	"example.net/standwatch/store/accounts"
)

// A login leads nowhere but to this server, whatever stands in the address.
func TestLocalPath(t *testing.T) {
	for text, want := range map[string]string{
		"/": "/", "/alarms/harrow-knoll:mains": "/alarms/harrow-knoll:mains", "/history?site=a&x=%2f%2fb": "/history?site=a&x=%2f%2fb",
		"": "/", "history": "/", "https://evil.example.net/": "/", "//evil.example.net/": "/", "///evil.example.net": "/", `/\evil.example.net`: "/", `\\evil.example.net`: "/",
		"/\t/evil.example.net": "/", "/\n/evil.example.net": "/", "/a\r\nSet-Cookie: x=y": "/", "javascript:alert(1)": "/", "/%2f/evil.example.net": "/", "/%5cevil.example.net": "/",
		"/a b": "/", "/../login": "/../login", "/x#//evil.example.net": "/x", "/\x00": "/", " //evil.example.net": "/", "/%zz": "/",
	} {
		got := LocalPath(text)
		if got != want {
			t.Errorf("%q leads to %q, want %q", text, got, want)
		}
		// As a browser reads it, from any page of this server.
		base := &url.URL{Scheme: "https", Host: "watch.example.net", Path: "/login"}
		if to, err := base.Parse(got); err != nil || to.Host != "watch.example.net" {
			t.Errorf("%q leads to %v (%v)", text, to, err)
		}
	}
}

func TestClientAddress(t *testing.T) {
	g := New(Options{Proxies: []netip.Prefix{netip.MustParsePrefix("198.51.100.0/24"), netip.MustParsePrefix("127.0.0.0/8")}})
	for _, tt := range []struct{ peer, header, want string }{
		{"203.0.113.9:4000", "", "203.0.113.9"},
		{"203.0.113.9:4000", "192.0.2.1", "203.0.113.9"}, // no proxy: its word is worth nothing
		{"127.0.0.1:4000", "192.0.2.1", "192.0.2.1"},
		{"127.0.0.1:4000", "10.9.9.9, 192.0.2.1", "192.0.2.1"}, // the left end is the client's own invention
		{"127.0.0.1:4000", "10.9.9.9, 192.0.2.1, 198.51.100.7", "192.0.2.1"},
		{"127.0.0.1:4000", "nonsense", "127.0.0.1"},
		{"127.0.0.1:4000", "192.0.2.1, nonsense", "127.0.0.1"},
		{"[::1]:4000", "192.0.2.1", "::1"},
		{"[::ffff:127.0.0.1]:4000", "2001:db8::1", "2001:db8::1"},
	} {
		r := httptest.NewRequest("GET", "/", nil)
		r.RemoteAddr = tt.peer
		if tt.header != "" {
			r.Header.Set("X-Forwarded-For", tt.header)
		}
		if got := g.client(r); got != tt.want {
			t.Errorf("from %s with %q: %s, want %s", tt.peer, tt.header, got, tt.want)
		}
	}
}

func TestCookie(t *testing.T) {
	for secure, want := range map[bool]string{
		true: "__Host-standwatch=s; Path=/; HttpOnly; Secure; SameSite=Lax", false: "standwatch=s; Path=/; HttpOnly; SameSite=Lax",
	} {
		w := httptest.NewRecorder()
		New(Options{Secure: secure}).Enter(w, "s", 0)
		if got := w.Header().Get("Set-Cookie"); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

// Where nobody has to log in, a page of another origin cannot make a browser
// ask under a name of its own, and no proxy can let others in.
func TestWithoutLoginOnlyThisMachineIsAnswered(t *testing.T) {
	h := New(Options{Everybody: accounts.Who{Name: "operator", Role: accounts.Administer}}).Wrap(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if Actor(r) != "operator" || !May(r, Manage) {
			t.Errorf("actor %s", Actor(r))
		}
	}))
	for _, tt := range []struct {
		host, name, value string
		status            int
	}{
		{"127.0.0.1:8620", "", "", 200}, {"localhost:8620", "", "", 200}, {"[::1]:8620", "", "", 200}, {"localhost", "", "", 200},
		{"evil.example.net", "", "", 403}, {"127.0.0.1.evil.example.net:8620", "", "", 403}, {"192.0.2.1:8620", "", "", 403},
		{"127.0.0.1:8620", "X-Forwarded-For", "203.0.113.1", 403}, {"localhost", "Forwarded", "for=203.0.113.1", 403},
	} {
		r := httptest.NewRequest("GET", "/", nil)
		r.Host = tt.host
		if tt.name != "" {
			r.Header.Set(tt.name, tt.value)
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != tt.status {
			t.Errorf("%s with %s: %d, want %d", tt.host, tt.name, w.Code, tt.status)
		}
	}
}

func TestCheck(t *testing.T) {
	may := func(who accounts.Who) (out string) {
		r := httptest.NewRequest("GET", "/", nil)
		As(who, http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
			for _, p := range Permissions() {
				if May(r, p) {
					out += string(rune('0' + p))
				}
			}
		})).ServeHTTP(httptest.NewRecorder(), r)
		return out
	}
	some := []accounts.Scope{accounts.NewScope([]string{"a"}, nil)}
	for _, tt := range []struct {
		name string
		who  accounts.Who
		want []Permission
	}{
		{"nobody", accounts.Who{}, []Permission{Anybody}},
		{"look", accounts.Who{Name: "a", Role: accounts.Look}, []Permission{Anybody, Self, See, Whole}},
		{"look at some", accounts.Who{Name: "a", Role: accounts.Look, Scopes: some}, []Permission{Anybody, Self, See}},
		{"operate", accounts.Who{Name: "a", Role: accounts.Operate}, []Permission{Anybody, Self, See, Whole, Act}},
		{"supervise", accounts.Who{Name: "a", Role: accounts.Supervise}, []Permission{Anybody, Self, See, Whole, Act, ActLong, Audit}},
		{"administer", accounts.Who{Name: "a", Role: accounts.Administer}, Permissions()},
		{"token", accounts.Who{Name: "a", Role: accounts.Administer, Token: "t"}, []Permission{Anybody, See, Whole, Act, ActLong, Audit}},
		{"must change", accounts.Who{Name: "a", Role: accounts.Administer, MustChange: true}, []Permission{Anybody, Self}},
	} {
		want := ""
		for _, p := range tt.want {
			want += string(rune('0' + p))
		}
		if got := may(tt.who); got != want {
			t.Errorf("%s may %s, want %s", tt.name, got, want)
		}
	}
	if err := (&DeniedError{accounts.Look, accounts.Operate}); !strings.Contains(err.Error(), "look") || !strings.Contains(err.Error(), "operate") {
		t.Error(err)
	}
}
