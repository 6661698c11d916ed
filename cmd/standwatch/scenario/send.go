package scenario

import (
	"context"
	"fmt"
	"math"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

// The objects of the invented remote (enterprise 32473 is for examples, RFC
// 5612), which are what "alarm", "normal", "reads" and "entry" stand for.
const (
	kestrel      = "1.3.6.1.4.1.32473.10."
	trapContact  = kestrel + "0.1"
	trapAnalog   = kestrel + "0.2"
	trapEntry    = kestrel + "0.4"
	trapAck      = "kestrelAcknowledged"
	trapBeat     = kestrel + "0.6"
	trapRestart  = kestrel + "0.7"
	contactNo    = kestrel + "2.1.1."
	contactState = kestrel + "2.1.2."
	analogNo     = kestrel + "3.1.1."
	analogValue  = kestrel + "3.1.2."
	doorNo       = kestrel + "5.1.1."
	cardNo       = kestrel + "5.1.2."
	entryResult  = kestrel + "5.1.3."
	restartWhy   = kestrel + "1.4.0"
)

// sender is an agent as it speaks in the story.
type sender struct {
	started time.Time // when it was switched on, which its clocks tell
	boots   uint32
	request int32
	salt    uint64
}

// sent is a datagram and where it came from.
type sent struct {
	listener string
	from     netip.AddrPort
	octets   []byte
}

// manner says how a notification is sent.
type manner struct {
	ago    time.Duration // how long before now it was made
	uptime *uint32       // sysUpTime in 1/100 s, in place of the sender's
	boots  uint32
	from   netip.Addr
	inform int32 // request-id; 0: a trap
	v1     bool  // translated to a v1 trap (RFC 3584 section 3.2)
}

// sender returns an agent's sender; it was switched on a day before it is first
// heard of.
func (w *world) sender(id correlate.AgentID) *sender {
	s := w.senders[id]
	if s == nil {
		s = &sender{started: w.clock.now().Add(-24 * time.Hour), boots: 1}
		w.senders[id] = s
	}
	return s
}

// notify has an agent send a notification.
func (w *world) notify(ctx context.Context, id correlate.AgentID, trap string, m manner, vars []snmp.Varbind) error {
	i := slices.IndexFunc(w.cfg.Receiver.Agents, func(a receiver.Agent) bool { return a.ID == id })
	if i < 0 {
		return fmt.Errorf("there is no agent %q", id)
	}
	a, s := &w.cfg.Receiver.Agents[i], w.sender(id)
	oid, ok := w.cfg.Names.Lookup(trap)
	if !ok {
		return fmt.Errorf("there is no notification %q", trap)
	}
	s.request++
	s.salt++
	up := w.clock.now().Add(-m.ago).Sub(s.started)
	b := snmp.Build{Version: snmp.V2c, RequestID: s.request, TrapOID: oid, Uptime: uint32(up.Milliseconds() / 10), Varbinds: vars}
	if m.uptime != nil {
		b.Uptime = *m.uptime
	}
	if m.inform != 0 {
		b.Inform, b.RequestID = true, m.inform
	}
	switch {
	case m.v1:
		b.Version, b.AgentAddr = snmp.V1, a.Addresses[0]
		b.Community = w.communityOf(a)
	case len(a.EngineIDs) > 0 || len(a.Users) > 0:
		if err := w.secure(&b, a, s, up); err != nil {
			return err
		}
		if m.boots != 0 {
			b.Secure.Boots = m.boots
		}
	default:
		b.Community = w.communityOf(a)
	}
	octets, err := b.Append(nil)
	if err != nil {
		return err
	}
	from := m.from
	if !from.IsValid() {
		if len(a.Addresses) == 0 {
			return fmt.Errorf("agent %s has no address to send from: say from ADDRESS", id)
		}
		from = a.Addresses[0]
	}
	w.last = sent{w.cfg.Receiver.Policies[0].Listener, netip.AddrPortFrom(from, 161), octets}
	return w.come(ctx)
}

// communityOf is the community that an agent speaks with: its own, else the
// listener's.
func (w *world) communityOf(a *receiver.Agent) string {
	for _, list := range [][]receiver.Secret{a.Communities, w.cfg.Receiver.Policies[0].Communities} {
		if len(list) > 0 {
			return string(list[0])
		}
	}
	return ""
}

// secure signs and seals as the agent's user: a trap under the agent's own
// engine, an inform under the master's (RFC 3414 section 1.5.1), whose boots and
// time the sender has learnt as by discovery.
func (w *world) secure(b *snmp.Build, a *receiver.Agent, s *sender, up time.Duration) error {
	i := slices.IndexFunc(w.cfg.Receiver.Users, func(u usm.User) bool { return len(a.Users) == 0 || slices.Contains(a.Users, u.Name) })
	if i < 0 {
		return fmt.Errorf("agent %s has no user to speak as", a.ID)
	}
	u := w.cfg.Receiver.Users[i]
	b.Version = snmp.V3
	b.Secure = snmp.Secure{User: u.Name, Level: u.Level(), Boots: s.boots, Time: uint32(up / time.Second), Salt: s.salt, MsgID: s.request}
	switch {
	case b.Inform:
		id := w.store.Identity()
		b.Secure.EngineID, b.Secure.Boots, b.Secure.Time = id.EngineID, id.Boots, uint32(w.clock.now().Sub(w.opened)/time.Second)
	case len(a.EngineIDs) == 0:
		return fmt.Errorf("agent %s has no engine ID of its own, so it sends informs only: say (inform 7)", a.ID)
	default:
		b.Secure.EngineID = a.EngineIDs[0]
	}
	keys, err := usm.NewKeys(u, b.Secure.EngineID)
	b.Secure.Keys = keys
	return err
}

// refusal is the error that the receiver wanted nothing of a datagram.
type refusal struct {
	fate receiver.Fate
	why  string
}

func (r *refusal) Error() string {
	return fmt.Sprintf("the receiver refused it: %s: %s", r.fate, r.why)
}

// come lets the last datagram arrive.
func (w *world) come(ctx context.Context) error {
	fed, err := w.receiver.Feed(w.last.listener, w.last.from, slices.Clone(w.last.octets))
	switch {
	case err != nil:
		return err
	case fed.Fate.Refusal():
		return &refusal{fed.Fate, fed.Why}
	}
	w.receiver.Answers()
	return w.settle(ctx)
}

// speaks returns the first agent of a site.
func (w *world) speaks(site correlate.SiteID) (correlate.AgentID, error) {
	s := w.cfg.Network.Site(site)
	if s == nil || len(s.Agents) == 0 {
		return "", fmt.Errorf("there is no site %q with an agent", site)
	}
	return s.Agents[0], nil
}

// point returns the point of a key.
func (w *world) point(k correlate.Key) (*correlate.Point, error) {
	if p := w.cfg.Network.Point(k); p != nil {
		return p, nil
	}
	return nil, fmt.Errorf("there is no point %s", spell(k))
}

// says sends what the invented remote says about one of its points.
func (w *world) says(ctx context.Context, k correlate.Key, word, value string, m manner) error {
	p, err := w.point(k)
	if err != nil {
		return err
	}
	id, err := w.speaks(k.Site)
	if err != nil {
		return err
	}
	if p.Number == 0 {
		return fmt.Errorf("point %s has no number in the remote's list: write what %s sends, by the notification's name", spell(k), id)
	}
	n := strconv.Itoa(p.Number)
	integer := func(name string, v int) snmp.Varbind { return snmp.Integer(snmp.MustOID(name+n), int32(v)) }
	switch word {
	case "alarm":
		return w.notify(ctx, id, trapContact, m, []snmp.Varbind{integer(contactNo, p.Number), integer(contactState, 1)})
	case "normal":
		return w.notify(ctx, id, trapContact, m, []snmp.Varbind{integer(contactNo, p.Number), integer(contactState, 2)})
	case "entry":
		result := map[string]int{"": 1, "granted": 1, "denied": 2}[value]
		return w.notify(ctx, id, trapEntry, m, []snmp.Varbind{integer(doorNo, p.Number), snmp.Octets(snmp.MustOID(cardNo+n), []byte("4711")), integer(entryResult, result)})
	case "there-acknowledged":
		return w.notify(ctx, id, trapAck, m, []snmp.Varbind{integer(contactNo, p.Number), w.octets("kestrelAcknowledgedBy.0", value)})
	}
	v, err := strconv.ParseFloat(value, 64)
	if err != nil {
		return fmt.Errorf("%q is no reading", value)
	}
	if p.Scale != 0 {
		v = (v - p.Offset) / p.Scale
	}
	return w.notify(ctx, id, trapAnalog, m, []snmp.Varbind{integer(analogNo, p.Number), integer(analogValue, int(math.Round(v)))})
}

func (w *world) octets(name, value string) snmp.Varbind {
	oid, _ := w.cfg.Names.Lookup(name)
	return snmp.Octets(oid, []byte(value))
}

// sends sends any notification by its name, with bindings NAME=NUMBER or
// NAME="text".
func (w *world) sends(ctx context.Context, id correlate.AgentID, words []string, m manner) error {
	var vars []snmp.Varbind
	for _, word := range words[1:] {
		name, value, ok := strings.Cut(word, "=")
		oid, known := w.cfg.Names.Lookup(name)
		if !ok || !known {
			return fmt.Errorf("%q is no NAME=value with a known name", word)
		}
		if n, err := strconv.ParseInt(value, 10, 32); err == nil {
			vars = append(vars, snmp.Integer(oid, int32(n)))
		} else {
			vars = append(vars, snmp.Octets(oid, []byte(strings.Trim(value, `"`))))
		}
	}
	return w.notify(ctx, id, words[0], m, vars)
}
