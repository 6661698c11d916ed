package demo

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"sync/atomic"
	"time"

	"example.net/standwatch/cmd/standwatch/demo/wire"
	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/audit/responder"
	"example.net/standwatch/receiver/snmp"
)

// Remote describes one simulated remote.
type Remote struct {
	Agent     correlate.AgentID
	Site      correlate.SiteID
	Address   netip.Addr // it sends from here: a loopback address
	Version   snmp.Version
	Inform    bool
	Community string     // v1 and v2c
	Login     wire.Login // v3
	Heartbeat time.Duration
}

// actor is a remote on the stage: its sender, the number of what it has said,
// and how that fared.
type actor struct {
	Remote
	wire     *wire.Sender
	sequence atomic.Uint32
	silent   atomic.Bool // says nothing, as if dead or cut off
	plant    plant       // what it knows of its site, told when asked
	answers  *responder.Responder

	sent, lost, unanswered atomic.Uint64
}

// newActor binds the remote's address and aims at the master. started is when
// it was switched on, which its clocks tell.
func newActor(r Remote, master netip.AddrPort, started time.Time) (*actor, error) {
	if !r.Address.IsLoopback() {
		return nil, fmt.Errorf("remote %s: %v is no loopback address", r.Agent, r.Address)
	}
	s, err := wire.Open(wire.Options{
		Master: master, From: r.Address, Version: r.Version, Inform: r.Inform,
		Community: r.Community, Login: r.Login, Started: started,
	})
	if err != nil {
		return nil, fmt.Errorf("remote %s: %w", r.Agent, err)
	}
	return &actor{Remote: r, wire: s}, nil
}

// say sends what compose makes of the next sequence number. A silent remote
// says nothing and reports no error.
func (a *actor) say(ctx context.Context, now time.Time, compose func(seq uint32) wire.Notification) error {
	seq := a.sequence.Add(1)
	if a.silent.Load() {
		return nil
	}
	err := a.wire.Send(ctx, now, compose(seq))
	switch {
	case err == nil:
		a.sent.Add(1)
		return nil
	case errors.Is(err, wire.ErrUnanswered):
		a.unanswered.Add(1)
	default:
		a.lost.Add(1)
	}
	return fmt.Errorf("remote %s: %w", a.Agent, err)
}
