package console

import (
	"net/http"
	"strings"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store/accounts"
)

// accountsPage lists who may use the console, for administrators.
type accountsPage struct {
	Accounts []accountView
	Sessions []sessionView
	Roles    []accounts.Role
	Regions  []string
	Given    string // a password that is shown this once
	GivenTo  string
	Problem  string
}

// accountView is one account.
type accountView struct {
	Name           string
	Role           accounts.Role
	Scope          string
	Sites, Regions string // as the form has them
	Outside        string
	OneTime        bool
	Made, Entered  moment
	Own            bool // of the person who asks
}

func (s *server) accounts(w http.ResponseWriter, r *http.Request) error {
	return s.showAccounts(w, r, http.StatusOK, accountsPage{})
}

func (s *server) showAccounts(w http.ResponseWriter, r *http.Request, status int, page accountsPage) error {
	if s.book() == nil {
		return errNoAccounts
	}
	who := access.WhoIs(r)
	c := clock{s.Now(), s.Zone}
	for _, a := range s.book().Accounts() {
		v := accountView{Name: a.Name, Role: a.Role, Scope: a.Scope.String(), Regions: strings.Join(a.Scope.Regions, ", "), Outside: a.Issuer, OneTime: !a.OneTime.IsZero(),
			Made: c.at(a.Made), Entered: c.at(a.Entered), Own: a.Name == who.Name}
		var sites []string
		for _, id := range a.Scope.Sites {
			sites = append(sites, string(id))
		}
		v.Sites = strings.Join(sites, ", ")
		page.Accounts = append(page.Accounts, v)
	}
	page.Roles = accounts.Roles()
	page.Sessions = s.sessionsOf(who, func(accounts.Session) bool { return true })
	s.Board.Read(func(_ *correlate.State, net *correlate.Network) { page.Regions, _ = choices(net) })
	return s.render(w, r, status, "accounts", "Accounts", page)
}

// scopeOf reads sites and regions from a form, checked against the network: a
// misspelt region would show nothing.
func (s *server) scopeOf(sites, regions string) (accounts.Scope, error) {
	words := func(text string) []string {
		return strings.FieldsFunc(text, func(r rune) bool { return r == ',' || r == '\n' || r == '\r' })
	}
	scope := accounts.NewScope(words(sites), words(regions))
	var err error
	s.Board.Read(func(_ *correlate.State, net *correlate.Network) { err = access.InNetwork(net, scope) })
	if err != nil {
		return scope, problemOf(http.StatusUnprocessableEntity, err.Error())
	}
	return scope, nil
}

func (s *server) addAccount(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r)
	if err != nil {
		return err
	}
	if s.book() == nil {
		return errNoAccounts
	}
	role, err := accounts.ParseRole(f.Get("role"))
	if err != nil {
		return badRequest(err.Error())
	}
	scope, err := s.scopeOf(f.Get("sites"), f.Get("regions"))
	if err != nil {
		return err
	}
	name, once := strings.TrimSpace(f.Get("name")), accounts.OneTimePassword()
	err = s.book().Add(r.Context(), by(r), accounts.NewAccount{Name: name, Role: role, Scope: scope, Password: once, OneTime: true})
	return s.given(w, r, err, name, once)
}

// given shows a password that was made for somebody, this once.
func (s *server) given(w http.ResponseWriter, r *http.Request, err error, name, once string) error {
	if err != nil {
		p, known := accessProblem(err)
		if !known {
			return err
		}
		return s.showAccounts(w, r, p.Status, accountsPage{Problem: upperFirst(p.Detail) + "."})
	}
	return s.showAccounts(w, r, http.StatusOK, accountsPage{Given: once, GivenTo: name})
}

func (s *server) changeAccount(w http.ResponseWriter, r *http.Request) error {
	f, err := form(w, r)
	if err != nil {
		return err
	}
	book, name := s.book(), r.PathValue("name")
	if book == nil {
		return errNoAccounts
	}
	switch r.PathValue("change") {
	case "role":
		role, wrong := accounts.ParseRole(f.Get("role"))
		if wrong != nil {
			return badRequest(wrong.Error())
		}
		err = book.SetRole(r.Context(), by(r), name, role)
	case "scope":
		scope, wrong := s.scopeOf(f.Get("sites"), f.Get("regions"))
		if wrong != nil {
			return wrong
		}
		err = book.SetScope(r.Context(), by(r), name, scope)
	case "password":
		once := accounts.OneTimePassword()
		return s.given(w, r, book.SetPassword(r.Context(), by(r), name, once, true), name, once)
	case "end-sessions":
		err = book.EndSessions(r.Context(), by(r), name, "")
	case "remove":
		err = book.Remove(r.Context(), by(r), name)
	default:
		return notFound("there is nothing at this address")
	}
	if p, known := accessProblem(err); err != nil && known {
		return s.showAccounts(w, r, p.Status, accountsPage{Problem: upperFirst(p.Detail) + "."})
	}
	return s.afterAccess(w, r, err, "/accounts")
}

func (s *server) endSession(w http.ResponseWriter, r *http.Request) error {
	if s.book() == nil {
		return errNoAccounts
	}
	return s.afterAccess(w, r, s.book().EndSession(r.Context(), by(r), "", r.PathValue("id")), "/accounts")
}
