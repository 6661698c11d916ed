package receiver

import (
	"crypto/subtle"
	"errors"
	"fmt"
	"net/netip"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/rules"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

// worker decodes one datagram after another.
type worker struct {
	r   *Receiver
	in  chan packet
	dec snmp.Decoder
	buf []byte // decrypted scoped PDU
}

func (w *worker) run() {
	for p := range w.in {
		w.handle(p)
	}
}

// handle is the wall around one datagram: whatever it does to the decoder or
// the rules, it is counted and kept, and the next one is served.
func (w *worker) handle(p packet) {
	defer func() {
		if fault := recover(); fault != nil {
			w.dec = snmp.Decoder{}
			w.r.refuse(p, Faulty, fmt.Sprint("internal fault: ", fault))
		}
	}()
	w.decode(p, w.r.config.Load())
}

func (w *worker) decode(p packet, c *compiled) {
	m, err := w.dec.Parse(p.data)
	if err != nil {
		w.refuseDecode(p, err)
		return
	}
	if m.Version == snmp.V3 {
		w.v3(p, c, m)
		return
	}
	n, err := w.dec.Notification()
	if err != nil {
		w.refuseDecode(p, err)
		return
	}
	w.community(p, c, n)
}

func (w *worker) refuseDecode(p packet, err error) {
	var de *snmp.DecodeError
	if errors.As(err, &de) {
		w.r.refuse(p, Reason(de.Reason), err.Error())
		return
	}
	w.r.refuse(p, Faulty, err.Error())
}

// origin finds the agent that a community message speaks for. Only a relay's
// word about another origin is believed: anybody can write an address into a
// trap.
func (c *compiled) origin(n *snmp.Notification, source netip.Addr) (netip.Addr, *Agent) {
	origin := source
	if n.AgentAddr.IsValid() && n.AgentAddr != source {
		for _, p := range c.Relays {
			if p.Contains(source) {
				return n.AgentAddr, c.byAddr[n.AgentAddr]
			}
		}
		origin = n.AgentAddr
	}
	return origin, c.byAddr[source]
}

func (w *worker) community(p packet, c *compiled, n *snmp.Notification) {
	origin, agent := c.origin(n, p.from.Addr())
	if agent != nil && agent.MinLevel > 0 {
		w.r.refuse(p, WeakSecurity, fmt.Sprintf("agent %s must be heard at %s", agent.ID, agent.MinLevel))
		return
	}
	if !c.communityTaken(agent, n.Community) {
		w.r.refuse(p, WrongCommunity, "the community is not the agent's")
		return
	}
	var answer []byte
	if n.Inform {
		var err error
		if answer, err = w.dec.AppendResponseV2(nil); err != nil {
			w.r.refuse(p, Faulty, err.Error())
			return
		}
	}
	in := w.arrival(p, n, origin)
	w.accept(p, c, accepted{n: n, in: in, agent: agent, answer: answer})
}

// communityTaken compares in constant time, every candidate.
func (c *compiled) communityTaken(agent *Agent, community []byte) bool {
	candidates := c.Communities
	if agent != nil && agent.Community != "" {
		candidates = []string{agent.Community}
	}
	ok := 0
	for _, want := range candidates {
		ok |= subtle.ConstantTimeCompare([]byte(want), community)
	}
	return ok == 1 || len(candidates) == 0
}

// Counters that are reported (RFC 3414 section 5, RFC 3412 section 5).
var (
	statUnsupportedLevel = snmp.MustOID("1.3.6.1.6.3.15.1.1.1.0")
	statNotInWindow      = snmp.MustOID("1.3.6.1.6.3.15.1.1.2.0")
	statUnknownUser      = snmp.MustOID("1.3.6.1.6.3.15.1.1.3.0")
	statUnknownEngine    = snmp.MustOID("1.3.6.1.6.3.15.1.1.4.0")
	statWrongDigest      = snmp.MustOID("1.3.6.1.6.3.15.1.1.5.0")
	statDecryption       = snmp.MustOID("1.3.6.1.6.3.15.1.1.6.0")
	reportedBy           = map[Reason]snmp.OID{UnsupportedLevel: statUnsupportedLevel, NotInWindow: statNotInWindow, UnknownUser: statUnknownUser,
		UnknownEngine: statUnknownEngine, WrongDigest: statWrongDigest, DecryptionFailed: statDecryption}
)

func (w *worker) v3(p packet, c *compiled, m *snmp.Message) {
	if m.Model != snmp.ModelUSM {
		w.r.refuse(p, UnknownModel, fmt.Sprintf("security model %d is not USM (3)", m.Model))
		return
	}
	h := &m.Security
	if cap(w.buf) < len(m.Payload) {
		w.buf = make([]byte, 0, 2*len(m.Payload))
	}
	res, verdict := c.Users.Process(p.at, usm.Incoming{Header: h, Datagram: m.Datagram, Payload: m.Payload, Into: w.buf})
	if verdict != usm.Accepted {
		reason := verdictReasons[verdict]
		w.r.refuse(p, reason, fmt.Sprintf("user %q at engine %x, level %s", h.User, h.EngineID, h.Level))
		w.report(p, c, m, reason, res.Local)
		return
	}
	n, err := w.dec.Scoped(res.Plain)
	if err != nil {
		w.refuseDecode(p, err)
		return
	}
	if n.Inform != res.Local {
		// The sender is authoritative for traps, the receiver for informs
		// (RFC 3414 section 1.5.1).
		w.r.refuse(p, UnknownEngine, "a trap must name its sender's engine and an inform the receiver's")
		return
	}
	w.speaker(p, c, n, res)
}

// speaker finds the agent that an authenticated v3 message speaks for.
func (w *worker) speaker(p packet, c *compiled, n *snmp.Notification, res usm.Result) {
	msg := w.dec.Message()
	agent := c.byEngine[string(msg.Security.EngineID)]
	if res.Local {
		agent = c.byAddr[p.from.Addr()]
		if agent == nil || agent.User != string(msg.Security.User) {
			if byContext := c.byEngine[string(n.ContextID)]; byContext != nil && byContext.User == string(msg.Security.User) {
				agent = byContext
			}
		}
	}
	if agent != nil {
		if agent.User != string(msg.Security.User) {
			w.r.refuse(p, WrongUser, fmt.Sprintf("user %q does not speak for agent %s", msg.Security.User, agent.ID))
			return
		}
		if res.Level < agent.MinLevel {
			w.r.refuse(p, WeakSecurity, fmt.Sprintf("agent %s must be heard at %s", agent.ID, agent.MinLevel))
			return
		}
	}
	in := w.arrival(p, n, p.from.Addr())
	in.Security = fmt.Sprintf("%s %s", msg.Security.User, res.Level)
	if !res.Local && res.Level > usm.NoAuthNoPriv {
		in.EngineID = append([]byte(nil), msg.Security.EngineID...)
		in.Boots, in.EngineTime = msg.Security.Boots, msg.Security.Time
	}
	var answer []byte
	if n.Inform {
		var err error
		if answer, err = w.dec.ResponseV3(p.at, c.Users, res.Plain); err != nil {
			w.r.refuse(p, Faulty, err.Error())
			return
		}
	}
	w.accept(p, c, accepted{n: n, in: in, agent: agent, answer: answer})
}

// report answers a refused v3 message with the Report that RFC 3414 section
// 3.2 asks for, if the sender asked for one, at a bounded rate.
func (w *worker) report(p packet, c *compiled, m *snmp.Message, reason Reason, local bool) {
	counter, ok := reportedBy[reason]
	if !ok || !m.Reportable || (!local && reason != UnknownEngine) || !w.r.reports.Allow() {
		return
	}
	if !m.Encrypted {
		// The request-id is echoed where it can be read (RFC 3412 section 7.1).
		if _, err := w.dec.Scoped(m.Payload); err != nil {
			var de *snmp.DecodeError
			if !errors.As(err, &de) || de.Reason != snmp.NotNotified {
				return
			}
		}
	}
	value := uint32(p.l.counts.refused[reason].Load())
	out, err := w.dec.ReportV3(p.at, c.Users, counter, value, reason == NotInWindow)
	if err != nil {
		w.r.opts.Log.Error().Err(err).Msg("build a report")
		return
	}
	if _, err := p.l.conn.WriteToUDPAddrPort(out, p.from); err == nil {
		p.l.counts.reports.Add(1)
	}
}

// arrival copies what outlives the decoder.
func (w *worker) arrival(p packet, n *snmp.Notification, origin netip.Addr) *correlate.Arrival {
	return &correlate.Arrival{
		Datagram: p.data, From: p.from.String(), Listener: p.l.opts.Name, Version: n.Version.String(), Inform: n.Inform,
		RequestID: n.RequestID, Origin: origin.String(), TrapOID: snmp.OID(n.TrapOID).String(), Uptime: n.Uptime, HasUptime: n.HasUptime,
	}
}

// accepted is a notification that is heard, with what answers it.
type accepted struct {
	n      *snmp.Notification
	in     *correlate.Arrival
	agent  *Agent
	answer []byte // nil for a trap
}

// accept applies the rules and hands the notification over.
func (w *worker) accept(p packet, c *compiled, a accepted) {
	count := &p.l.counts
	if a.n.Inform {
		count.informs.Add(1)
		switch w.r.informs.begin(p, a.in.RequestID) {
		case informBusy:
			count.repeated.Add(1)
			return
		case informDone:
			count.repeated.Add(1)
			w.answer(p, a.answer)
			return
		}
	}
	applyRules(c, a)
	done := func(err error) {
		if a.n.Version != snmp.V1 && a.in.Inform {
			w.r.informs.end(p, a.in.RequestID, err == nil)
		}
		switch {
		case err != nil:
			w.r.refuse(p, NotDurable, err.Error())
			return
		case a.in.Unmatched != "":
			count.unmatched.Add(1)
		default:
			count.matched.Add(1)
		}
		if a.answer != nil {
			w.answer(p, a.answer)
		}
	}
	w.r.informs.flight.Add(1)
	handed := w.r.opts.Offer(a.in, func(err error) {
		defer w.r.informs.flight.Done()
		done(err)
	})
	if !handed {
		w.r.informs.flight.Done()
		if a.in.Inform {
			w.r.informs.end(p, a.in.RequestID, false)
		}
		w.r.refuse(p, QueueFull, "the journal is behind")
	}
}

func (w *worker) answer(p packet, answer []byte) {
	if _, err := p.l.conn.WriteToUDPAddrPort(answer, p.from); err == nil {
		p.l.counts.answered.Add(1)
	}
}

// applyRules fills in what the notification means.
func applyRules(c *compiled, a accepted) {
	if a.agent == nil {
		a.in.Unmatched = "unknown agent"
		return
	}
	a.in.Agent = a.agent.ID
	agent := c.Network.Agent(a.agent.ID)
	if agent == nil {
		a.in.Unmatched = "agent without a site"
		return
	}
	res := c.Rules.Match(a.n, rules.Where{Site: c.Network.Site(agent.Site), Agent: agent})
	a.in.Observations, a.in.Unmatched, a.in.Restart = res.Observations, res.Unmatched, res.Restart
}
