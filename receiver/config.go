package receiver

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/rules"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
	"github.com/rs/zerolog"
)

// Secret is text that must not be shown. Formatting it, as text or as JSON,
// gives "(secret)".
type Secret string

// String hides the secret.
func (Secret) String() string { return "(secret)" }

// GoString hides the secret from %#v.
func (Secret) GoString() string { return "(secret)" }

// MarshalText hides the secret from encoders.
func (Secret) MarshalText() ([]byte, error) { return []byte("(secret)"), nil }

// Listener is one place to listen at. It is fixed for the life of a Receiver.
type Listener struct {
	Name      string         // unique
	Address   netip.AddrPort // its family decides between IPv4 and IPv6 only; port 0 is any free one
	Interface string         // network device to bind to, or empty
	Buffer    int            // wanted receive buffer in octets for each socket; 0 is DefaultBuffer
	Readers   int            // sockets that share the address (SO_REUSEPORT); 0 is 1
	TLS       bool           // TCP with TLS (RFC 6353) in place of UDP; its Policy holds the certificate. Buffer, Readers and Conn are not used then
	Conn      net.PacketConn // a socket opened by somebody else, a *net.UDPConn; Address, Interface and Readers are not used then
	Stream    net.Listener   // the same for TLS, a *net.TCPListener
}

// DefaultBuffer is the receive buffer asked for when a listener names none. On
// Linux a small notification takes about 1,280 octets of it (measured), so this
// holds some 3,200 of them.
const DefaultBuffer = 4 << 20

// Policy says who may speak at a listener. It can be changed while running.
type Policy struct {
	Listener    string         // its name
	Allow       []netip.Prefix // who is heard at all; empty: anybody
	Relays      []netip.Prefix // whose word about another origin is believed
	TLS         *TLS           // of a listener that speaks TLS
	Communities []Secret       // of agents that name none, and of unknown sources; empty: v1 and v2c are refused unless the agent names one
}

// Agent is an agent as the receiver has to recognise it.
type Agent struct {
	ID        correlate.AgentID
	Addresses []netip.Addr // no other agent's
	EngineIDs [][]byte     // authoritative engines of its v3 traps; no other agent's
	// Certificates and CertNames say which certificates speak for the agent over
	// TLS: those with these fingerprints, and those with these names that the
	// listener's authorities vouch for. No other agent's.
	Certificates []Fingerprint
	CertNames    []string
	OnlyTLS      bool // refuse everything else in its name
	// Users may speak for the agent in v3 informs, and in v3 traps of engines
	// that no agent names. Empty: any user.
	Users []string
	// MinLevel is the least security that may speak for the agent. 0 admits v1
	// and v2c; NoAuthNoPriv asks for v3, the others for that level or more.
	MinLevel    usm.Level
	Communities []Secret // v1 and v2c; empty: the listener's
	Rate        float64  // datagrams a second, above which they are coalesced; 0: no bound
	Burst       int      // how many may come at once; 0: 10 seconds of Rate, at least 10
	Sequence    snmp.OID // the object in its notifications that counts them; empty: none does
}

// Config is what can change while running. It belongs to the receiver once
// handed over and must not be changed.
type Config struct {
	Policies []Policy // a listener without one allows anybody and no community
	Agents   []Agent
	Users    []usm.User
	Rules    *rules.Set // nil: nothing is matched
	Network  *correlate.Network
}

// Identity is the master's own SNMP engine (RFC 3411 section 3.1.1), which is
// authoritative for informs. Boots is already counted up for this start.
type Identity struct {
	EngineID []byte
	Boots    uint32
}

// Options configure a Receiver.
type Options struct {
	Listeners []Listener
	Config    Config
	// Offer hands over an accepted notification and never blocks; false says
	// that there is no room. After true, done is called once: with a nil error
	// only when the notification and all that was decided about it are durable.
	// done does not block.
	Offer    func(in *correlate.Arrival, done func(seq correlate.Seq, err error)) bool
	Identity Identity
	Clocks   []usm.Engine // learned before this start
	// Clockless are datagrams accepted before this start from engines that always
	// say boots 0 and time 0, so that they are not accepted again.
	Clockless [][]byte
	// Screaming is told when an agent goes over its rate and when it has come
	// back. It must not block. Nil: nobody is told.
	Screaming func(agent correlate.AgentID, over bool)
	Workers   int           // 0: as many as CPUs may run
	QueueLen  int           // datagrams that may wait for each worker; 0: 16,384
	Linger    time.Duration // how long Run waits at its end for open commits; 0: 10 s
	Now       func() time.Time
	Log       zerolog.Logger
}

// Check returns everything that is wrong with the configuration, joined.
func (c Config) Check() error {
	var faults []error
	fault := func(format string, args ...any) { faults = append(faults, fmt.Errorf(format, args...)) }
	certs := map[string]correlate.AgentID{}
	ids, addrs, engines, policies := map[correlate.AgentID]bool{}, map[netip.Addr]correlate.AgentID{}, map[string]correlate.AgentID{}, map[string]bool{}
	for i := range c.Agents {
		a := &c.Agents[i]
		if ids[a.ID] {
			fault("agent %q is there twice", a.ID)
		}
		ids[a.ID] = true
		for _, addr := range a.Addresses {
			if owner, taken := addrs[addr.Unmap()]; taken {
				fault("address %s belongs to agent %q and to agent %q", addr, owner, a.ID)
			}
			addrs[addr.Unmap()] = a.ID
		}
		for _, print := range a.Certificates {
			if owner, taken := certs[print.String()]; taken {
				fault("certificate %s belongs to agent %q and to agent %q", print, owner, a.ID)
			}
			certs[print.String()] = a.ID
		}
		for _, name := range a.CertNames {
			if owner, taken := certs["name "+name]; taken || name == "" {
				fault("certificate name %q is empty, or belongs to agent %q and to agent %q", name, owner, a.ID)
			}
			certs["name "+name] = a.ID
		}
		for _, engine := range a.EngineIDs {
			if owner, taken := engines[string(engine)]; taken {
				fault("engine %x belongs to agent %q and to agent %q", engine, owner, a.ID)
			}
			engines[string(engine)] = a.ID
		}
		if a.Rate < 0 || a.Burst < 0 {
			fault("agent %q: rate and burst must not be negative", a.ID)
		}
	}
	for _, p := range c.Policies {
		if policies[p.Listener] {
			fault("listener %q has two policies", p.Listener)
		}
		policies[p.Listener] = true
	}
	return errors.Join(faults...)
}

// check returns everything that is wrong with the options, joined.
func (o *Options) check() error {
	var faults []error
	names := map[string]bool{}
	secured := map[string]bool{}
	for _, p := range o.Config.Policies {
		secured[p.Listener] = p.TLS != nil
	}
	for _, l := range o.Listeners {
		if l.TLS != secured[l.Name] {
			faults = append(faults, fmt.Errorf("listener %q: a certificate goes with TLS, and TLS with a certificate", l.Name))
		}
		if names[l.Name] || l.Name == "" {
			faults = append(faults, fmt.Errorf("listener name %q is empty or there twice", l.Name))
		}
		names[l.Name] = true
	}
	for _, p := range o.Config.Policies {
		if !names[p.Listener] {
			faults = append(faults, fmt.Errorf("a policy names listener %q, which is not there", p.Listener))
		}
	}
	if o.Offer == nil || o.Now == nil {
		faults = append(faults, errors.New("a receiver needs Offer and Now"))
	}
	return errors.Join(append(faults, o.Config.Check())...)
}
