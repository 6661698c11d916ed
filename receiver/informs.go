package receiver

import (
	"hash/maphash"
	"net/netip"
	"sync"
	"time"

	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

// informWindow is how long an inform is remembered after its first arrival: as
// long as RFC 3414 section 2.2.3 lets a v3 message be repeated. Senders that
// get no answer ask again within seconds.
const informWindow = usm.WindowSeconds * time.Second

// maxInforms bounds the informs remembered.
const maxInforms = 1 << 15

// informKey names an inform. A sender that gets no answer sends the same PDU
// again, with the same request-id (RFC 3416 section 4.2.7), v3 with another
// msgID. Since some senders count request-ids from 1 at each start, the content
// belongs to the key.
type informKey struct {
	from    netip.AddrPort // v3: without the port, since content and user are authenticated
	request int32
	content uint64
}

func keyOf(seed maphash.Seed, n *snmp.Notification, from netip.AddrPort) informKey {
	if n.Version == snmp.V3 {
		from = netip.AddrPortFrom(from.Addr(), 0)
	}
	var h maphash.Hash
	h.SetSeed(seed)
	for _, part := range [][]byte{n.Community, n.ContextID, n.ContextName, n.TrapOID} {
		maphash.WriteComparable(&h, len(part))
		h.Write(part)
	}
	maphash.WriteComparable(&h, n.Uptime)
	for _, v := range n.Varbinds {
		maphash.WriteComparable(&h, [2]int{len(v.Name), len(v.Value)})
		h.WriteByte(v.Tag)
		h.Write(v.Name)
		h.Write(v.Value)
	}
	return informKey{from: from, request: n.RequestID, content: h.Sum64()}
}

// informs remembers which informs are on their way or durable, so that one sent
// again is answered again and makes no second event.
type informs struct {
	mu    sync.Mutex // guards seen and order
	seen  map[informKey]*informEntry
	order []*informEntry // oldest first; may hold forgotten ones
}

type informState uint8

const (
	informNew     informState = iota // not seen, or never became durable
	informBusy                       // on its way
	informDurable                    // to be answered again
)

type informEntry struct {
	key   informKey
	at    time.Time
	state informState
	reply *reply // to the newest copy
}

// known reports whether an inform was seen before, whatever became of it.
func (i *informs) known(key informKey) bool {
	i.mu.Lock()
	defer i.mu.Unlock()
	return i.seen[key] != nil
}

// begin notes an inform and returns what was known of it. While it is on its
// way the answer goes to this, the newest, copy of it.
func (i *informs) begin(key informKey, now time.Time, re *reply) (was informState) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.forget(now)
	e := i.seen[key]
	if e == nil {
		if i.seen == nil {
			i.seen = map[informKey]*informEntry{}
		}
		e = &informEntry{key: key, at: now}
		i.seen[key] = e
		i.order = append(i.order, e)
	}
	was = e.state
	if was != informDurable {
		e.state, e.reply = informBusy, re
	}
	return was
}

// end notes what became of an inform and returns the answer that is due, nil if
// none is: one that is not durable counts as new when it is sent again.
func (i *informs) end(key informKey, durable bool) *reply {
	i.mu.Lock()
	defer i.mu.Unlock()
	e := i.seen[key]
	if e == nil {
		return nil
	}
	re := e.reply
	e.reply = nil
	if !durable {
		e.state = informNew
		return nil
	}
	e.state = informDurable
	return re
}

// forget drops what is too old or too many.
func (i *informs) forget(now time.Time) {
	for len(i.order) > 0 {
		oldest := i.order[0]
		if len(i.order) < maxInforms && now.Sub(oldest.at) < informWindow {
			return
		}
		if i.seen[oldest.key] == oldest {
			delete(i.seen, oldest.key)
		}
		i.order = i.order[1:]
	}
}
