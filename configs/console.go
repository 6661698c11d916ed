package configs

import (
	"crypto/tls"
	"net/netip"
	"net/url"
	"slices"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store/accounts"
)

const (
	defaultConsole = "127.0.0.1:8620"
	defaultIdle    = time.Hour
	defaultLongest = 16 * time.Hour
	mostLongest    = 31 * 24 * time.Hour
)

// SelfCertificate is the point of the site self for a certificate of the console
// that ends soon, or that is on disk and cannot be served.
const SelfCertificate correlate.PointID = "certificate"

// Console says where the pages are served, and how people get in.
type Console struct {
	Listen  string         // host:port
	URL     string         // as people reach it; empty if not said
	TLS     *TLS           // nil: none, or a reverse proxy's
	Proxies []netip.Prefix // whose X-Forwarded-For is believed
	Idle    time.Duration  // of a session without use
	Longest time.Duration  // of a session
	OpenID  *OpenID        // nil: none
}

// Secure reports whether browsers reach the console by https.
func (c Console) Secure() bool {
	u, err := url.Parse(c.URL)
	return c.TLS != nil || err == nil && u.Scheme == "https"
}

// TLS names the files of a certificate.
type TLS struct{ Certificate, Key string }

// OpenID is another provider to log in with. Secret is in the clear, as it is
// needed; it must not be printed.
type OpenID struct {
	Label, Issuer, ClientID, Secret string
	Redirect                        string // where the provider sends people back to
	Scopes                          []string
	Name, Claim                     string
	Grants                          []Grant
}

// Grant gives those who have a value in the claim a role and sites.
type Grant struct {
	Has   string
	Role  accounts.Role
	Scope accounts.Scope
}

func (c *compiler) consoleOf(s consoleShape, readFile func(string) ([]byte, error)) Console {
	if s.URL.Set && c.noLogin(s.URL, "people log in at the console") && !webAddress(s.URL.V) {
		c.out.mistake(s.URL.At, quoted(s.URL.V)+" is no web address", "write it as https://watch.example.net/")
	}
	out := Console{Listen: defaultConsole, URL: s.URL.V, Proxies: values(s.Proxies), Idle: s.Sessions.Idle.or(defaultIdle), Longest: s.Sessions.Longest.or(defaultLongest)}
	if s.Listen.Set {
		out.Listen = s.Listen.V.String()
	}
	switch {
	case out.Idle < time.Minute || out.Idle > out.Longest:
		c.out.mistake(s.Sessions.Idle.At, "sessions.idle is from one minute to the longest time of a session", "leave it out for 1h")
	case out.Longest > mostLongest:
		c.out.mistake(s.Sessions.Longest.At, "a session lasts 31 days at most", "for a screen on a wall, use a token")
	}
	if s.TLS != nil {
		out.TLS = c.certOf(s.TLS, readFile)
	}
	if s.Listen.Set && !s.Listen.V.Addr().IsLoopback() && !out.Secure() {
		c.out.finding(s.Listen.At, "passwords cross the network in the clear here", "give the console a certificate under tls:, or put a reverse proxy before it and write its https address under url:")
	}
	if s.OpenID != nil {
		out.OpenID = c.openIDOf(s.OpenID, s.URL.V)
	}
	return out
}

func webAddress(text string) bool {
	u, err := url.Parse(text)
	return err == nil && u.Host != "" && (u.Scheme == "http" || u.Scheme == "https")
}

// certOf looks whether the files go together.
func (c *compiler) certOf(s *certShape, readFile func(string) ([]byte, error)) *TLS {
	out := &TLS{Certificate: s.Certificate.V, Key: s.Key.V}
	if !s.Certificate.Set || !s.Key.Set {
		c.out.mistake(s.Here, "tls needs a certificate and a key", "name both PEM files")
		return out
	}
	var pem [2][]byte
	for i, t := range []text{s.Certificate, s.Key} {
		var err error
		if pem[i], err = readFile(t.V); err != nil {
			c.out.mistake(t.At, "the file cannot be read: "+err.Error(), "")
			return out
		}
	}
	if _, err := tls.X509KeyPair(pem[0], pem[1]); err != nil {
		c.out.mistake(s.Certificate.At, "the certificate and the key do not serve: "+err.Error(), "")
	}
	return out
}

func (c *compiler) openIDOf(s *openIDShape, consoleURL string) *OpenID {
	out := &OpenID{Label: s.Label.or("another account"), Issuer: s.Issuer.V, ClientID: s.ClientID.V, Secret: s.Secret.V.Reveal(),
		Scopes: values(s.Scopes), Name: s.Name.V, Claim: s.Claim.V}
	if len(out.Scopes) == 0 {
		out.Scopes = []string{"profile"}
	}
	if back, err := url.JoinPath(consoleURL, "login/openid/back"); consoleURL == "" || err != nil {
		c.out.mistake(s.Here, "openid needs the console's url:, to which the provider sends people back", "write console: {url: https://watch.example.net/}")
	} else {
		out.Redirect = back
	}
	switch u, err := url.Parse(s.Issuer.V); {
	case !c.noLogin(s.Issuer, "use client-id: and client-secret:"):
	case err != nil || !webAddress(s.Issuer.V):
		c.out.mistake(s.Here, "openid needs the provider's address as issuer", "write it as https://id.example.net")
	case u.Scheme != "https" && !loopbackHost(u.Hostname()):
		c.out.mistake(s.Issuer.At, "the provider has to be asked by https", "anybody between could let in whom they like")
	}
	if s.ClientID.V == "" {
		c.out.mistake(s.Here, "openid needs a client-id", "the provider gives one when the console is entered there")
	}
	for i := range s.Grants {
		g := &s.Grants[i]
		role, err := accounts.ParseRole(g.Role.V)
		switch {
		case !g.Has.Set:
			c.out.mistake(g.Here, "a grant says what somebody has to have", "write has: with a value of the claim")
			continue
		case err != nil:
			c.out.mistake(g.Here, "unknown role "+quoted(g.Role.V), DidYouMean(g.Role.V, []string{"look", "operate", "supervise", "administer"}))
			continue
		}
		out.Grants = append(out.Grants, Grant{Has: g.Has.V, Role: role, Scope: accounts.NewScope(values(g.Sites), values(g.Regions))})
	}
	if len(s.Grants) == 0 {
		c.out.mistake(s.Here, "openid grants nothing, so nobody can log in with it", "write grants: with has: and role:")
	}
	return out
}

// grantsIn checks the sites and regions that are granted to those who log in
// with another provider: a misspelt one would show them nothing.
func (c *compiler) grantsIn(s *openIDShape, net *correlate.Network) {
	if s == nil {
		return
	}
	var sites []string
	for _, id := range net.Sites() {
		sites = append(sites, string(id))
	}
	check := func(what string, granted list[text], there []string) {
		for _, name := range granted {
			if !slices.Contains(there, name.V) {
				c.out.mistake(name.At, "there is no "+what+" "+quoted(name.V), DidYouMean(name.V, there))
			}
		}
	}
	for _, g := range s.Grants {
		check("site", g.Sites, sites)
		check("region", g.Regions, net.Regions())
	}
}

// loopbackHost reports whether a name is this machine.
func loopbackHost(name string) bool {
	a, err := netip.ParseAddr(name)
	return name == "localhost" || err == nil && a.IsLoopback()
}
