package console

import (
	"errors"
	"net/http"
	"net/url"

	"example.net/standwatch/cmd/standwatch/access"
)

// doorView is what the layout says about whoever reads the page.
type doorView struct {
	Role   string // that they have
	Person bool   // with an account here
	Known  bool   // and a session that can be ended
	Manage bool
	Audit  bool
}

func (s *server) door(r *http.Request) doorView {
	who := access.WhoIs(r)
	return doorView{Role: who.Role.String(), Person: s.book() != nil && access.May(r, access.Self), Known: s.book() != nil && who.Session != "",
		Manage: s.book() != nil && access.May(r, access.Manage), Audit: access.May(r, access.Audit)}
}

// needs refuses whoever may not do what next does.
func needs(p access.Permission, next func(http.ResponseWriter, *http.Request) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		if err := access.Check(r, p); err != nil {
			return err
		}
		return next(w, r)
	}
}

// toLogin leads a person who has to log in, or to change a password, to where
// that is done. Scripts and machines get the problem itself.
func toLogin(w http.ResponseWriter, r *http.Request, err error) bool {
	place := ""
	switch {
	case byScript(r) || r.Method != http.MethodGet && r.Method != http.MethodHead || r.URL.Path == "/live" || r.URL.Path == "/hand":
		return false
	case errors.Is(err, access.ErrUnknown):
		place = "/login?" + url.Values{"next": {access.LocalPath(r.URL.RequestURI())}}.Encode()
	case errors.Is(err, access.ErrMustChange):
		place = "/me"
	default:
		return false
	}
	http.Redirect(w, r, place, http.StatusSeeOther)
	return true
}
