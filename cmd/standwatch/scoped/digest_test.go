package scoped_test

import (
	"strings"
	"testing"
	"time"

	"example.net/standwatch/cmd/standwatch/api/apitest"
	"example.net/standwatch/cmd/standwatch/scoped"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// digested is a journal and a state with a digest about the sites of both
// regions, whose worst alarm is at the one that is seen.
type digested struct {
	scoped.Source
	st  *correlate.State
	net *correlate.Network
}

func (d *digested) Read(fn func(*correlate.State, *correlate.Network)) { fn(d.st, d.net) }
func (d *digested) Follow() (<-chan struct{}, func())                  { return nil, func() {} }

// A digest tells of many sites and its code takes all of their alarms. Somebody
// who sees only the site of the worst one learns neither from it.
func TestDigestOfSomeSites(t *testing.T) {
	c := apitest.Open(t)
	m := correlate.Message{ID: "m1", Key: apitest.Key("quarry-gate", "mains"), Purpose: "digest", Person: "south", Channel: "mail", Subject: "Two alarms: Harrow Knoll",
		Body: "quarry-gate and harrow-knoll", Covers: []correlate.CallOutID{"c1", "c2"}, Code: "K7M3P", Queued: c.Now(), State: correlate.MessageWaiting}
	one := correlate.Message{ID: "m2", Key: m.Key, Purpose: "raised", Person: "south", Body: "about quarry-gate alone"}
	st := correlate.NewState()
	st.Messages[m.ID], st.Messages[one.ID] = &m, &one
	record := &correlate.Record{Seq: 1, At: c.Now(), Input: &correlate.Tick{}, Events: []correlate.Event{&correlate.MessageQueued{Message: m}, &correlate.MessageQueued{Message: one}}}
	board := &digested{st: st, net: c.Net}
	v := scoped.Of(scoped.Source{Board: board, Journal: journalOf{c.Store, record}}, south, true)
	v.Read(func(st *correlate.State, _ *correlate.Network) {
		if len(st.Messages) != 2 || st.Messages[one.ID].Body != one.Body {
			t.Errorf("messages %+v", st.Messages)
		}
		silentOf(t, *st.Messages[m.ID])
	})
	seen, err := v.Get(1)
	if err != nil || len(seen.Events) != 2 {
		t.Fatalf("%+v, %v", seen, err)
	}
	silentOf(t, seen.Events[0].(*correlate.MessageQueued).Message)
	if m.Code == "" || record.Events[0].(*correlate.MessageQueued).Message.Code == "" {
		t.Error("the state or the journal was changed by looking")
	}
}

func silentOf(t *testing.T, m correlate.Message) {
	t.Helper()
	if text := m.Subject + m.Body; strings.Contains(strings.ToLower(text), "harrow") || m.Code != "" {
		t.Errorf("the digest tells %q and the code %q", text, m.Code)
	}
}

// journalOf is a journal of one record.
type journalOf struct {
	*store.Store
	r *correlate.Record
}

func (j journalOf) Get(correlate.Seq) (*correlate.Record, error) { return j.r, nil }

// laterEvent and laterInput are of kinds that nobody has thought of yet.
type laterEvent struct{ correlate.Event }

func (laterEvent) Subject() correlate.Key { return correlate.Key{} }

type laterInput struct{ correlate.Input }

// What is added to the journal later is kept from people with sites of their
// own until this package knows it, and by all ways of reading.
func TestUnknownKindsStayHidden(t *testing.T) {
	c := apitest.Open(t)
	for name, r := range map[string]*correlate.Record{
		"event": {Seq: 1, At: c.Now(), Input: &correlate.Tick{}, Events: []correlate.Event{laterEvent{}}},
		"input": {Seq: 1, At: c.Now(), Input: laterInput{}},
		"both":  {Seq: 1, At: c.Now(), Input: laterInput{}, Events: []correlate.Event{laterEvent{}}},
	} {
		src := scoped.Source{Board: &digested{st: correlate.NewState(), net: c.Net}, Journal: journalOf{c.Store, r}}
		if seen, err := scoped.Of(src, south, true).Get(1); err == nil {
			t.Errorf("%s: somebody with sites of their own sees %+v", name, seen)
		}
		if seen, err := scoped.Of(src, everywhere, true).Get(1); err != nil || seen != r {
			t.Errorf("%s: somebody who sees all does not: %v", name, err)
		}
		v := scoped.Of(src, south, true)
		if _, err := v.Submit(t.Context(), laterInput{}); err == nil {
			t.Errorf("%s: somebody with sites of their own handed in what is not known here", name)
		}
	}
	// Beside an event that is seen, the input and the others stay hidden.
	own := &correlate.Raised{On: correlate.On{Key: apitest.Key("quarry-gate", "mains")}}
	r := &correlate.Record{Seq: 1, At: c.Now(), Input: laterInput{}, Events: []correlate.Event{laterEvent{}, own}}
	src := scoped.Source{Board: &digested{st: correlate.NewState(), net: c.Net}, Journal: journalOf{c.Store, r}}
	seen, err := scoped.Of(src, south, true).Get(1)
	if err != nil || len(seen.Events) != 1 || seen.Events[0] != own {
		t.Fatalf("%+v, %v", seen, err)
	}
	if _, hidden := seen.Input.(*correlate.Tick); !hidden {
		t.Errorf("the input is %T", seen.Input)
	}
}

// What is of no site is of those who see all of them.
func TestShiftsAndAccountsOfSomeSites(t *testing.T) {
	c, src := filled(t)
	c.Do(t, &correlate.ShiftTurn{Name: "early", From: c.Now(), To: c.Now().Add(8 * time.Hour)})
	v := scoped.Of(src, south, true)
	began := 0
	err := v.ScanEvents(t.Context(), 1, func(r *correlate.Record) error {
		for _, ev := range r.Events {
			if e, is := ev.(*correlate.ShiftBegan); is {
				began++
				for _, s := range e.Standing {
					if s.Key.Site == "harrow-knoll" {
						t.Error("the begin of a shift tells what stood at another's site")
					}
				}
				if len(e.Standing) == 0 {
					t.Error("the begin of a shift does not tell what stood at their own")
				}
			}
		}
		return nil
	})
	if err != nil || began != 1 {
		t.Errorf("%d shifts began, %v", began, err)
	}
}
