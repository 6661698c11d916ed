package receiver

import (
	"errors"
	"fmt"
	"net/netip"
	"slices"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/rules"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

// ErrSealed is returned by [Receiver.Again] for a v3 notification that the keys
// in force do not open, so that what it says is not known any more.
var ErrSealed = errors.New("open what was kept with the keys in force now")

// Retrial is a kept notification as the configuration in force would take it.
type Retrial struct {
	// Arrival is the kept one with what the rules make of it now. RunAgain and
	// Came are for the caller to fill in.
	Arrival      *correlate.Arrival
	Notification *snmp.Notification
	Where        rules.Where  // its Site is nil while no agent speaks for it
	Result       rules.Result // zero while no agent speaks for it
}

// Again says what the configuration in force makes of a notification that was
// kept because nothing came of it: who speaks, by the addresses, users and
// communities that hold now, and what the rules make of it. It counts nothing.
// The error says why it cannot be read, or would be refused now.
func (r *Receiver) Again(kept *correlate.Arrival) (*Retrial, error) {
	from, err := netip.ParseAddrPort(kept.From)
	if err != nil {
		return nil, fmt.Errorf("run again what came from %q: %w", kept.From, err)
	}
	d := r.directory.Load()
	in := *kept
	in.Agent, in.Observations, in.Unmatched, in.Restart = "", nil, "", false
	t := &Retrial{Arrival: &in}
	s, err := r.speaksAgain(d, t, from.Addr().Unmap())
	if err != nil {
		return nil, err
	}
	if s.agent == nil {
		in.Unmatched = s.why
		return t, nil
	}
	in.Agent, t.Where = s.agent.ID, s.agent.where
	switch {
	case t.Where.Site == nil:
		in.Unmatched = "the agent has no site"
	case d.rules == nil:
		in.Unmatched = "there are no rules"
	default:
		t.Result, _ = d.rules.MatchTrace(t.Notification, t.Where)
		in.Observations, in.Unmatched, in.Restart = t.Result.Observations, t.Result.Unmatched, t.Result.Restart
	}
	return t, nil
}

// Captured says what the configuration in force makes of a datagram that a
// sniffer captured, as if it had come to a listener: like [Receiver.Again], but
// all that the Arrival says is taken from the datagram, and the listener's allow
// list counts. Whether it came in time and only once, it does not ask.
func (r *Receiver) Captured(listener string, from netip.AddrPort, datagram []byte) (*correlate.Arrival, error) {
	d := r.directory.Load()
	source := netip.AddrPortFrom(from.Addr().Unmap(), from.Port())
	if !d.policy(listener).allows(source.Addr()) {
		return nil, fmt.Errorf("the source is not on the allow list of the listener %s", listener)
	}
	t, err := r.Again(&correlate.Arrival{Datagram: datagram, From: source.String(), Listener: listener})
	if err != nil {
		return nil, err
	}
	in, n := t.Arrival, t.Notification
	in.Version, in.Inform, in.RequestID, in.TrapOID, in.Uptime, in.HasUptime = n.Version.String(), n.Inform, n.RequestID, snmp.OID(n.TrapOID).String(), n.Uptime, n.HasUptime
	in.Origin = source.Addr().String()
	if n.AgentAddr.IsValid() {
		in.Origin = n.AgentAddr.String()
	}
	if a := d.byID[in.Agent]; a != nil {
		in.Sequence, in.HasSequence = a.count(n)
	}
	if n.Version == snmp.V3 {
		m, err := new(snmp.Decoder).Parse(datagram)
		if err != nil {
			return nil, fmt.Errorf("decode what was captured: %w", err)
		}
		h := &m.Security
		in.Security = string(h.User) + " " + h.Level.String()
		if string(h.EngineID) != string(d.users.LocalID()) && !n.Inform && h.Level >= usm.AuthNoPriv {
			in.EngineID, in.Boots, in.EngineTime = slices.Clone(h.EngineID), h.Boots, h.Time
		}
	}
	return in, nil
}

// speaksAgain decodes the datagram and finds for whom it speaks, or why it
// would not be heard.
func (r *Receiver) speaksAgain(d *directory, t *Retrial, source netip.Addr) (speaker, error) {
	dec := &snmp.Decoder{}
	m, err := dec.Parse(slices.Clone(t.Arrival.Datagram))
	if err != nil {
		return speaker{}, fmt.Errorf("decode what was kept: %w", err)
	}
	policy := d.policy(t.Arrival.Listener)
	if m.Version == snmp.V3 {
		return r.userAgain(d, policy, dec, t, source)
	}
	if t.Notification, err = dec.Notification(); err != nil {
		return speaker{}, fmt.Errorf("decode what was kept: %w", err)
	}
	s := d.byOrigin(policy, t.Notification, source)
	if floor := d.floor(s, source); floor != nil && floor.MinLevel > 0 {
		return s, fmt.Errorf("agent %s must speak v3 %s now, not %s", floor.ID, floor.MinLevel, m.Version)
	}
	if !takesCommunity(s.agent, policy, t.Notification.Community) {
		return s, fmt.Errorf("its community is not one that is taken now")
	}
	return s, nil
}

func (r *Receiver) userAgain(d *directory, p *Policy, dec *snmp.Decoder, t *Retrial, source netip.Addr) (speaker, error) {
	n, err := dec.Reopen(d.users)
	h := &dec.Message().Security
	if at := d.byAddr[source]; err == usm.UnknownUserName && at != nil && len(at.EngineIDs) == 0 {
		if d.users.Admit(r.now(), h.EngineID, h.User) == nil {
			n, err = dec.Reopen(d.users)
		}
	}
	if err != nil {
		return speaker{}, fmt.Errorf("%w: %w", ErrSealed, err)
	}
	t.Notification = n
	find := func() (speaker, Fate) { return d.byTrap(p, h, source) }
	if string(h.EngineID) == string(d.users.LocalID()) {
		find = func() (speaker, Fate) { return d.byInform(h, n, source) }
	}
	s, fate := find()
	if fate != noFate {
		return s, fmt.Errorf("user %q does not speak for agent %s now", h.User, s.agent.ID)
	}
	if floor := d.floor(s, source); floor != nil && h.Level < floor.MinLevel {
		return s, fmt.Errorf("agent %s must speak v3 %s now, not %s", floor.ID, floor.MinLevel, h.Level)
	}
	return s, nil
}
