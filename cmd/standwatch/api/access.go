package api

import (
	"net/http"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/correlate"
)

// needs refuses whoever may not do what next does.
func (s *server) needs(p access.Permission, next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if err := access.Check(r, p); err != nil {
			s.fail(w, r, err)
			return
		}
		next(w, r)
	}
}

// accessEvent fills in an event about who may use the console, or about the
// configuration in force.
func accessEvent(out *Event, ev correlate.Event) {
	switch e := ev.(type) {
	case *correlate.AccountChanged:
		out.Operator, out.Account, out.Why, out.Text = e.Actor, e.Account, e.What.String(), e.Text
	case *correlate.SessionChanged:
		out.Operator, out.Account, out.Why, out.Text = e.Actor, e.Account, e.What.String(), e.Text
	case *correlate.LoginRefused:
		out.Account, out.Why, out.Times = e.Account, e.Text, e.Times
	case *correlate.Configured:
		out.Operator, out.Text = e.Actor, e.Summary
	}
}
