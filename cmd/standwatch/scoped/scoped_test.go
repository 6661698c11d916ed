package scoped_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/cmd/standwatch/api/apitest"
	"example.net/standwatch/cmd/standwatch/scoped"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
	"example.net/standwatch/store/accounts"
)

var south = accounts.Who{Name: "south-desk", Role: accounts.Supervise, Scopes: []accounts.Scope{accounts.NewScope(nil, []string{"south"})}}

var everywhere = accounts.Who{Name: "lead", Role: accounts.Supervise}

// filled is a centre where something happened at a site of each region.
func filled(t *testing.T) (*apitest.Centre, scoped.Source) {
	t.Helper()
	c := apitest.Open(t)
	for _, site := range []string{"harrow-knoll", "quarry-gate"} {
		c.Trap(t, apitest.Raise(site, "mains", "words of "+site))
		c.Trap(t, correlate.Observation{Key: apitest.Key(site, "battery"), What: correlate.Value, Value: 46})
		c.Do(t, &correlate.Act{Key: apitest.Key(site, "mains"), Action: correlate.ActNote, Actor: "somebody", Via: "test", Text: "note of " + site})
	}
	c.Do(t, &correlate.Access{What: correlate.AccountAdded, Account: "new-desk", Actor: "administrator", Via: "test"})
	src := scoped.Source{Board: c.Ledger, Journal: c.Store, Submit: c.Submit, Intake: func() api.Intake {
		return api.Intake{Agents: []api.Books{{Name: "harrow-knoll-rtu"}, {Name: "quarry-gate-rtu"}}, Sources: []api.Books{{Name: "203.0.113.7"}}, Listeners: []api.Books{{Name: "main"}}}
	}}
	return c, src
}

func TestStateAndNetworkOfSomeSites(t *testing.T) {
	_, src := filled(t)
	v := scoped.Of(src, south, true)
	v.Read(func(st *correlate.State, net *correlate.Network) {
		if ids := fmt.Sprint(net.Sites()); ids != "[quarry-gate stonecrop-ridge]" {
			t.Errorf("sites %s", ids)
		}
		if net.Agents() != 2 || net.Agent("harrow-knoll-rtu") != nil || net.Site("quarry-gate").Upstream != "" {
			t.Errorf("%d agents, upstream %q", net.Agents(), net.Site("quarry-gate").Upstream)
		}
		if all := fmt.Sprintf("%+v %+v %+v %+v", st.Alarms, st.Readings, st.Agents, st.Messages); strings.Contains(all, "harrow-knoll") {
			t.Errorf("the state tells of harrow-knoll: %s", all)
		}
		if st.Alarms[apitest.Key("quarry-gate", "mains")] == nil || len(st.Readings) != 1 || len(st.Agents) != 1 {
			t.Errorf("%d alarms, %d readings, %d agents", len(st.Alarms), len(st.Readings), len(st.Agents))
		}
	})
	if in := v.Intake(); len(in.Agents) != 1 || in.Sources != nil || in.Listeners != nil {
		t.Errorf("intake %+v", in)
	}
}

// Whatever way the journal is read, it tells only of the person's sites.
func TestJournalOfSomeSites(t *testing.T) {
	c, src := filled(t)
	v := scoped.Of(src, south, true)
	seen := ""
	page, err := v.History(store.Query{})
	if err != nil {
		t.Fatal(err)
	}
	if len(page.Records) < 3 || page.Next != 0 {
		t.Errorf("%d records, next %d", len(page.Records), page.Next)
	}
	for _, r := range page.Records {
		seen += text(r)
	}
	next := correlate.Seq(1)
	if err := v.Scan(t.Context(), 1, func(r *correlate.Record) error {
		if r.Seq != next {
			t.Errorf("record %d in the place of %d", r.Seq, next)
		}
		next++
		seen += text(r)
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if next != c.Store.Last()+1 {
		t.Errorf("the scan ended before %d", next)
	}
	for seq := correlate.Seq(1); seq < next; seq++ {
		r, err := v.Get(seq)
		if errors.Is(err, store.ErrNotFound) {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		seen += text(r)
	}
	if strings.Contains(seen, "harrow-knoll") || strings.Contains(seen, "new-desk") {
		t.Error("the journal tells of what the person may not see")
	}
	if !strings.Contains(seen, "note of quarry-gate") || !strings.Contains(seen, "words of quarry-gate") {
		t.Error("the journal does not tell of what the person may see")
	}
	if page, err := v.History(store.Query{Site: "harrow-knoll"}); err != nil || len(page.Records) != 0 {
		t.Errorf("asked for another's site: %d records, %v", len(page.Records), err)
	}
}

func text(r *correlate.Record) string {
	out := fmt.Sprintf("%T%+v", r.Input, r.Input)
	if in, ok := r.Input.(*correlate.Arrival); ok {
		out += string(in.Datagram)
	}
	for _, ev := range r.Events {
		out += fmt.Sprintf("%T%+v", ev, ev)
	}
	return out + "\n"
}

// A short page goes on where it ended, and nothing is told twice or left out.
func TestHistoryPages(t *testing.T) {
	c, src := filled(t)
	for range 300 {
		c.Trap(t, apitest.Raise("harrow-knoll", "door", ""))
	}
	for i := range 12 {
		c.Do(t, &correlate.Act{Key: apitest.Key("quarry-gate", "mains"), Action: correlate.ActNote, Actor: "somebody", Via: "test", Text: fmt.Sprint("note ", i)})
	}
	v := scoped.Of(src, south, false)
	seen := map[correlate.Seq]bool{}
	q := store.Query{Limit: 5}
	for range 50 {
		page, err := v.History(q)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range page.Records {
			if seen[r.Seq] {
				t.Errorf("record %d twice", r.Seq)
			}
			seen[r.Seq] = true
		}
		if q.Before = page.Next; q.Before == 0 {
			break
		}
	}
	if len(seen) != 12+3 {
		t.Errorf("%d records, want 15", len(seen))
	}
}

func TestAccountsAreForThoseWhoAudit(t *testing.T) {
	_, src := filled(t)
	everything := accounts.Who{Name: "desk", Role: accounts.Operate}
	for audit, want := range map[bool]int{true: 1, false: 0} {
		page, err := scoped.Of(src, everything, audit).History(store.Query{Kinds: []correlate.EventKind{56}})
		if err != nil || len(page.Records) != want {
			t.Errorf("audit %v: %d records, %v", audit, len(page.Records), err)
		}
	}
}

func TestActingOnSomeSites(t *testing.T) {
	c, src := filled(t)
	v := scoped.Of(src, south, false)
	note := func(site string) error {
		_, err := v.Submit(t.Context(), &correlate.Act{Key: apitest.Key(site, "mains"), Action: correlate.ActNote, Actor: "south-desk", Via: "test", Text: "seen"})
		return err
	}
	if err := note("quarry-gate"); err != nil {
		t.Error(err)
	}
	if err := note("harrow-knoll"); !errors.Is(err, api.ErrNoSuchAlarm) {
		t.Errorf("another's site: %v", err)
	}
	if _, err := v.Submit(t.Context(), &correlate.Reconfigure{Hash: "x"}); err == nil {
		t.Error("somebody who sees some sites reconfigured the master")
	}
	c.Step(time.Minute)
}

func TestSilencesOfSomeSites(t *testing.T) {
	c, src := filled(t)
	v := scoped.Of(src, south, false)
	set := func(scopes ...correlate.Scope) error {
		_, err := v.Submit(t.Context(), &correlate.SetSilence{Kind: correlate.OutOfService, Scopes: scopes, Until: c.Now().Add(time.Hour), Reason: "works", Actor: "south-desk", Via: "test"})
		return err
	}
	own, other := correlate.Scope{Site: "quarry-gate"}, correlate.Scope{Site: "harrow-knoll"}
	if err := set(own); err != nil {
		t.Error(err)
	}
	for _, scopes := range [][]correlate.Scope{{other}, {own, other}, {{Agent: "harrow-knoll-rtu"}}, {{Tag: "huts"}}} {
		if err := set(scopes...); err == nil {
			t.Errorf("silenced %v", scopes)
		}
	}
	c.Do(t, &correlate.SetSilence{Kind: correlate.OutOfService, Scopes: []correlate.Scope{own, other}, Until: c.Now().Add(time.Hour), Reason: "both", Actor: "lead", Via: "test"})
	c.Do(t, &correlate.SetSilence{Kind: correlate.OutOfService, Scopes: []correlate.Scope{other}, Until: c.Now().Add(time.Hour), Reason: "theirs", Actor: "lead", Via: "test"})
	shown := map[string]correlate.SilenceID{}
	v.Read(func(st *correlate.State, _ *correlate.Network) {
		for id, s := range st.Silences {
			shown[s.Reason] = id
			if len(s.Scopes) != 1 || s.Scopes[0] != own {
				t.Errorf("%s is shown with %v", s.Reason, s.Scopes)
			}
		}
	})
	if len(shown) != 2 || shown["works"] == "" || shown["both"] == "" {
		t.Fatalf("shown are %v", shown)
	}
	if _, err := v.Submit(t.Context(), &correlate.EndSilence{ID: shown["both"], Actor: "south-desk", Via: "test"}); err == nil {
		t.Error("ended a silence that reaches further")
	}
	if _, err := v.Submit(t.Context(), &correlate.EndSilence{ID: shown["works"], Actor: "south-desk", Via: "test"}); err != nil {
		t.Error(err)
	}
}

func TestKeysTellViewsApart(t *testing.T) {
	a := accounts.Who{Scopes: []accounts.Scope{accounts.NewScope([]string{"a"}, []string{"b"})}}
	b := accounts.Who{Scopes: []accounts.Scope{accounts.NewScope([]string{"b"}, []string{"a"})}}
	all := accounts.Who{Scopes: []accounts.Scope{{}, {}}}
	if scoped.Key(a, false) == scoped.Key(b, false) || scoped.Key(a, false) == scoped.Key(a, true) || scoped.Key(all, true) != scoped.Key(accounts.Who{}, true) {
		t.Error("views are mixed up")
	}
}
