package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/rs/zerolog"

	"example.net/standwatch/cmd/standwatch/rehearse"
	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver"
	"example.net/standwatch/receiver/capture"
)

// trapPort is where notifications go (RFC 3417 section 3.1 and IANA's registry).
const trapPort = 162

// informMemory is for how long an inform that comes again is known, as the
// running receiver knows it.
const informMemory = 5 * time.Minute

// rehearsalEngine is an engine ID that no master has: text under the enterprise
// number for examples (RFC 3411 section 5, SnmpEngineID; RFC 5612). Informs that
// went to a master are opened by the engine ID that they carry.
var rehearsalEngine = append([]byte{0x80, 0x00, 0x7e, 0xd9, 4}, "rehearsal"...)

// errEnough ends the reading of a capture.
var errEnough = errors.New("nothing that follows counts")

// rehearseCapture feeds what a sniffer captured to a rehearsal.
func rehearseCapture(ctx context.Context, cfg *configs.Config, name string, ports []uint, o rehearse.Options) (*rehearse.Result, error) {
	file, err := os.Open(name)
	if err != nil {
		return nil, fmt.Errorf("open the capture: %w", err)
	}
	defer file.Close()
	r, err := receiver.NewDeaf(receiver.Options{Config: cfg.Receiver, Identity: receiver.Identity{EngineID: rehearsalEngine, Boots: 1}, Now: time.Now, Log: zerolog.Nop()})
	if err != nil {
		return nil, err
	}
	listeners, err := listenersOf(cfg, ports)
	if err != nil {
		return nil, err
	}
	o.Fresh = true
	rehearsal, seq := rehearse.New(o), correlate.Seq(0)
	informs := informsSeen{}
	wanted := func(port uint16) bool { return listeners[port] != "" }
	counts, err := capture.Read(file, wanted, func(d capture.Datagram) error {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if d.At.Before(o.From) {
			return nil
		}
		in, refused := r.Captured(listeners[d.To.Port()], d.From, d.Octets)
		if refused == nil && informs.again(in, d.At) {
			return nil
		}
		seq++
		if !rehearsal.Feed(rehearse.Fresh(seq, d.At, in, refused)) {
			return errEnough
		}
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		return nil, err
	}
	out := rehearsal.End()
	out.Capture, out.Again = &counts, informs.count
	return out, nil
}

// listenersOf says for which listener each UDP port of a capture counts: that
// port's own, else the first one that takes datagrams.
func listenersOf(cfg *configs.Config, ports []uint) (map[uint16]string, error) {
	out, first := map[uint16]string{}, ""
	for _, l := range cfg.Listeners {
		if l.TLS {
			continue
		}
		if first == "" {
			first = l.Name
		}
		if l.Address.Port() != 0 {
			out[l.Address.Port()] = l.Name
		}
	}
	if first == "" {
		return nil, errors.New("rehearse a capture: the configuration has no listener that takes datagrams")
	}
	own := out
	if len(ports) > 0 {
		out = map[uint16]string{}
	} else {
		ports = []uint{trapPort}
	}
	for _, p := range ports {
		if p == 0 || p > 65535 {
			return nil, fmt.Errorf("%w: --port %d is none; a port is 1 to 65535", errUsage, p)
		}
		name := own[uint16(p)]
		if name == "" {
			name = first
		}
		out[uint16(p)] = name
	}
	return out, nil
}

// informsSeen knows informs that are sent again, which are no second event
// (RFC 3416 section 4.2.7: a sender repeats one under its request-id).
type informsSeen struct {
	at    map[informSeen]time.Time
	count int
}

type informSeen struct {
	from, trap string
	request    int32
	uptime     uint32 // since some senders count request-ids from 1 at each start
}

func (s *informsSeen) again(in *correlate.Arrival, at time.Time) bool {
	if !in.Inform {
		return false
	}
	key := informSeen{in.From, in.TrapOID, in.RequestID, in.Uptime}
	last, known := s.at[key]
	if known && at.Sub(last) < informMemory {
		s.count++
		return true
	}
	if s.at == nil || len(s.at) >= 100_000 {
		s.at = map[informSeen]time.Time{}
	}
	s.at[key] = at
	return false
}
