package access

import (
	"cmp"
	"context"
	"errors"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"example.net/standwatch/store/accounts"
)

// Bounds of a request. Own choice, no source.
const (
	maxBody     = 1 << 20          // octets; most handlers allow less
	bodyTime    = 20 * time.Second // for all of a body to come in
	writeTime   = 30 * time.Second // for one write to be taken
	touchEvery  = time.Minute      // how often a stream counts as use
	mostStreams = 24               // of one person at once
)

// Options say how a Gate works.
type Options struct {
	Book *accounts.Book // nil: nobody has to log in
	// Everybody is who sends every request when Book is nil.
	Everybody accounts.Who
	// Secure says that browsers reach the console by https only, so that the
	// cookie is for https only.
	Secure bool
	// Proxies are the networks whose X-Forwarded-For is believed.
	Proxies []netip.Prefix
	Log     zerolog.Logger
	// BodyTime is how long all of a body may take to come in, WriteTime how long
	// one write of an answer to be taken; 0 means 20 and 30 seconds.
	BodyTime, WriteTime time.Duration
}

// Gate finds out who sends each request.
type Gate struct {
	opts Options

	mu      sync.Mutex     // guards streams
	streams map[string]int // open ones, by account and token
}

// New returns a gate.
func New(o Options) *Gate {
	o.BodyTime, o.WriteTime = cmp.Or(o.BodyTime, bodyTime), cmp.Or(o.WriteTime, writeTime)
	return &Gate{opts: o, streams: map[string]int{}}
}

// Book returns the accounts, or nil when nobody has to log in.
func (g *Gate) Book() *accounts.Book {
	if g == nil {
		return nil
	}
	return g.opts.Book
}

// Bound returns next with bounded bodies and times, for everybody.
func (g *Gate) Bound(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if g.opts.Secure {
			// RFC 6797 section 6.1; a year, as is common practice.
			w.Header().Set("Strict-Transport-Security", "max-age=31536000")
		}
		rc := http.NewResponseController(w)
		if r.ContentLength != 0 {
			// A server that cannot bound the time is one of a test.
			_ = rc.SetReadDeadline(time.Now().Add(g.opts.BodyTime))
		}
		r.Body = http.MaxBytesReader(w, r.Body, maxBody)
		next.ServeHTTP(&patient{ResponseWriter: w, rc: rc, time: g.opts.WriteTime}, r)
	})
}

// Wrap returns next behind the gate: the request that it gets has its sender in
// its context.
func (g *Gate) Wrap(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		sent := &request{gate: g, place: accounts.Place{From: g.client(r), Agent: r.UserAgent()}}
		if err := g.identify(r, sent); err != nil {
			g.refuse(w, err)
			return
		}
		next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), requestKey{}, sent)))
	})
}

// identify finds out who sends a request. An error is an answer by itself;
// nobody is none.
func (g *Gate) identify(r *http.Request, sent *request) error {
	if g.opts.Book == nil {
		if !local(r) {
			return errNotLocal
		}
		sent.who = g.opts.Everybody
		return nil
	}
	if token, given := bearer(r); given {
		var err error
		sent.who, err = g.opts.Book.ByToken(r.Context(), token, sent.place)
		sent.token = token
		return err
	}
	c, err := r.Cookie(g.cookieName())
	if err != nil {
		return nil
	}
	if who, over, ok := g.opts.Book.Session(c.Value); ok {
		sent.who, sent.secret, sent.over = who, c.Value, over
	}
	return nil
}

// errNotLocal answers a request that did not come from a browser of this very
// machine, where nobody has to log in.
var errNotLocal = errors.New("nobody has to log in here, so only this machine's own browser is answered: use http://127.0.0.1 or http://localhost, without a proxy between")

// local reports whether a request is meant for loopback and came without a
// proxy. A page of another origin can make a browser send requests here under
// a name of its own (DNS rebinding); they carry that name.
func local(r *http.Request) bool {
	host := r.Host
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	addr, err := netip.ParseAddr(strings.Trim(host, "[]"))
	if !(err == nil && addr.IsLoopback()) && host != "localhost" {
		return false
	}
	return r.Header.Get("X-Forwarded-For") == "" && r.Header.Get("Forwarded") == ""
}

// bearer returns the token of RFC 6750 section 2.1.
func bearer(r *http.Request) (token string, given bool) {
	scheme, token, _ := strings.Cut(r.Header.Get("Authorization"), " ")
	return strings.TrimSpace(token), strings.EqualFold(scheme, "Bearer")
}

// refuse answers a wrong token, in plain text: it was sent by a machine.
func (g *Gate) refuse(w http.ResponseWriter, err error) {
	status := http.StatusForbidden
	wait, waits := errors.AsType[*accounts.WaitError](err)
	switch {
	case waits:
		status = http.StatusTooManyRequests
		w.Header().Set("Retry-After", retryAfter(wait.For))
	case errors.Is(err, accounts.ErrLogin):
		status = http.StatusUnauthorized
		w.Header().Set("WWW-Authenticate", `Bearer error="invalid_token"`) // RFC 6750 section 3.1
		err = errors.New("this token is wrong, or its time is over")
	case !errors.Is(err, errNotLocal):
		g.opts.Log.Error().Err(err).Msg("a token could not be looked at")
		status, err = http.StatusServiceUnavailable, errors.New("the token could not be looked at; the master's log says why")
	}
	h := w.Header()
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Cache-Control", "no-store")
	http.Error(w, err.Error(), status)
}

// client returns the address a request comes from. What X-Forwarded-For says is
// believed from the right as far as each hop is a configured proxy; there is no
// standard for that header, and its left end is whatever the client wrote.
func (g *Gate) client(r *http.Request) string {
	peer, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return ""
	}
	addr := peer.Addr().Unmap().WithZone("")
	hops := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
	for _, hop := range slices.Backward(hops) {
		if !g.proxy(addr) {
			break
		}
		next, err := netip.ParseAddr(strings.TrimSpace(hop))
		if err != nil {
			break
		}
		addr = next.Unmap().WithZone("")
	}
	return addr.String()
}

func (g *Gate) proxy(a netip.Addr) bool {
	return slices.ContainsFunc(g.opts.Proxies, func(p netip.Prefix) bool { return p.Contains(a) })
}

func (g *Gate) cookieName() string {
	if g.opts.Secure {
		return "__Host-standwatch"
	}
	return "standwatch"
}

// Enter gives the browser a session, for as long as the browser runs, or for
// lasts when that is not 0.
func (g *Gate) Enter(w http.ResponseWriter, secret string, lasts time.Duration) {
	g.setCookie(w, secret, int(lasts/time.Second))
}

// Leave takes the session from the browser.
func (g *Gate) Leave(w http.ResponseWriter) { g.setCookie(w, "", -1) }

// setCookie sets the cookie; whether it is still good is known here and not
// there. Lax, so that a link in a message finds the person
// logged in; forms of other origins are refused by http.CrossOriginProtection.
func (g *Gate) setCookie(w http.ResponseWriter, value string, age int) {
	http.SetCookie(w, &http.Cookie{Name: g.cookieName(), Value: value, Path: "/", MaxAge: age, HttpOnly: true, Secure: g.opts.Secure, SameSite: http.SameSiteLaxMode})
}

// ErrStreams is returned by While when a person has too many streams open.
var ErrStreams = errors.New("you have as many live pages open as one person may")

// While returns the context of a stream: it ends with the request's, and when
// the session ends or may do other things. Done has to be called at the end of
// the stream. An open stream counts as use of the session: a board that is
// being watched must not go dark.
func While(r *http.Request) (ctx context.Context, done func(), err error) {
	sent := of(r.Context())
	ctx, cancel := context.WithCancel(r.Context())
	if sent.gate == nil || sent.gate.opts.Book == nil {
		return ctx, cancel, nil
	}
	if !sent.gate.streamBegins(sent.who.Actor()) {
		cancel()
		return nil, nil, ErrStreams
	}
	var watching sync.WaitGroup
	if sent.secret != "" || sent.token != "" {
		watching.Go(func() {
			defer cancel()
			sent.watch(ctx)
		})
	}
	return ctx, func() {
		cancel()
		watching.Wait()
		sent.gate.streamEnds(sent.who.Actor())
	}, nil
}

func (sent *request) watch(ctx context.Context) {
	tick := time.NewTicker(touchEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-sent.over:
			return
		case <-tick.C:
			if !sent.still(ctx) {
				return
			}
		}
	}
}

// still reports whether the session or token is still good, and uses it.
func (sent *request) still(ctx context.Context) bool {
	if sent.token != "" {
		_, err := sent.gate.opts.Book.ByToken(ctx, sent.token, sent.place)
		return err == nil
	}
	_, _, ok := sent.gate.opts.Book.Session(sent.secret)
	return ok
}

func (g *Gate) streamBegins(who string) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.streams[who] >= mostStreams {
		return false
	}
	g.streams[who]++
	return true
}

func (g *Gate) streamEnds(who string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.streams[who]--; g.streams[who] <= 0 {
		delete(g.streams, who)
	}
}

// patient is a writer whose reader may take so long for each write, so that a
// long answer may last while a reader that takes nothing is cut off.
type patient struct {
	http.ResponseWriter
	rc   *http.ResponseController
	time time.Duration
}

func (p *patient) Write(b []byte) (int, error) {
	// A writer that cannot bound the time is one of a test.
	_ = p.rc.SetWriteDeadline(time.Now().Add(p.time))
	return p.ResponseWriter.Write(b)
}

// Unwrap lets http.ResponseController reach what is below.
func (p *patient) Unwrap() http.ResponseWriter { return p.ResponseWriter }
