package access

import (
	"context"
	"errors"
	"net/http"

	"example.net/standwatch/store/accounts"
)

// Permission is what a page or operation needs.
type Permission uint8

// The permissions. Each says which role is enough.
const (
	Anybody Permission = iota + 1 // nobody has to be known
	Self                          // one's own account: anybody who is known
	See                           // look
	Whole                         // look, at what is of no site: for those who see all sites
	Act                           // operate: take, note, put aside for a shift
	ActLong                       // supervise: put aside for longer, decide for others
	Audit                         // supervise: see who did what
	Manage                        // administer: accounts, sessions and tokens of others

)

// Permissions lists all permissions.
func Permissions() []Permission {
	return []Permission{Anybody, Self, See, Whole, Act, ActLong, Audit, Manage}
}

// Least returns the smallest role that has the permission; 0 for Anybody.
func (p Permission) Least() accounts.Role {
	switch p {
	case Anybody:
		return 0
	case Self, See, Whole:
		return accounts.Look
	case Act:
		return accounts.Operate
	case ActLong, Audit:
		return accounts.Supervise
	}
	return accounts.Administer
}

// Route is one page or operation with what it needs.
type Route struct {
	Pattern string // of http.ServeMux
	Needs   Permission
}

// The reasons for which Check refuses.
var (
	// ErrUnknown says that nobody known sent the request.
	ErrUnknown = errors.New("you have to log in for this")
	// ErrMustChange says that a password given by another has to be changed first.
	ErrMustChange = errors.New("the password that you were given has to be changed first")
	// ErrPart says that somebody who sees some sites only cannot see what is of all.
	ErrPart = errors.New("this is for those who see all sites, and you see some of them")
	// ErrToken says that a token cannot do what concerns accounts.
	ErrToken = errors.New("a token cannot do this; log in with a name and password")
)

// DeniedError says that a role is not enough.
type DeniedError struct{ Has, Needs accounts.Role }

// Error names both roles.
func (e *DeniedError) Error() string {
	return "your role is " + e.Has.String() + ", and this needs " + e.Needs.String()
}

type requestKey struct{}

// request is what a Gate found out about a request.
type request struct {
	gate   *Gate
	who    accounts.Who
	place  accounts.Place
	secret string          // of the session
	token  string          // in the header
	over   <-chan struct{} // closed when the session ends or may do other things
}

func of(ctx context.Context) *request {
	r, ok := ctx.Value(requestKey{}).(*request)
	if !ok {
		return &request{}
	}
	return r
}

// As returns next with every request sent by who. It stands in for a gate where
// nobody has to log in, and in tests.
func As(who accounts.Who, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), requestKey{}, &request{who: who})))
	})
}

// WhoIs returns who sent a request; the zero Who is nobody.
func WhoIs(r *http.Request) accounts.Who { return of(r.Context()).who }

// Actor names whoever sent a request, for the journal.
func Actor(r *http.Request) string {
	if who := WhoIs(r); who.Name != "" {
		return who.Actor()
	}
	return "nobody"
}

// PlaceOf returns where a request comes from.
func PlaceOf(r *http.Request) accounts.Place { return of(r.Context()).place }

// May reports whether whoever sent the request has the permission.
func May(r *http.Request, p Permission) bool { return Check(r, p) == nil }

// Check returns nil when whoever sent the request has the permission, else
// ErrUnknown, ErrMustChange or a DeniedError.
func Check(r *http.Request, p Permission) error {
	who := WhoIs(r)
	switch {
	case p == Anybody:
		return nil
	case who.Name == "":
		return ErrUnknown
	case who.Token != "" && (p == Self || p == Manage):
		return ErrToken
	case who.MustChange && p != Self:
		return ErrMustChange
	case p == Whole && !who.All():
		return ErrPart
	case who.Role < p.Least():
		return &DeniedError{who.Role, p.Least()}
	}
	return nil
}
