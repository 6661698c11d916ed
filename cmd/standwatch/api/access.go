package api

import "example.net/standwatch/correlate"

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
