package wire

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"sync"
	"time"

	"github.com/gosnmp/gosnmp"

	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

// Login is an SNMPv3 user. Without Auth its messages are neither authenticated
// nor encrypted, without Priv not encrypted.
type Login struct {
	User       string
	Auth       usm.Auth
	AuthSecret string
	Priv       usm.Priv
	PrivSecret string
	EngineID   []byte // of the sender: the authority for its traps
	Context    string
}

// Options describe a [Sender].
type Options struct {
	Master    netip.AddrPort
	From      netip.Addr // own address; the zero Addr leaves it to the system
	Version   snmp.Version
	Inform    bool
	Community string // v1 and v2c
	Login     Login  // v3
	// AgentAddr is the agent-addr of v1 traps (RFC 1157 section 4.1.6), an
	// IPv4 address; the zero Addr is From, or 0.0.0.0.
	AgentAddr netip.Addr
	Started   time.Time // when sysUpTime and snmpEngineTime began
	// Boots is the snmpEngineBoots of v3 traps; 0 takes the seconds of Started
	// since 2026, so that a later life has more than an earlier one (RFC 3414
	// section 2.2) without anything being kept.
	Boots uint32
	Tries int           // how often an inform is sent at most; 0 is 5
	Wait  time.Duration // how long each try waits for the answer; 0 is 2 s
}

// Notification is what is to be said, before the version's own form.
type Notification struct {
	TrapOID  string // dotted
	Varbinds []gosnmp.SnmpPDU
}

// ErrUnanswered is returned when an inform got no answer in all its tries.
var ErrUnanswered = errors.New("no answer to the inform")

// bootsEpoch is 2026-01-01 in Unix seconds; boots stay below 2^31 until 2094.
const bootsEpoch = 1767225600

// Boots returns the snmpEngineBoots of an engine that was switched on at
// started: the seconds since 2026, so that a later life has more.
func Boots(started time.Time) uint32 { return uint32(max(1, started.Unix()-bootsEpoch)) }

// Sender sends notifications to one master.
type Sender struct {
	opts Options

	mu      sync.Mutex // guards wire, request
	wire    *gosnmp.GoSNMP
	request uint32
}

// Open binds the sender's address and aims at the master. The error says what
// of the options cannot work.
func Open(o Options) (*Sender, error) {
	if o.Tries <= 0 {
		o.Tries = 5
	}
	if o.Wait <= 0 {
		o.Wait = 2 * time.Second
	}
	if o.Boots == 0 {
		o.Boots = Boots(o.Started)
	}
	if !o.AgentAddr.IsValid() && o.From.Is4() {
		o.AgentAddr = o.From
	}
	if !o.AgentAddr.IsValid() {
		o.AgentAddr = netip.IPv4Unspecified()
	}
	s := &Sender{opts: o, request: uint32(time.Now().UnixNano()) & 0x3fffffff}
	if err := s.connect(); err != nil {
		return nil, err
	}
	return s, nil
}

func (s *Sender) connect() error {
	o := s.opts
	s.wire = &gosnmp.GoSNMP{
		Target: o.Master.Addr().String(), Port: o.Master.Port(), Transport: "udp",
		Timeout: o.Wait, Retries: 0, Community: o.Community, Context: context.Background(),
	}
	if o.From.IsValid() {
		s.wire.LocalAddr = net.JoinHostPort(o.From.String(), "0")
	}
	switch {
	case o.Version == snmp.V1 && o.Inform:
		return errors.New("SNMPv1 has no informs")
	case o.Version == snmp.V1 && !o.AgentAddr.Is4():
		return fmt.Errorf("the agent address of a v1 trap is an IPv4 address, not %v (RFC 1157 section 4.1.6)", o.AgentAddr)
	case o.Version == snmp.V1:
		s.wire.Version = gosnmp.Version1
	case o.Version == snmp.V2c:
		s.wire.Version = gosnmp.Version2c
	case o.Version == snmp.V3:
		if err := secure(s.wire, o); err != nil {
			return err
		}
	default:
		return fmt.Errorf("no SNMP version %v", o.Version)
	}
	if err := s.wire.Connect(); err != nil {
		return fmt.Errorf("open the sender's socket: %w", err)
	}
	return nil
}

// Close frees the socket.
func (s *Sender) Close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	_ = s.wire.Close() // a UDP socket: nothing can be lost by closing it
}

// Send says n to the master. A trap is sent once and nobody knows whether it
// arrived. An inform waits for its answer; the error wraps [ErrUnanswered] when
// none came in all its tries, or ctx ended first.
func (s *Sender) Send(ctx context.Context, now time.Time, n Notification) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.request++
	s.stamp(now)
	trap := s.trap(now, n)
	if !s.opts.Inform {
		return s.transmit(ctx, trap)
	}
	err := ctx.Err()
	for try := 0; try < s.opts.Tries && ctx.Err() == nil; try++ {
		if err = s.transmit(ctx, trap); err == nil {
			return nil
		}
	}
	return fmt.Errorf("%w: %w", ErrUnanswered, err)
}

func (s *Sender) transmit(ctx context.Context, trap gosnmp.SnmpTrap) error {
	s.wire.Context = ctx
	s.wire.SetRequestID(s.request - 1) // the library counts up before it sends
	answer, err := s.wire.SendTrap(trap)
	if err != nil || !trap.IsInform {
		return err
	}
	if answer.PDUType != gosnmp.GetResponse {
		return fmt.Errorf("the master answered with a %v", answer.PDUType)
	}
	return nil
}

// Encode returns the datagram that Send would send, each with a request-id and
// salt of its own. A v3 inform cannot be encoded ahead, since the master's
// engine has to be asked first.
func (s *Sender) Encode(now time.Time, n Notification) ([]byte, error) {
	if s.opts.Version == snmp.V3 && s.opts.Inform {
		return nil, errors.New("a v3 inform cannot be encoded ahead: it speaks for the master's engine")
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.request++
	s.stamp(now)
	trap := s.trap(now, n)
	if s.opts.Version == snmp.V1 {
		p := s.wire.MkSnmpPacket(gosnmp.Trap, trap.Variables, 0, 0)
		p.Enterprise, p.AgentAddress, p.Timestamp = trap.Enterprise, trap.AgentAddress, trap.Timestamp
		p.GenericTrap, p.SpecificTrap = trap.GenericTrap, trap.SpecificTrap
		return p.MarshalMsg()
	}
	kind := gosnmp.SNMPv2Trap
	if s.opts.Inform {
		kind = gosnmp.InformRequest
	}
	s.wire.SetRequestID(s.request - 1)
	return s.wire.SnmpEncodePacket(kind, trap.Variables, 0, 0)
}

// stamp sets the engine time of a trap that speaks for the own engine.
func (s *Sender) stamp(now time.Time) {
	if p, ok := s.wire.SecurityParameters.(*gosnmp.UsmSecurityParameters); ok && !s.opts.Inform {
		p.AuthoritativeEngineTime = uint32(now.Sub(s.opts.Started) / time.Second)
	}
}

// Names of RFC 3418 that every v2 notification begins with.
const (
	sysUpTime   = ".1.3.6.1.2.1.1.3.0"
	snmpTrapOID = ".1.3.6.1.6.3.1.1.4.1.0"
)

func (s *Sender) trap(now time.Time, n Notification) gosnmp.SnmpTrap {
	ticks := uint32(now.Sub(s.opts.Started) / (10 * time.Millisecond)) // 1/100 s
	if s.opts.Version == snmp.V1 {
		enterprise, generic, specific := splitTrapOID(n.TrapOID)
		return gosnmp.SnmpTrap{
			Enterprise: enterprise, AgentAddress: s.opts.AgentAddr.String(), GenericTrap: generic, SpecificTrap: specific,
			Timestamp: uint(ticks), Variables: n.Varbinds,
		}
	}
	vbs := append([]gosnmp.SnmpPDU{
		{Name: sysUpTime, Type: gosnmp.TimeTicks, Value: ticks},
		{Name: snmpTrapOID, Type: gosnmp.ObjectIdentifier, Value: n.TrapOID},
	}, n.Varbinds...)
	return gosnmp.SnmpTrap{Variables: vbs, IsInform: s.opts.Inform}
}
