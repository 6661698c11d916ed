package main

import (
	"time"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver"
	"example.net/standwatch/receiver/usm"
)

// intake returns the receiver's books in the form that pages, API and metrics
// share.
func (d *daemon) intake() api.Intake {
	acc := d.receiver.Accounts()
	out := api.Intake{Since: acc.Since}
	for _, l := range acc.Listeners {
		b := books(l.Name, l.Tally, l.Newest)
		b.Address, b.Arrived, b.KernelDropped, b.InFlight = l.Address.String(), l.Arrived, l.KernelDropped, l.InFlight
		if l.TLS != nil {
			b.TLS = (*api.Connections)(l.TLS)
		}
		out.Listeners = append(out.Listeners, b)
	}
	for _, a := range acc.Agents {
		out.Agents = append(out.Agents, books(string(a.Agent), a.Tally, a.Newest))
	}
	for _, s := range acc.Sources {
		out.Sources = append(out.Sources, books(s.Source.String(), s.Tally, s.Newest))
	}
	for _, k := range d.receiver.Quarantine() {
		out.Kept = append(out.Kept, api.Kept{At: k.At, From: k.Source.String(), Listener: k.Listener, Reason: k.Fate.String(), Why: k.Why, Size: k.Length, Head: k.Octets})
	}
	return out
}

// books splits a tally into what was accepted and what was refused.
func books(name string, t receiver.Tally, newest time.Time) api.Books {
	b := api.Books{Name: name, Arrived: t.Sum(), Accepted: map[string]uint64{"matched": 0, "unmatched": 0}, Refused: map[string]uint64{}, Newest: newest}
	for _, fate := range receiver.Fates() {
		switch n := t[fate]; {
		case n == 0:
		case fate.Refusal():
			b.Refused[fate.String()] = n
		default:
			b.Accepted[fate.String()] = n
		}
	}
	return b
}

// onCall lists who answers for each roster.
func (d *daemon) onCall(at time.Time) []api.Duty {
	plan := d.planNow()
	var out []api.Duty
	for _, r := range plan.Rosters() {
		duty := api.Duty{Roster: r.ID, Name: r.Name}
		for _, p := range plan.OnCall(r.ID, at) {
			duty.People = append(duty.People, api.Person{ID: p.ID, Name: p.Name})
		}
		if turns := plan.Turns(r.ID, at, at.Add(14*24*time.Hour)); len(turns) > 0 {
			duty.Until = turns[0].To
		}
		out = append(out, duty)
	}
	return out
}

// clocks returns what the journal knows of the clocks of trap senders, so that
// a restart does not open the door to replays.
func (d *daemon) clocks() (out []usm.Engine) {
	d.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		for _, c := range st.Engines {
			out = append(out, usm.Engine{ID: c.EngineID, Boots: c.Boots, Time: c.Time, At: c.At})
		}
	})
	return out
}
