package console

import (
	"errors"
	"net/http"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/store/accounts"
)

// mePage is one's own account.
type mePage struct {
	Name       string
	Role       accounts.Role
	Scope      string
	Outside    string // who vouches for the person; empty: a password here
	MustChange bool
	Problem    string
	Done       string
	Sessions   []sessionView
	Least      int // characters of a password
}

// sessionView is one session.
type sessionView struct {
	ID, Account, From, Agent string
	Screen                   bool // made from a token
	Own                      bool // the one that asks
	Made, Used, Ends         moment
}

func (s *server) me(w http.ResponseWriter, r *http.Request) error {
	return s.showMe(w, r, http.StatusOK, mePage{})
}

func (s *server) showMe(w http.ResponseWriter, r *http.Request, status int, page mePage) error {
	if s.book() == nil {
		return errNoAccounts
	}
	who := access.WhoIs(r)
	a, _ := s.book().Account(who.Name)
	page.Name, page.Role, page.Scope, page.Outside, page.MustChange = a.Name, a.Role, a.Scope.String(), a.Issuer, !a.OneTime.IsZero()
	page.Sessions = s.sessionsOf(who, func(x accounts.Session) bool { return x.Account == who.Name })
	return s.render(w, r, status, "me", "Your account", page)
}

func (s *server) sessionsOf(who accounts.Who, keep func(accounts.Session) bool) (out []sessionView) {
	c := clock{s.Now(), s.Zone}
	for _, x := range s.book().Sessions() {
		if keep(x) {
			out = append(out, sessionView{ID: x.ID, Account: x.Account, From: x.From, Agent: plain(x.Agent, 120), Screen: x.Token != "", Own: x.ID == who.Session,
				Made: c.at(x.Made), Used: c.at(x.Used), Ends: c.at(x.Ends)})
		}
	}
	return out
}

func (s *server) ownPassword(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r)
	if err != nil {
		return err
	}
	if s.book() == nil {
		return errNoAccounts
	}
	if f.Get("new") != f.Get("again") {
		return s.showMe(w, r, http.StatusUnprocessableEntity, mePage{Problem: "The new password was not the same both times."})
	}
	err = s.book().ChangePassword(r.Context(), access.WhoIs(r), access.PlaceOf(r), f.Get("old"), f.Get("new"))
	if err != nil {
		p, known := accessProblem(err)
		if !known {
			return err
		}
		if errors.Is(err, accounts.ErrLogin) {
			p.Detail = "the password so far is wrong"
		}
		return s.showMe(w, r, p.Status, mePage{Problem: upperFirst(p.Detail) + "."})
	}
	return s.showMe(w, r, http.StatusOK, mePage{Done: "The password is changed. Your other sessions have been ended."})
}

func (s *server) endOwnSession(w http.ResponseWriter, r *http.Request) error {
	if s.book() == nil {
		return errNoAccounts
	}
	return s.afterAccess(w, r, s.book().EndSession(r.Context(), by(r), access.WhoIs(r).Name, r.PathValue("id")), "/me")
}

func (s *server) endOtherSessions(w http.ResponseWriter, r *http.Request) error {
	if s.book() == nil {
		return errNoAccounts
	}
	who := access.WhoIs(r)
	return s.afterAccess(w, r, s.book().EndSessions(r.Context(), by(r), who.Name, who.Session), "/me")
}

// afterAccess leads back to a page after something was done to an account, or
// says why it was not.
func (s *server) afterAccess(w http.ResponseWriter, r *http.Request, err error, back string) error {
	if err != nil {
		if p, known := accessProblem(err); known {
			return p
		}
		return err
	}
	http.Redirect(w, r, back, http.StatusSeeOther)
	return nil
}

// accessProblem maps the errors of accounts to what a person may see.
func accessProblem(err error) (p *api.Problem, known bool) {
	status := map[error]int{accounts.ErrNoAccount: 404, accounts.ErrNoSession: 404, accounts.ErrNoToken: 404, accounts.ErrTaken: 409, accounts.ErrLastAdministrator: 409,
		accounts.ErrName: 422, accounts.ErrPassword: 422, accounts.ErrBounds: 422, accounts.ErrLogin: 403, accounts.ErrBusy: 503}
	for kind, code := range status {
		if errors.Is(err, kind) {
			return problemOf(code, err.Error()), true
		}
	}
	if wait, waits := errors.AsType[*accounts.WaitError](err); waits {
		return problemOf(http.StatusTooManyRequests, wait.Error()), true
	}
	return nil, false
}
