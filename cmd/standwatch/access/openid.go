package access

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"

	"example.net/standwatch/store/accounts"
)

// OpenIDOptions say how people log in with another provider (OpenID Connect
// Core 1.0, authorization code flow). Fields without "may be" are required.
type OpenIDOptions struct {
	Gate     *Gate
	Label    string // what the login page calls the provider
	Issuer   string // https://id.example.net
	ClientID string
	Secret   string   // may be empty, for a public client
	Redirect string   // https://watch.example.net/login/openid/back
	Scopes   []string // beside openid; may be empty
	Name     string   // claim that becomes the account's name; empty: preferred_username
	Claim    string   // claim whose values Grants speak of; empty: groups
	Grants   []Grant  // the first that fits counts; whoever has none may not in
	Now      func() time.Time
}

// Grant gives those who have a value in the claim a role and sites.
type Grant struct {
	Has   string
	Role  accounts.Role
	Scope accounts.Scope
}

// OpenID logs people in with another provider. A nil *OpenID is none.
type OpenID struct {
	opts OpenIDOptions

	mu       sync.Mutex // guards provider, begun
	provider *oidc.Provider
	begun    map[string]begun // by state
}

// begun is a login on its way.
type begun struct {
	browser, nonce, verifier, next string
	from                           string // whose it is, as far as the address tells
	until                          time.Time
}

// Bounds of logins on their way. Own choice; an office may be behind one
// address.
const (
	openIDTime = 10 * time.Minute
	openIDMost = 1000
	openIDEach = 50               // from one address
	openIDWait = 15 * time.Second // for the provider's answers
)

// OpenIDError says why a login with another provider came to nothing.
type OpenIDError struct{ What string }

// Error says it in plain words.
func (e *OpenIDError) Error() string { return e.What }

// NewOpenID returns a way to log in. The provider is asked for its description
// at the first login, so that it need not run when the master starts.
func NewOpenID(o OpenIDOptions) *OpenID {
	if o.Name == "" {
		o.Name = "preferred_username"
	}
	if o.Claim == "" {
		o.Claim = "groups"
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	return &OpenID{opts: o, begun: map[string]begun{}}
}

// Label is what the login page calls the provider; empty when there is none.
func (o *OpenID) Label() string {
	if o == nil {
		return ""
	}
	return o.opts.Label
}

// config returns the provider and how to ask it (OpenID Connect Discovery 1.0).
func (o *OpenID) config(ctx context.Context) (*oidc.Provider, *oauth2.Config, error) {
	o.mu.Lock()
	provider := o.provider
	o.mu.Unlock()
	if provider == nil {
		var err error
		// The provider keeps the context for fetching its keys later on.
		if provider, err = oidc.NewProvider(context.WithoutCancel(ctx), o.opts.Issuer); err != nil {
			return nil, nil, fmt.Errorf("ask %s how it is spoken to: %w", o.opts.Issuer, err)
		}
		o.mu.Lock()
		o.provider = provider
		o.mu.Unlock()
	}
	return provider, &oauth2.Config{ClientID: o.opts.ClientID, ClientSecret: o.opts.Secret, Endpoint: provider.Endpoint(), RedirectURL: o.opts.Redirect,
		Scopes: append([]string{oidc.ScopeOpenID}, o.opts.Scopes...)}, nil
}

// Begin sends the browser to the provider, with a state bound to this browser,
// a nonce (OpenID Connect Core section 3.1.2.1) and PKCE (RFC 7636).
func (o *OpenID) Begin(w http.ResponseWriter, r *http.Request, next string) error {
	ctx, cancel := o.bounded(r.Context())
	defer cancel()
	_, cfg, err := o.config(ctx)
	if err != nil {
		return err
	}
	b := begun{browser: rand.Text(), nonce: rand.Text(), verifier: oauth2.GenerateVerifier(), next: next, from: PlaceOf(r).Subscriber(), until: o.opts.Now().Add(openIDTime)}
	state := rand.Text()
	o.remember(state, b)
	o.cookie(w, b.browser, int(openIDTime/time.Second))
	http.Redirect(w, r, cfg.AuthCodeURL(state, oidc.Nonce(b.nonce), oauth2.S256ChallengeOption(b.verifier)), http.StatusSeeOther)
	return nil
}

func (o *OpenID) bounded(ctx context.Context) (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithTimeout(ctx, openIDWait)
	return oidc.ClientContext(ctx, &http.Client{Timeout: openIDWait}), cancel
}

// remember keeps a login on its way. Nobody is refused: where there is no room,
// the oldest login gives way of the address that has begun too many, or else of
// the one that has begun most.
func (o *OpenID) remember(state string, b begun) {
	o.mu.Lock()
	defer o.mu.Unlock()
	now := o.opts.Now()
	from := map[string]int{}
	for k, old := range o.begun {
		if !now.Before(old.until) {
			delete(o.begun, k)
			continue
		}
		from[old.from]++
	}
	switch {
	case from[b.from] >= openIDEach:
		delete(o.begun, o.oldest(func(old begun) bool { return old.from == b.from }))
	case len(o.begun) >= openIDMost:
		most := slices.Max(slices.Collect(maps.Values(from)))
		delete(o.begun, o.oldest(func(old begun) bool { return from[old.from] == most }))
	}
	o.begun[state] = b
}

// oldest returns the state of the oldest login of a kind. o.mu is held.
func (o *OpenID) oldest(of func(begun) bool) (state string) {
	for k, b := range o.begun {
		if of(b) && (state == "" || b.until.Before(o.begun[state].until)) {
			state = k
		}
	}
	return state
}

func (o *OpenID) cookieName() string {
	if o.opts.Gate.opts.Secure {
		return "__Host-standwatch-openid"
	}
	return "standwatch-openid"
}

func (o *OpenID) cookie(w http.ResponseWriter, value string, age int) {
	http.SetCookie(w, &http.Cookie{Name: o.cookieName(), Value: value, Path: "/", MaxAge: age, HttpOnly: true, Secure: o.opts.Gate.opts.Secure, SameSite: http.SameSiteLaxMode})
}

// Finish takes the browser back from the provider and gives it a session. It
// returns where the login was to lead, or an OpenIDError for the person.
func (o *OpenID) Finish(w http.ResponseWriter, r *http.Request) (next string, err error) {
	ctx, cancel := o.bounded(r.Context())
	defer cancel()
	b, err := o.recall(r)
	if err != nil {
		return "", err
	}
	o.cookie(w, "", -1)
	if r.FormValue("error") != "" {
		return "", &OpenIDError{"the provider did not let you in"}
	}
	outside, err := o.vouched(ctx, r.FormValue("code"), b)
	if err != nil {
		return "", err
	}
	book, place := o.opts.Gate.Book(), PlaceOf(r)
	by := accounts.By{Actor: outside.Issuer, Via: "openid", From: place.From}
	if err := book.Adopt(ctx, by, outside); errors.Is(err, accounts.ErrTaken) || errors.Is(err, accounts.ErrName) {
		return "", &OpenIDError{"the account cannot be used: " + err.Error()}
	} else if err != nil {
		return "", err
	}
	secret, _, err := book.Enter(ctx, outside.Name, place)
	if err != nil {
		return "", err
	}
	o.opts.Gate.Enter(w, secret, 0)
	return LocalPath(b.next), nil
}

// recall finds the login that a browser comes back from, once.
func (o *OpenID) recall(r *http.Request) (begun, error) {
	state := r.FormValue("state")
	o.mu.Lock()
	b, found := o.begun[state]
	delete(o.begun, state)
	o.mu.Unlock()
	c, err := r.Cookie(o.cookieName())
	if !found || err != nil || !o.opts.Now().Before(b.until) || subtle.ConstantTimeCompare([]byte(c.Value), []byte(b.browser)) != 1 {
		return begun{}, &OpenIDError{"this login was not begun in this browser, or took too long; begin it again"}
	}
	return b, nil
}

// vouched exchanges the code and checks what the provider says.
func (o *OpenID) vouched(ctx context.Context, code string, b begun) (out accounts.Outside, err error) {
	provider, cfg, err := o.config(ctx)
	if err != nil {
		return out, err
	}
	token, err := cfg.Exchange(ctx, code, oauth2.VerifierOption(b.verifier))
	if err != nil {
		return out, &OpenIDError{"the provider does not know this login any more; begin it again"}
	}
	raw, ok := token.Extra("id_token").(string)
	if !ok {
		return out, &OpenIDError{"the provider sent nothing that says who you are"}
	}
	id, err := provider.Verifier(&oidc.Config{ClientID: o.opts.ClientID, Now: o.opts.Now}).Verify(ctx, raw)
	if err != nil || subtle.ConstantTimeCompare([]byte(id.Nonce), []byte(b.nonce)) != 1 {
		return out, &OpenIDError{"what the provider sent cannot be relied on"}
	}
	claims := map[string]any{}
	if err := id.Claims(&claims); err != nil {
		return out, fmt.Errorf("read the claims of %s: %w", o.opts.Issuer, err)
	}
	return o.granted(id, claims)
}

// granted finds the role of somebody the provider vouches for.
func (o *OpenID) granted(id *oidc.IDToken, claims map[string]any) (out accounts.Outside, err error) {
	name, _ := claims[o.opts.Name].(string)
	if verified, _ := claims["email_verified"].(bool); o.opts.Name == "email" && !verified {
		return out, &OpenIDError{"the provider has not verified your address"}
	}
	if name == "" {
		return out, &OpenIDError{"the provider does not say what you are called (" + o.opts.Name + ")"}
	}
	has := words(claims[o.opts.Claim])
	for _, g := range o.opts.Grants {
		if slices.Contains(has, g.Has) {
			return accounts.Outside{Issuer: id.Issuer, Subject: id.Subject, Name: accounts.FoldName(name), Role: g.Role, Scope: g.Scope}, nil
		}
	}
	return out, &OpenIDError{"you are known to the provider, but nothing here is granted to you"}
}

// words reads a claim that is one text or a list of them.
func words(claim any) (out []string) {
	switch v := claim.(type) {
	case string:
		return []string{v}
	case []any:
		for _, x := range v {
			if text, ok := x.(string); ok {
				out = append(out, text)
			}
		}
	}
	return out
}
