package receiver

import (
	"fmt"
	"net/netip"
)

// Fed is what became of a datagram that was fed.
type Fed struct {
	Fate  Fate // 0 while the ledger has yet to say that it is durable, or while it is held back
	Why   string
	Agent string
}

// Feed decides about one datagram as if it had come to a listener from an
// address, sockets left out: for trials under a clock of their own, which no
// socket follows. It must not be called while the receiver runs, nor by two at
// once. What a paced agent has held back is not released. It returns an error
// for a listener that is not there.
func (r *Receiver) Feed(listener string, from netip.AddrPort, datagram []byte) (Fed, error) {
	for _, l := range r.listeners {
		if l.opts.Name != listener || len(l.sockets) == 0 {
			continue
		}
		now, dir := r.now(), r.directory.Load()
		l.meter.octets.Add(uint64(len(datagram)))
		l.meter.arrived.Add(1)
		l.meter.touch(now)
		t := &task{item: &item{from: from, socket: l.sockets[0], n: len(datagram)}, octets: datagram, now: now, dir: dir, policy: dir.policy(listener)}
		ru := ruling{fate: NotAllowed, why: "the source is not on the listener's allow list"}
		if t.policy.allows(from.Addr()) {
			ru = r.workers[0].handle(t)
		}
		if ru.fate != noFate {
			r.settle(t, ru)
		}
		fed := Fed{Fate: ru.fate, Why: ru.why}
		if ru.agent != nil {
			fed.Agent = string(ru.agent.ID)
		}
		return fed, nil
	}
	return Fed{}, fmt.Errorf("feed a datagram: there is no listener %q that takes any", listener)
}

// Answers takes the answers that were made ready and not sent, for whoever
// feeds: how many there were.
func (r *Receiver) Answers() (n int) {
	for {
		select {
		case <-r.answers.queue:
			n++
		default:
			return n
		}
	}
}
