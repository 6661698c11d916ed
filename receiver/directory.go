package receiver

import (
	"crypto/subtle"
	"fmt"
	"hash/maphash"
	"net/netip"
	"slices"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/rules"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

// directory is a Config made ready for look-ups. It is immutable.
type directory struct {
	policies map[string]*Policy
	byAddr   map[netip.Addr]*agent
	byEngine map[string]*agent
	byPrint  map[Fingerprint]*agent
	byName   map[string]*agent   // by certificate name
	byUser   map[string][]*agent // agents that name the user
	byID     map[correlate.AgentID]*agent
	users    *usm.Table
	rules    *rules.Set
	seed     maphash.Seed
}

type agent struct {
	Agent
	where rules.Where
	meter *agentMeter
	lane  uint64 // decides its worker; the same over reloads
}

func (r *Receiver) newDirectory(c Config, users *usm.Table) *directory {
	d := &directory{policies: map[string]*Policy{}, byAddr: map[netip.Addr]*agent{}, byEngine: map[string]*agent{}, byUser: map[string][]*agent{},
		byPrint: map[Fingerprint]*agent{}, byName: map[string]*agent{}, byID: map[correlate.AgentID]*agent{}, users: users, rules: c.Rules, seed: r.seed}
	for i := range c.Policies {
		d.policies[c.Policies[i].Listener] = &c.Policies[i]
	}
	for i := range c.Agents {
		d.add(r, &c.Agents[i], c.Network)
	}
	return d
}

func (d *directory) add(r *Receiver, spec *Agent, net *correlate.Network) {
	a := &agent{Agent: *spec, meter: r.agents.of(spec.ID), lane: maphash.Comparable(d.seed, spec.ID)}
	if net != nil {
		if a.where.Agent = net.Agent(spec.ID); a.where.Agent != nil {
			a.where.Site = net.Site(a.where.Agent.Site)
		}
	}
	if a.Burst == 0 {
		a.Burst = max(10, int(10*a.Rate))
	}
	d.byID[a.ID] = a
	for _, addr := range spec.Addresses {
		d.byAddr[addr.Unmap()] = a
	}
	for _, engine := range spec.EngineIDs {
		d.byEngine[string(engine)] = a
	}
	for _, print := range spec.Certificates {
		d.byPrint[print] = a
	}
	for _, name := range spec.CertNames {
		d.byName[name] = a
	}
	for _, user := range spec.Users {
		d.byUser[user] = append(d.byUser[user], a)
	}
}

// policy returns the policy of a listener; a listener without one hears
// anybody and takes no community.
func (d *directory) policy(listener string) *Policy {
	if p := d.policies[listener]; p != nil {
		return p
	}
	return &Policy{}
}

func (p *Policy) allows(addr netip.Addr) bool {
	return len(p.Allow) == 0 || within(p.Allow, addr)
}

func within(prefixes []netip.Prefix, addr netip.Addr) bool {
	if addr.Zone() != "" {
		addr = addr.WithZone("") // a prefix never holds an address with a zone
	}
	for _, p := range prefixes {
		if p.Contains(addr) {
			return true
		}
	}
	return false
}

// lane is what decides a datagram's worker.
func (d *directory) lane(source netip.Addr) uint64 {
	if a := d.byAddr[source]; a != nil {
		return a.lane
	}
	return maphash.Comparable(d.seed, source)
}

// speaker is for whom a message speaks.
type speaker struct {
	agent *agent // nil: no agent
	why   string // why it is no agent; shown with the unmatched notification
}

// unknown is what is said of a source that no agent has.
const unknown = "unknown agent"

// byOrigin finds the agent that a v1 or v2c notification speaks for (the rule
// is in the package comment).
func (d *directory) byOrigin(p *Policy, n *snmp.Notification, source netip.Addr) speaker {
	at := d.byAddr[source]
	if !n.AgentAddr.IsValid() || n.AgentAddr == source {
		return speaker{at, unknown}
	}
	claimed := d.byAddr[n.AgentAddr.Unmap()]
	switch {
	case within(p.Relays, source):
		return speaker{claimed, unknown}
	case claimed != nil && claimed != at:
		return speaker{nil, fmt.Sprintf("unknown agent: %s says it speaks for agent %s, and is no relay of this listener", source, claimed.ID)}
	}
	return speaker{at, unknown}
}

// takesCommunity compares with every candidate, in a time that depends on the
// candidates alone.
func takesCommunity(a *agent, p *Policy, got []byte) bool {
	candidates := p.Communities
	if a != nil && len(a.Communities) > 0 {
		candidates = a.Communities
	}
	ok := 0
	for _, want := range candidates {
		ok |= same(got, string(want))
	}
	return ok == 1
}

func same(got []byte, want string) int {
	var diff byte
	for i := range len(want) {
		var g byte
		if i < len(got) {
			g = got[i]
		}
		diff |= g ^ want[i]
	}
	return subtle.ConstantTimeEq(int32(len(got)), int32(len(want))) & subtle.ConstantTimeByteEq(diff, 0)
}

// byTrap finds the agent of an accepted v3 trap, whose authoritative engine is
// the sender's. fate is not zero if the message must be refused.
func (d *directory) byTrap(p *Policy, h *usm.Header, source netip.Addr) (s speaker, fate Fate) {
	at := d.byAddr[source]
	a := d.byEngine[string(h.EngineID)]
	switch {
	case a != nil && (a == at || h.Level >= usm.AuthNoPriv || within(p.Relays, source)):
		return speaker{a, unknown}, noFate
	case a != nil:
		// Without authentication an engine ID is a claim like any other.
		return speaker{nil, fmt.Sprintf("unknown agent: %s says without authentication that it is agent %s", source, a.ID)}, noFate
	case at == nil:
		return speaker{nil, unknown}, noFate
	case len(at.EngineIDs) > 0 || !at.admits(h.User):
		// The address is an agent's and the engine nobody's: only good enough
		// for an agent that does not say which engine it has.
		return speaker{at, unknown}, WrongUser
	}
	return speaker{at, unknown}, noFate
}

// byInform finds the agent of an accepted v3 message under the master's own
// engine.
func (d *directory) byInform(h *usm.Header, n *snmp.Notification, source netip.Addr) (s speaker, fate Fate) {
	at := d.byAddr[source]
	if at != nil && at.admits(h.User) {
		return speaker{at, unknown}, noFate
	}
	if h.Level >= usm.AuthNoPriv {
		if a := d.byEngine[string(n.ContextID)]; a != nil && slices.Contains(a.Users, string(h.User)) {
			return speaker{a, unknown}, noFate
		}
		if named := d.byUser[string(h.User)]; len(named) == 1 {
			return speaker{named[0], unknown}, noFate
		}
	}
	if at != nil {
		return speaker{at, unknown}, WrongUser
	}
	return speaker{nil, unknown}, noFate
}

// admits reports whether a v3 user may speak for the agent.
func (a *agent) admits(user []byte) bool {
	return len(a.Users) == 0 || slices.Contains(a.Users, string(user))
}

// floor returns the agent whose minimum level a message must meet: the one it
// speaks for, or else the one whose address it came from.
func (d *directory) floor(s speaker, source netip.Addr) *agent {
	if s.agent != nil {
		return s.agent
	}
	return d.byAddr[source]
}
