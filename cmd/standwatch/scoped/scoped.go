// Package scoped lends the committed state and the journal as one person may
// see them: only the sites of their account, what happened to accounts only to
// those who may read the audit trail, and the codes that take an alarm only to
// those who may take it here too.
//
// Guarantee: every page, list, stream and operation of the console and the API
// gets its data from here, so that none can forget to leave out what its reader
// may not see. What this package does not know is left out: state and inputs
// that are added later are kept from people with sites of their own until they
// are listed here. Records keep their place in the journal, so that cursors
// stay true; one that nobody may see is lent as an empty tick.
//
// One thing is told of other sites: an alarm that is explained by one elsewhere
// says so, with that alarm's ID, because without it the person would go out for
// nothing.
//
// It starts no goroutine and keeps nothing but the network of the view. What it
// lends follows the rules of what lies below: state for the call only, records
// to be read and not changed.
package scoped

import (
	"context"
	"fmt"
	"slices"
	"sync"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
	"example.net/standwatch/store/accounts"
)

// Source is what lies below: the ledger, the store, and what hands in inputs.
type Source struct {
	Board   api.Board
	Journal api.Journal
	Submit  func(context.Context, correlate.Input) ([]correlate.Event, error)
	Intake  func() api.Intake
}

// View is what one person may see of a Source. It is an api.Board and an
// api.Journal, and safe for concurrent use.
type View struct {
	src   Source
	sees  func(*correlate.Site) bool // nil: every site
	audit bool
	codes bool // may see by what an alarm is taken

	mu    sync.Mutex // guards whole, part, quiet
	whole *correlate.Network
	part  *correlate.Network // of whole
	quiet hushed
}

// Of returns what somebody may see. audit says whether they may read what
// happened to accounts.
func Of(src Source, who accounts.Who, audit bool) *View {
	v := &View{src: src, audit: audit, codes: mayTake(who)}
	if !who.All() {
		v.sees = who.Sees
	}
	return v
}

// Whole reports whether no site is kept from the person.
func (v *View) Whole() bool { return v.sees == nil }

// mayTake reports whether somebody may take alarms.
func mayTake(who accounts.Who) bool { return who.Role >= access.Act.Least() }

// Key names what somebody may see: two people with the same key see the same.
func Key(who accounts.Who, audit bool) string {
	if who.All() {
		return fmt.Sprintf("%t %t", audit, mayTake(who))
	}
	return fmt.Sprintf("%t %t %q", audit, mayTake(who), who.Scopes)
}

// Follow returns wake-ups after each commit, whatever it was about.
func (v *View) Follow() (wake <-chan struct{}, cancel func()) { return v.src.Board.Follow() }

// Read lends the state and the network with the person's sites only.
func (v *View) Read(fn func(st *correlate.State, net *correlate.Network)) {
	v.src.Board.Read(func(st *correlate.State, net *correlate.Network) {
		if v.sees != nil {
			net = v.network(net)
			st = st.Only(net)
			for id, m := range st.Messages {
				st.Messages[id] = alone(m)
			}
		}
		if !v.codes {
			st = v.hush(st, net)
		}
		fn(st, net)
	})
}

// network returns the person's part of a network.
func (v *View) network(whole *correlate.Network) *correlate.Network {
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.whole != whole {
		v.whole, v.part = whole, whole.Only(v.sees)
	}
	return v.part
}

// Submit hands in what the person does at sites that they see. Inputs that are
// not known here are for those who see all sites.
func (v *View) Submit(ctx context.Context, in correlate.Input) ([]correlate.Event, error) {
	if v.sees == nil {
		return v.src.Submit(ctx, in)
	}
	var err error = &api.Problem{Type: "about:blank", Title: "Forbidden", Status: 403, Detail: "this is for those who see all sites, and you see some of them"}
	v.src.Board.Read(func(st *correlate.State, all *correlate.Network) {
		net := v.network(all)
		switch in := in.(type) {
		case *correlate.Act:
			if err = nil; net.Site(in.Key.Site) == nil {
				err = api.ErrNoSuchAlarm
			}
		case *correlate.SetSilence:
			if confined(net, in.Scopes) {
				err = nil
			}
		case *correlate.EndSilence:
			if s := st.Silences[in.ID]; s != nil && confined(net, s.Scopes) {
				err = nil
			}
		}
	})
	if err != nil {
		return nil, err
	}
	return v.src.Submit(ctx, in)
}

// confined reports whether a silence reaches no further than the person's
// sites. What goes by a tag may.
func confined(net *correlate.Network, scopes []correlate.Scope) bool {
	return !slices.ContainsFunc(scopes, func(s correlate.Scope) bool {
		return s.Tag != "" || s.Site != "" && net.Site(s.Site) == nil || s.Agent != "" && net.Agent(s.Agent) == nil
	})
}

// Intake returns the books of the person's agents. Listeners, unknown senders
// and refused datagrams are of no site.
func (v *View) Intake() api.Intake {
	all := v.src.Intake()
	if v.sees == nil {
		return all
	}
	out := api.Intake{Since: all.Since}
	v.Read(func(_ *correlate.State, net *correlate.Network) {
		for _, a := range all.Agents {
			if net.Agent(correlate.AgentID(a.Name)) != nil {
				out.Agents = append(out.Agents, a)
			}
		}
	})
	return out
}

// all reports whether everything may be seen.
func (v *View) all() bool { return v.sees == nil && v.audit && v.codes }

// Get returns a record as the person may see it, or store.ErrNotFound.
func (v *View) Get(seq correlate.Seq) (*correlate.Record, error) {
	r, err := v.src.Journal.Get(seq)
	if err != nil || r == nil || v.all() {
		return r, err
	}
	if r = v.record(r); r == nil {
		return nil, store.ErrNotFound
	}
	return r, nil
}

// Scan calls fn with every record; one that the person may not see is an empty
// tick in its place.
func (v *View) Scan(ctx context.Context, from correlate.Seq, fn func(*correlate.Record) error) error {
	if v.all() {
		return v.src.Journal.Scan(ctx, from, fn)
	}
	return v.src.Journal.Scan(ctx, from, func(r *correlate.Record) error {
		seen := v.record(r)
		if seen == nil {
			seen = &correlate.Record{Seq: r.Seq, At: r.At, Input: &correlate.Tick{}}
		}
		return fn(seen)
	})
}

// mostPages bounds how many pages of the journal are read to fill one.
const mostPages = 20

// History returns a page of the records that the person may see. A page may be
// short, and yet more follow it.
func (v *View) History(q store.Query) (store.Page, error) {
	if v.all() {
		return v.src.Journal.History(q)
	}
	if q.Limit <= 0 {
		q.Limit = store.DefaultLimit
	}
	want := q.Limit
	q.Limit = min(store.MaxLimit, want*4)
	var out store.Page
	for range mostPages {
		page, err := v.src.Journal.History(q)
		if err != nil {
			return store.Page{}, err
		}
		for _, r := range page.Records {
			seen := v.record(r)
			if seen == nil || !q.Matches(seen) {
				continue
			}
			if len(out.Records) == want {
				out.Next = out.Records[want-1].Seq
				return out, nil
			}
			out.Records = append(out.Records, seen)
		}
		if q.Before, out.Next = page.Next, page.Next; page.Next == 0 {
			break
		}
	}
	return out, nil
}

// record returns what the person may see of a record; nil is nothing.
func (v *View) record(r *correlate.Record) *correlate.Record {
	seen := v.siting(r)
	if seen != nil && !v.codes {
		seen = hushRecord(seen)
	}
	return seen
}

// siting returns what of a record is about sites that the person sees, or about
// accounts where they may see those; nil is nothing.
func (v *View) siting(r *correlate.Record) *correlate.Record {
	if v.sees == nil {
		if ofAccounts(r) && !v.audit {
			return nil
		}
		return r
	}
	var net *correlate.Network
	v.src.Board.Read(func(_ *correlate.State, whole *correlate.Network) { net = v.network(whole) })
	out := &correlate.Record{Seq: r.Seq, At: r.At}
	for _, ev := range r.Events {
		if e, ok := ev.(*correlate.ShiftBegan); ok {
			out.Events = append(out.Events, began(net, e))
		} else if net.Site(ev.Subject().Site) != nil {
			out.Events = append(out.Events, narrow(ev))
		}
	}
	var own bool
	if out.Input, own = input(net, r.Input); !own && len(out.Events) == 0 {
		return nil
	}
	return out
}

// narrow leaves out of an event about a site that is seen what it tells of
// others.
func narrow(ev correlate.Event) correlate.Event {
	if e, is := ev.(*correlate.MessageQueued); is {
		return &correlate.MessageQueued{Message: *alone(e.Message.Narrowed())}
	}
	return ev
}

// began returns what may be seen of the begin of a shift: that it began, and
// what stood of the sites that are seen.
func began(net *correlate.Network, e *correlate.ShiftBegan) *correlate.ShiftBegan {
	c := *e
	c.Standing = slices.DeleteFunc(slices.Clone(e.Standing), func(s correlate.Stood) bool { return net.Site(s.Key.Site) == nil })
	return &c
}

// ScanEvents is Scan without the inputs for those who may see everything. For
// others they are needed to know what may be seen.
func (v *View) ScanEvents(ctx context.Context, from correlate.Seq, fn func(*correlate.Record) error) error {
	if v.all() {
		return v.src.Journal.ScanEvents(ctx, from, fn)
	}
	return v.Scan(ctx, from, fn)
}

// First returns the number of the oldest record that is kept.
func (v *View) First() correlate.Seq { return v.src.Journal.First() }

// ofAccounts reports whether a record is about accounts.
func ofAccounts(r *correlate.Record) bool {
	_, is := r.Input.(*correlate.Access)
	return is
}

// input returns what may be seen of an input, and whether it is about sites of
// the network by itself.
func input(net *correlate.Network, in correlate.Input) (out correlate.Input, own bool) {
	seen := func(o correlate.Observation) bool { return net.Site(o.Key.Site) != nil }
	keep := func(all []correlate.Observation) []correlate.Observation {
		return slices.DeleteFunc(slices.Clone(all), func(o correlate.Observation) bool { return !seen(o) })
	}
	switch in := in.(type) {
	case *correlate.Arrival:
		c := *in
		c.Observations = keep(in.Observations)
		own = net.Agent(in.Agent) != nil
		if !own {
			c = correlate.Arrival{Version: in.Version, Inform: in.Inform, Listener: in.Listener, Observations: c.Observations}
		}
		return &c, own || len(c.Observations) > 0
	case *correlate.Notice:
		c := *in
		c.Observations = keep(in.Observations)
		return &c, len(c.Observations) > 0
	case *correlate.Act:
		if net.Site(in.Key.Site) != nil {
			return in, true
		}
	case *correlate.Audit:
		if net.Agent(in.Agent) != nil {
			return in, true
		}
	case *correlate.Start, *correlate.Delivery, *correlate.ShiftTurn:
		return in, false
	case *correlate.Reconfigure:
		return &correlate.Reconfigure{Hash: in.Hash, Actor: in.Actor}, false
	}
	return &correlate.Tick{}, false
}
