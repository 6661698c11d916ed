package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"sync"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/cmd/standwatch/scoped"
	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store/accounts"
)

// door is the way into the console: who is let in, and by which certificate.
type door struct {
	gate        *access.Gate
	book        *accounts.Book // nil: nobody has to log in
	openID      *access.OpenID // nil: none
	certificate *access.Certificate
}

// openDoor reads the accounts and the certificate. Before anybody has a password
// of their own, it makes one administrator and lets the console be reached from
// this machine only.
func (d *daemon) openDoor(ctx context.Context) error {
	c := d.config.Console
	o := access.Options{Secure: c.Secure(), Proxies: c.Proxies, Log: d.log}
	if !d.opts.Login {
		// Everything a demonstration shows is invented, and whoever sits at the
		// machine may do all of it.
		o.Everybody = accounts.Who{Name: "operator", Role: accounts.Administer}
		d.door.gate = access.New(o)
		return nil
	}
	if err := firstStart(ctx, d, c.Listen); err != nil {
		return err
	}
	var err error
	if d.door.book, err = accounts.New(accounts.Options{Store: d.store, Journal: d.journalAccess, Now: d.opts.Now, Idle: c.Idle, Longest: c.Longest, Hashing: d.opts.Hashing}); err != nil {
		return err
	}
	o.Book = d.door.book
	d.door.gate = access.New(o)
	if c.OpenID != nil {
		d.door.openID = access.NewOpenID(openIDOptions(c.OpenID, d.door.gate))
	}
	if c.TLS != nil {
		d.door.certificate, err = access.NewCertificate(c.TLS.Certificate, c.TLS.Key, d.log)
	}
	return err
}

func openIDOptions(c *configs.OpenID, gate *access.Gate) access.OpenIDOptions {
	o := access.OpenIDOptions{Gate: gate, Label: c.Label, Issuer: c.Issuer, ClientID: c.ClientID, Secret: c.Secret, Redirect: c.Redirect, Scopes: c.Scopes, Name: c.Name, Claim: c.Claim}
	for _, g := range c.Grants {
		o.Grants = append(o.Grants, access.Grant(g))
	}
	return o
}

// journalAccess makes what happened to an account durable.
func (d *daemon) journalAccess(ctx context.Context, in *correlate.Access) error {
	_, err := d.ledger.Submit(ctx, in)
	return err
}

// firstName is the account of a first start.
const firstName = "administrator"

// errOpenToAll is returned when the console would be reached from elsewhere
// before anybody has a password of their own.
var errOpenToAll = errors.New("nobody has an account with a password of their own yet, so the console may listen on loopback only")

// firstStart gives an administrator a one-time password while nobody has one of
// their own, and prints it. Nothing else runs yet.
func firstStart(ctx context.Context, d *daemon, listen string) error {
	book, err := accounts.New(accounts.Options{Store: d.store, Journal: accounts.Direct(d.store, d.opts.Now), Now: d.opts.Now, Hashing: d.opts.Hashing})
	if err != nil || book.Begun() {
		return err
	}
	if !loopback(listen) {
		return fmt.Errorf("listen for the console on %s: %w; make an account first (standwatch user add NAME --role administer), or let it listen on 127.0.0.1 for the first login", listen, errOpenToAll)
	}
	once, by := accounts.OneTimePassword(), accounts.By{Actor: "first start", Via: "first start"}
	if _, there := book.Account(firstName); there {
		err = book.SetPassword(ctx, by, firstName, once, true)
	} else {
		err = book.Add(ctx, by, accounts.NewAccount{Name: firstName, Role: accounts.Administer, Password: once, OneTime: true})
	}
	if err != nil {
		return fmt.Errorf("make the first account: %w", err)
	}
	if d.opts.Told != nil {
		_, err = fmt.Fprintf(d.opts.Told, "\nNobody has an account yet. Log in on this machine as\n\n    name      %s\n    password  %s\n\nIt works for one day and has to be changed at the first login.\n\n", firstName, once)
	}
	return err
}

func loopback(listen string) bool {
	a, err := netip.ParseAddrPort(listen)
	return err == nil && a.Addr().IsLoopback()
}

// views keeps the handlers of the pages and the API, one for all who see the
// same.
type views struct {
	make func(*scoped.View) http.Handler
	src  scoped.Source

	mu    sync.Mutex // guards byKey
	byKey map[string]http.Handler
}

// maxViews bounds the different views that are kept; with more they are made
// again as they are asked for.
const maxViews = 32

func (v *views) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	who, audit := access.WhoIs(r), access.May(r, access.Audit)
	if who.Name == "" {
		// Nobody sees nothing: what they get is the login and the style sheet.
		who.Scopes = []accounts.Scope{{Sites: []correlate.SiteID{"-"}}}
	}
	v.of(who, audit).ServeHTTP(w, r)
}

func (v *views) of(who accounts.Who, audit bool) http.Handler {
	key := scoped.Key(who, audit)
	v.mu.Lock()
	defer v.mu.Unlock()
	h := v.byKey[key]
	if h == nil {
		if len(v.byKey) >= maxViews {
			clear(v.byKey)
		}
		h = v.make(scoped.Of(v.src, who, audit))
		v.byKey[key] = h
	}
	return h
}

// behind answers only those who have the permission, in plain text.
func behind(p access.Permission, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if err := access.Check(r, p); err != nil {
			status := http.StatusForbidden
			if errors.Is(err, access.ErrUnknown) {
				status = http.StatusUnauthorized
				w.Header().Set("WWW-Authenticate", "Bearer")
			}
			http.Error(w, err.Error(), status)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// serveOn serves plain HTTP, or TLS where there is a certificate.
func (d *daemon) serveOn(at net.Listener) error {
	if d.door.certificate == nil {
		return d.web.Serve(at)
	}
	d.web.TLSConfig = d.door.certificate.Config()
	return d.web.ServeTLS(at, "", "")
}

// runDoor ends sessions whose time is over, until ctx ends.
func (d *daemon) runDoor(ctx context.Context) error {
	if d.door.book == nil {
		<-ctx.Done()
		return nil
	}
	return d.door.book.Run(ctx)
}
