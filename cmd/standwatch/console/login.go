package console

import (
	"bytes"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/store/accounts"
)

// accessRoutes are the pages about who may use the console.
func (s *server) accessRoutes() []route {
	return []route{
		{"GET /login", access.Anybody, s.loginPage},
		{"POST /login", access.Anybody, s.login},
		{"POST /login/token", access.Anybody, s.loginByToken},
		{"GET /login/openid", access.Anybody, s.openID},
		{"GET /login/openid/back", access.Anybody, s.openIDBack},
		{"POST /logout", access.Anybody, s.logout},
		{"GET /me", access.Self, s.me},
		{"POST /me/password", access.Self, s.ownPassword},
		{"POST /me/sessions/{id}/end", access.Self, s.endOwnSession},
		{"POST /me/sessions/end-others", access.Self, s.endOtherSessions},
		{"GET /tokens", access.Self, s.tokens},
		{"POST /tokens", access.Self, s.makeToken},
		{"POST /tokens/{id}/end", access.Self, s.endToken},
		{"GET /accounts", access.Manage, s.accounts},
		{"POST /accounts", access.Manage, s.addAccount},
		{"POST /accounts/{name}/{change}", access.Manage, s.changeAccount},
		{"POST /sessions/{id}/end", access.Manage, s.endSession},
		{"GET /trail", access.Audit, s.trail},
	}
}

// loginView is the page before everything else.
type loginView struct {
	Title   string
	Centre  string
	Next    string
	Name    string
	Problem string
	OpenID  string // what the other provider is called; empty when there is none
	Open    bool   // nobody has to log in
}

func (s *server) loginPage(w http.ResponseWriter, r *http.Request) error {
	next := access.LocalPath(r.URL.Query().Get("next"))
	if access.WhoIs(r).Name != "" && s.book() != nil {
		http.Redirect(w, r, next, http.StatusSeeOther)
		return nil
	}
	return s.showLogin(w, http.StatusOK, loginView{Next: next})
}

func (s *server) showLogin(w http.ResponseWriter, status int, v loginView) error {
	v.Title, v.Centre, v.Open, v.OpenID = "Log in", s.Centre, s.book() == nil, s.OpenID.Label()
	var b bytes.Buffer
	if err := s.pages["login"].ExecuteTemplate(&b, "outside", v); err != nil {
		return fmt.Errorf("make page login: %w", err)
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	// A reader that went away needs no answer.
	_, _ = b.WriteTo(w)
	return nil
}

// book returns the accounts, or nil where nobody has to log in.
func (s *server) book() *accounts.Book { return s.Gate.Book() }

var errNoAccounts = problemOf(http.StatusConflict, "nobody has to log in here, so there are no accounts")

// form reads a posted form of bounded size.
func form(w http.ResponseWriter, r *http.Request) (url.Values, error) {
	r.Body = http.MaxBytesReader(w, r.Body, api.MaxBody)
	if err := r.ParseForm(); err != nil {
		if _, tooBig := errors.AsType[*http.MaxBytesError](err); tooBig {
			return nil, err
		}
		return nil, badRequest("the form cannot be read")
	}
	return r.PostForm, nil
}

func (s *server) login(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r)
	if err != nil {
		return err
	}
	if s.book() == nil {
		return errNoAccounts
	}
	v := loginView{Next: access.LocalPath(f.Get("next")), Name: f.Get("name")}
	secret, who, err := s.book().Login(r.Context(), f.Get("name"), f.Get("password"), access.PlaceOf(r))
	if err != nil {
		return s.notIn(w, v, err)
	}
	s.Gate.Enter(w, secret, 0)
	if who.MustChange {
		v.Next = "/me"
	}
	http.Redirect(w, r, v.Next, http.StatusSeeOther)
	return nil
}

// loginByToken exchanges a token, once and in a form's body, for a session that
// only looks: an address is kept in histories and logs, a body is not.
func (s *server) loginByToken(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r)
	if err != nil {
		return err
	}
	if s.book() == nil {
		return errNoAccounts
	}
	v := loginView{Next: access.LocalPath(f.Get("next"))}
	secret, lasts, err := s.enterByToken(r, f.Get("token"))
	if err != nil {
		return s.notIn(w, v, err)
	}
	s.Gate.Enter(w, secret, lasts)
	http.Redirect(w, r, v.Next, http.StatusSeeOther)
	return nil
}

func (s *server) enterByToken(r *http.Request, token string) (secret string, lasts time.Duration, err error) {
	secret, who, err := s.book().EnterByToken(r.Context(), token, access.PlaceOf(r))
	if err != nil {
		return "", 0, err
	}
	for _, session := range s.book().Sessions() {
		if session.ID == who.Session {
			lasts = session.Ends.Sub(s.Now())
		}
	}
	return secret, lasts, nil
}

// notIn says why a login was refused.
func (s *server) notIn(w http.ResponseWriter, v loginView, err error) error {
	status := http.StatusForbidden
	wait, waits := errors.AsType[*accounts.WaitError](err)
	switch {
	case waits:
		status = http.StatusTooManyRequests
		w.Header().Set("Retry-After", strconv.Itoa(int((wait.For+time.Second-1)/time.Second)))
	case errors.Is(err, accounts.ErrBusy):
		status = http.StatusServiceUnavailable
	case !errors.Is(err, accounts.ErrLogin):
		return err
	}
	v.Problem = upperFirst(err.Error()) + "."
	return s.showLogin(w, status, v)
}

func (s *server) logout(w http.ResponseWriter, r *http.Request) error {
	who := access.WhoIs(r)
	if s.book() == nil || who.Session == "" {
		http.Redirect(w, r, "/login", http.StatusSeeOther)
		return nil
	}
	err := s.book().EndSession(r.Context(), by(r), "", who.Session)
	if err != nil && !errors.Is(err, accounts.ErrNoSession) {
		return fmt.Errorf("log out: %w", err)
	}
	s.Gate.Leave(w)
	http.Redirect(w, r, "/login", http.StatusSeeOther)
	return nil
}

// by says who does something to accounts.
func by(r *http.Request) accounts.By {
	return accounts.By{Actor: access.Actor(r), Via: "console", From: access.PlaceOf(r).From}
}

func (s *server) openID(w http.ResponseWriter, r *http.Request) error {
	if s.OpenID == nil {
		return notFound("no other provider is configured to log in with")
	}
	return s.OpenID.Begin(w, r, access.LocalPath(r.URL.Query().Get("next")))
}

func (s *server) openIDBack(w http.ResponseWriter, r *http.Request) error {
	if s.OpenID == nil {
		return notFound("no other provider is configured to log in with")
	}
	next, err := s.OpenID.Finish(w, r)
	if refused, is := errors.AsType[*access.OpenIDError](err); is {
		return s.showLogin(w, http.StatusForbidden, loginView{Next: "/", Problem: upperFirst(refused.Error()) + "."})
	}
	if err != nil {
		return err
	}
	http.Redirect(w, r, next, http.StatusSeeOther)
	return nil
}
