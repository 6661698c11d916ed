package notify_test

import (
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
)

// fuzzNetwork and fuzzPlan are made once: they are immutable.
var (
	fuzzNetwork = sync.OnceValue(func() *correlate.Network { return network(&testing.T{}) })
	fuzzPlan    = sync.OnceValue(func() *notify.Plan {
		p, problems := notify.NewPlan(book(), notify.Options{Network: fuzzNetwork()})
		if len(problems) > 0 {
			panic(problems)
		}
		return p
	})
)

func TestNewPlanRefuses(t *testing.T) {
	at := notify.Pos{File: "people.yaml", Line: 7, Column: 3}
	for name, c := range map[string]struct {
		change func(*notify.Book)
		want   []string
	}{
		"unknown gateway": {func(b *notify.Book) {
			b.People[1].Channels[0] = notify.Address{Pos: at, Gateway: "smss", To: "+12025550102"}
		},
			[]string{`people.yaml:7:3: person "south": there is no gateway "smss" (there are: sms, mail)`}},
		"number": {func(b *notify.Book) {
			b.People[1].Channels[0] = notify.Address{Pos: at, Gateway: "sms", To: "0202 555"}
		},
			[]string{`people.yaml:7:3: person "south": "0202 555" is not a telephone number`}},
		"mail address": {func(b *notify.Book) {
			b.People[2].Channels[0] = notify.Address{Pos: at, Gateway: "mail", To: "chief@x>\r\n"}
		},
			[]string{`people.yaml:7:3: person "chief": "chief@x>\r\n" is not a mail address`}},
		"nobody known": {func(b *notify.Book) {
			b.Rosters[0].Turns[0].People = []string{"nroth"}
			b.Rosters[0].Turns[0].Pos = at
			b.Ladders[1].Rungs[0].Whom = []notify.Target{{Pos: at, Roster: "crews"}}
		}, []string{`people.yaml:7:3: roster crew: there is no person "nroth" (there are: north, south, chief)`,
			`people.yaml:7:3: ladder calm: there is no roster "crews" (there are: crew, days)`}},
		"turn": {func(b *notify.Book) {
			b.Rosters[0].Turns[0] = notify.Turn{Pos: at, People: []string{"north"}, Start: "x", HandOver: "y", Every: "day"}
		}, []string{`people.yaml:7:3: roster crew: start: "x" is not a date like 2026-01-05`, `people.yaml:7:3: roster crew: hand-over: "y" is not a time of day like 08:00`}},
		"zone": {func(b *notify.Book) { b.People[2].Zone, b.People[2].Pos = "Local", at }, []string{`people.yaml:7:3: there is no time zone "Local"`}},
		"day": {func(b *notify.Book) { b.Routes[0].Hours[0].Days, b.Routes[0].Hours[0].Pos = []string{"monday"}, at },
			[]string{`people.yaml:7:3: there is no day "monday"`}},
		"route": {func(b *notify.Book) {
			b.Routes[1] = notify.Route{Pos: at, Name: "bad", Ladder: "urgnt", Sites: []correlate.SiteID{"elsewhere"}}
			b.Routes[2] = notify.Route{Pos: at, Name: "rest"}
		}, []string{`people.yaml:7:3: route "bad": there is no ladder "urgnt" (there are: urgent, calm)`, `people.yaml:7:3: route "bad": there is no site "elsewhere"`, `people.yaml:7:3: route "rest" leads nowhere`}},
		"ladder": {func(b *notify.Book) {
			b.Ladders[1] = notify.Ladder{Pos: at, Name: "calm", Rungs: []notify.Rung{{Pos: at, Whom: []notify.Target{{Person: "chief"}}, Channels: []string{"fax"}}}}
		}, []string{`people.yaml:7:3: ladder calm: there is no gateway "fax" (there are: sms, mail)`, `people.yaml:7:3: ladder calm: rung 1: wait: 0s is not between 1s and 168h0m0s`}},
		"twice": {func(b *notify.Book) {
			b.People = append(b.People, notify.Person{Pos: at, ID: "chief"})
			b.Gateways = append(b.Gateways, notify.Gateway{Pos: at, Name: "sms", Kind: notify.KindSMSHTTP})
		}, []string{`people.yaml:7:3: gateway "sms" is there twice`, `people.yaml:7:3: person "chief" is there twice`}},
	} {
		t.Run(name, func(t *testing.T) {
			b := book()
			c.change(&b)
			plan, problems := notify.NewPlan(b, notify.Options{Network: network(t)})
			var got []string
			for _, p := range problems {
				got = append(got, p.Error())
			}
			if plan != nil || !slices.Equal(got, c.want) {
				t.Errorf("got  %q\nwant %q", got, c.want)
			}
		})
	}
}

func TestViews(t *testing.T) {
	w := newWorld(t, nil)
	if on := w.plan.OnCall("crew", night); len(on) != 1 || on[0].ID != "north" || on[0].Name != "North crew on call" {
		t.Errorf("on call: got %+v", on)
	}
	if on := w.plan.OnCall("nothing", night); on != nil {
		t.Errorf("no such roster: got %+v", on)
	}
	from := time.Date(2026, 1, 10, 0, 0, 0, 0, time.UTC)
	gaps := w.plan.Holes(from, from.AddDate(0, 0, 1))
	// Ten hours from 08:00 in Denver are 15:00 to 01:00 UTC.
	want := []notify.Gap{{Roster: "days", From: from.Add(time.Hour), To: from.Add(15 * time.Hour)}}
	if len(gaps) != 1 || gaps[0].Roster != "days" || !gaps[0].From.Equal(want[0].From) || !gaps[0].To.Equal(want[0].To) || len(gaps[0].People) != 0 {
		t.Errorf("holes: got %+v, want %+v", gaps, want)
	}
	ladders := w.plan.Ladders()
	if len(ladders) != 2 || len(ladders[0].Steps) != 4 || ladders[0].Steps[1].Again != 1 || ladders[0].Steps[3].Rung != 2 || ladders[0].Rounds != 2 {
		t.Errorf("ladders: got %+v", ladders)
	}
	if turns := w.plan.Turns("crew", from, from.AddDate(0, 0, 14)); len(turns) != 3 || turns[1].People[0] != "south" {
		t.Errorf("turns: got %+v", turns)
	}
	if w.plan.Untold() != nil {
		t.Errorf("untold: got %v", w.plan.Untold())
	}
}

func TestUntold(t *testing.T) {
	w := newWorld(t, func(b *notify.Book) {
		b.Routes = []notify.Route{{Name: "bad", AtLeast: correlate.Critical, Ladder: "urgent"}}
	})
	var got []string
	for _, u := range w.plan.Untold() {
		got = append(got, u.Key.String()+" "+u.Severity.String())
	}
	want := []string{"harrow-knoll:battery major", "harrow-knoll:door minor", "harrow-knoll:quiet major", "harrow-knoll:rectifier major"}
	if !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestCalendar(t *testing.T) {
	w := newWorld(t, nil)
	from := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	got, ok := w.plan.Calendar("north", "example.net", from, from.AddDate(0, 1, 0), from)
	// Weeks of the 5th and the 19th, from Monday 08:00 in Denver.
	for _, want := range []string{"DTSTART:20260105T150000Z\r\nDTEND:20260112T150000Z\r\nSUMMARY:On call: Crews\r\n", "DTSTART:20260119T150000Z\r\nDTEND:20260126T150000Z\r\n"} {
		if !strings.Contains(string(got), want) {
			t.Errorf("%q is not in\n%s", want, got)
		}
	}
	if n := strings.Count(string(got), "BEGIN:VEVENT"); !ok || n != 2 {
		t.Errorf("%d events, want 2", n)
	}
	if _, ok := w.plan.Calendar("nobody", "example.net", from, from.AddDate(0, 1, 0), from); ok {
		t.Error("a calendar for nobody")
	}
}
