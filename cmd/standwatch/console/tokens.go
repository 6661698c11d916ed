package console

import (
	"net/http"
	"strings"
	"time"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/store/accounts"
)

// tokensPage lists tokens: one's own, and for administrators all.
type tokensPage struct {
	Tokens  []tokenView
	Roles   []accounts.Role // that the person may give
	Manage  bool
	Own     string
	Given   string // a token that is shown this once
	Problem string
	Least   string // dates the form allows
	Most    string
	Usual   string
}

// tokenView is one token.
type tokenView struct {
	ID, Name, Owner, Scope string
	Role                   accounts.Role
	Made, Ends, Used       moment
}

// tokenDays is how long a token works when the form says nothing else.
const tokenDays = 90

func (s *server) tokens(w http.ResponseWriter, r *http.Request) error {
	return s.showTokens(w, r, http.StatusOK, tokensPage{})
}

func (s *server) showTokens(w http.ResponseWriter, r *http.Request, status int, page tokensPage) error {
	if s.book() == nil {
		return errNoAccounts
	}
	who, now := access.WhoIs(r), s.Now()
	c := clock{now, s.Zone}
	page.Own, page.Manage = who.Name, access.May(r, access.Manage)
	for _, t := range s.book().Tokens() {
		if page.Manage || t.Owner == who.Name {
			page.Tokens = append(page.Tokens, tokenView{ID: t.ID, Name: t.Name, Owner: t.Owner, Role: t.Role, Scope: t.Scope.String(), Made: c.at(t.Made), Ends: c.at(t.Ends), Used: c.at(t.Used)})
		}
	}
	for _, role := range accounts.Roles() {
		if role <= who.Role {
			page.Roles = append(page.Roles, role)
		}
	}
	day := func(n int) string { return now.In(s.Zone).AddDate(0, 0, n).Format(time.DateOnly) }
	page.Least, page.Usual, page.Most = day(1), day(tokenDays), day(365)
	return s.render(w, r, status, "tokens", "Tokens", page)
}

func (s *server) makeToken(w http.ResponseWriter, r *http.Request) error {
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
	ends, err := time.ParseInLocation(time.DateOnly, f.Get("ends"), s.Zone)
	if err != nil {
		return badRequest("a date here looks like 2026-01-31")
	}
	scope, err := s.scopeOf(f.Get("sites"), f.Get("regions"))
	if err != nil {
		return err
	}
	who := access.WhoIs(r)
	owner := strings.TrimSpace(f.Get("owner"))
	if owner == "" || !access.May(r, access.Manage) {
		owner = who.Name
	}
	token, _, err := s.book().MakeToken(r.Context(), by(r), accounts.NewToken{Name: f.Get("name"), Owner: owner, Role: role, Scope: scope, Ends: ends})
	if err != nil {
		p, known := accessProblem(err)
		if !known {
			return err
		}
		return s.showTokens(w, r, p.Status, tokensPage{Problem: upperFirst(p.Detail) + "."})
	}
	return s.showTokens(w, r, http.StatusOK, tokensPage{Given: token})
}

func (s *server) endToken(w http.ResponseWriter, r *http.Request) error {
	if s.book() == nil {
		return errNoAccounts
	}
	owner := access.WhoIs(r).Name
	if access.May(r, access.Manage) {
		owner = ""
	}
	return s.afterAccess(w, r, s.book().EndToken(r.Context(), by(r), owner, r.PathValue("id")), "/tokens")
}
