package console

import (
	"fmt"
	"strings"

	"example.net/standwatch/correlate"
)

// accessLine words an event about who may use the console, or about the
// configuration in force.
func accessLine(l *historyLine, ev correlate.Event, add func(string)) {
	switch e := ev.(type) {
	case *correlate.AccountChanged:
		l.What, l.By, l.Text, l.Account = e.What.String(), e.Actor, e.Account, e.Account
		add(e.Text)
	case *correlate.SessionChanged:
		l.What, l.By, l.Text, l.Account = e.What.String(), e.Actor, e.Account, e.Account
		add(strings.TrimSpace(fromWords(e.From) + " " + e.Text))
	case *correlate.LoginRefused:
		l.What, l.Text, l.Account = "login refused", e.Account, e.Account
		if e.Account == "" {
			l.Text = "a name that is nobody's"
		}
		add(strings.TrimSpace(fmt.Sprintf("%s, %s by now %s", e.Text, count(e.Times, "time", "times"), fromWords(e.From))))
	case *correlate.Configured:
		l.What, l.By, l.Text = "configuration", e.Actor, e.Summary
	}
}

func fromWords(address string) string {
	if address == "" {
		return ""
	}
	return "from " + address
}
