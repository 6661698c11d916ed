package apitest

import (
	"testing"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
)

// Plan returns what gives the centre's plan of call-outs with the stand-ins
// agreed so far: a roster north that two crews share week by week, a roster
// south that nobody has at night, and one ladder.
func (c *Centre) Plan(tb testing.TB) func() *notify.Plan {
	tb.Helper()
	plan, problems := notify.NewPlan(notify.Book{
		Gateways: []notify.Gateway{{Name: "sms", Kind: notify.KindSMSHTTP}},
		People: []notify.Person{
			{ID: "n1", Name: "North crew on call", Channels: []notify.Address{{Gateway: "sms", To: "+12025550101"}}},
			{ID: "n2", Name: "North crew, second", Channels: []notify.Address{{Gateway: "sms", To: "+12025550102"}}},
		},
		Rosters: []notify.Roster{
			{ID: "north", Name: "north crew", Turns: []notify.Turn{{People: []string{"n1", "n2"}, Start: "2026-11-23", HandOver: "08:00", Every: "week"}}},
			{ID: "south", Name: "south crew", Turns: []notify.Turn{{People: []string{"n2"}, Start: "2026-11-23", HandOver: "08:00", Every: "day", Lasts: 10 * 3600e9}}},
		},
		Ladders: []notify.Ladder{{Name: "one", Rungs: []notify.Rung{{Whom: []notify.Target{{Roster: "north"}}, Wait: 600e9}}}},
		Routes:  []notify.Route{{Name: "all", Ladder: "one"}},
	}, notify.Options{Network: c.Net})
	if len(problems) > 0 {
		tb.Fatal(problems)
	}
	return func() (p *notify.Plan) {
		c.Ledger.Read(func(st *correlate.State, _ *correlate.Network) { p = plan.As(st) })
		return p
	}
}
