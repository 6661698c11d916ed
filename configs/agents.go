package configs

import (
	"cmp"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver"
	"example.net/standwatch/receiver/usm"
)

// defaultAlive is the point that an agent's silence raises.
const defaultAlive = "alive"

// siteAgents makes the agents that report for a site.
func (c *compiler) siteAgents(e *siteEntry) {
	for i := range e.shape.Agents {
		a := &e.shape.Agents[i]
		if !c.id("an agent", a.Key, a.At) || !c.claim("agent "+a.Key, a.At) {
			continue
		}
		c.agent(e, a)
	}
}

// claim takes something that only one agent can have.
func (c *compiler) claim(what string, at place) bool {
	if other, taken := c.taken[what]; taken {
		c.out.mistake(at, what+" is there twice", "the other is at "+other.at()+"; it can belong to one agent only")
		return false
	}
	c.taken[what] = at
	return true
}

func (c *compiler) agent(e *siteEntry, a *entry[agentShape]) {
	s := &a.V
	id := correlate.AgentID(a.Key)
	r := receiver.Agent{ID: id}
	for _, addr := range s.Addresses {
		if addr.Set && c.claim("address "+addr.V.String(), addr.At) {
			r.Addresses = append(r.Addresses, addr.V)
		}
	}
	for _, engine := range s.EngineIDs {
		if engine.Set && c.claim("engine ID "+hex.EncodeToString(engine.V), engine.At) {
			r.EngineIDs = append(r.EngineIDs, engine.V)
		}
	}
	c.certificates(s, &r)
	if len(s.Addresses) == 0 && len(s.EngineIDs) == 0 && len(s.Certificate) == 0 && len(s.CertNames) == 0 {
		c.out.mistake(a.At, fmt.Sprintf("agent %s has neither an address nor an engine ID nor a certificate", a.Key), "without one its traps cannot be told from others; add addresses: [192.0.2.10]")
	}
	c.security(a, &r)
	c.rate(s, &r)
	agent := &correlate.Agent{ID: id, Site: e.site.ID, Instance: s.Instance.V, Heartbeat: c.agentsBy.heartbeat, Grace: c.agentsBy.grace}
	if s.Heartbeat != nil {
		agent.Heartbeat = s.Heartbeat.or(0)
	}
	if s.Grace != nil {
		agent.Grace = s.Grace.or(0)
	}
	if !s.Instance.Set && len(e.shape.Agents) > 1 {
		agent.Instance = a.Key
	}
	c.alive(e, a, agent)
	c.paths(e, a, agent)
	e.site.Agents = append(e.site.Agents, id)
	c.agents = append(c.agents, agent)
	c.asked = append(c.asked, askEntry{e, a, len(c.receivers)})
	c.receivers = append(c.receivers, r)
}

// alive finds the point that the agent's silence raises.
func (c *compiler) alive(e *siteEntry, a *entry[agentShape], agent *correlate.Agent) {
	agent.Point = correlate.PointID(a.V.Alive.or(defaultAlive))
	at := a.At
	if a.V.Alive.Set {
		at = a.V.Alive.At
	}
	p := e.site.Points[agent.Point]
	switch {
	case p == nil && (agent.Heartbeat > 0 || a.V.Alive.Set):
		mend := "add the point with kind: alive, name another with alive:, or write heartbeat: 0s"
		if near := nearest(string(agent.Point), pointIDs(e.site)); near != "" {
			mend = "did you mean " + near + "?"
		}
		c.out.mistake(at, fmt.Sprintf("agent %s owes a heartbeat, but site %s has no point %s", agent.ID, e.site.ID, agent.Point), mend)
	case p != nil && p.Kind != correlate.Alive && agent.Heartbeat > 0:
		c.out.mistake(at, fmt.Sprintf("agent %s: point %s is of kind %s, and silence needs a point of kind alive", agent.ID, agent.Point, p.Kind), "make its kind alive, or name another with alive:")
	}
}

func pointIDs(s *correlate.Site) []string {
	ids := make([]string, 0, len(s.Points))
	for id := range s.Points {
		ids = append(ids, string(id))
	}
	slices.Sort(ids)
	return ids
}

func (c *compiler) rate(s *agentShape, r *receiver.Agent) {
	if s.Rate != nil && s.Rate.Set {
		if r.Rate = s.Rate.V; r.Rate <= 0 {
			c.out.mistake(s.Rate.At, "a rate must be above 0", "write datagrams a second, or leave it out for no bound")
		}
	}
	if s.Burst != nil && s.Burst.Set {
		if r.Burst = s.Burst.V; r.Burst <= 0 || s.Rate == nil {
			c.out.mistake(s.Burst.At, "a burst is a number above 0, beside a rate", "add rate:, or remove burst:")
		}
	}
}

// security fills in which communities and users may speak for an agent. One
// that names users and no community is a v3 agent: v1 and v2c are refused.
func (c *compiler) security(a *entry[agentShape], r *receiver.Agent) {
	s := &a.V
	for _, name := range s.Community {
		if secret, ok := c.community(name); ok {
			r.Communities = append(r.Communities, receiver.Secret(secret.Reveal()))
		}
	}
	weakest := usm.Level(0)
	for _, name := range s.User {
		u := c.users[name.V]
		if u == nil {
			if name.Set {
				c.out.mistake(name.At, "there is no user "+quoted(name.V), cmp.Or(DidYouMean(name.V, slices.Collect(maps.Keys(c.users))), "users are under security in standwatch.yaml"))
			}
			continue
		}
		r.Users = append(r.Users, u.Name)
		if !c.pinned[name.V] {
			u.EngineIDs = append(u.EngineIDs, r.EngineIDs...)
			u.Informs = true
		}
		level := u.MinLevel
		if level == 0 {
			level = u.Level()
		}
		if weakest == 0 || level < weakest {
			weakest = level
		}
	}
	if len(s.User) > 0 && len(s.Community) == 0 {
		r.MinLevel = weakest
	}
	if len(r.Certificates)+len(r.CertNames) > 0 && len(s.User) == 0 && len(s.Community) == 0 {
		r.MinLevel, r.OnlyTLS = usm.AuthPriv, true
	}
	if !s.Minimum.Set {
		return
	}
	level, ok := usm.ParseLevel(s.Minimum.V)
	if !ok {
		c.out.mistake(s.Minimum.At, "unknown security level "+quoted(s.Minimum.V), DidYouMean(s.Minimum.V, levelWords()))
		return
	}
	if len(s.Community) > 0 {
		c.out.mistake(s.Minimum.At, fmt.Sprintf("agent %s has a community, which a minimum level would refuse", a.Key), "remove minimum, or the community")
	}
	r.MinLevel = level
}

func levelWords() []string {
	return []string{usm.NoAuthNoPriv.String(), usm.AuthNoPriv.String(), usm.AuthPriv.String()}
}

// community looks a community up by its name.
func (c *compiler) community(name text) (Secret, bool) {
	if !name.Set {
		return Secret{}, false
	}
	secret, ok := c.communities[name.V]
	if !ok {
		// The word is not repeated: it may be a community written in place of
		// its name.
		mend := "name one that stands under security.communities in standwatch.yaml"
		if near := nearest(name.V, slices.Collect(maps.Keys(c.communities))); near != "" {
			mend = "did you mean " + near + "?"
		}
		c.out.hush(name.At)
		c.out.mistake(name.At, "there is no community of that name", mend)
	}
	return secret, ok && !secret.IsZero()
}
