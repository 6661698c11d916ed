package receiver

import (
	"net/netip"
	"sync"
	"time"
)

// informKey names an inform: a sender that gets no answer sends the same
// request-id again (RFC 3416 section 4.2.7).
type informKey struct {
	from    netip.AddrPort
	request int32
}

type informState uint8

const (
	informNew  informState = iota // not seen before
	informBusy                    // on its way to the disk
	informDone                    // durable: answer again
)

type informEntry struct {
	state informState
	at    time.Time
}

// informWindow is how long an answered inform is remembered. Senders that get
// no answer try again within seconds.
const informWindow = 2 * time.Minute

// maxInforms bounds the informs remembered.
const maxInforms = 1 << 16

// informs remembers which informs are on their way or answered, so that one
// sent again is answered again and not counted as a second event.
type informs struct {
	mu     sync.Mutex // guards seen and order
	seen   map[informKey]informEntry
	order  []informKey
	flight sync.WaitGroup // notifications handed over and not decided yet
}

func (i *informs) begin(p packet, request int32) informState {
	k := informKey{p.from, request}
	i.mu.Lock()
	defer i.mu.Unlock()
	if e, ok := i.seen[k]; ok && p.at.Sub(e.at) < informWindow {
		return e.state
	}
	if i.seen == nil {
		i.seen = map[informKey]informEntry{}
	}
	for len(i.order) > 0 && (len(i.order) >= maxInforms || p.at.Sub(i.seen[i.order[0]].at) >= informWindow) {
		delete(i.seen, i.order[0])
		i.order = i.order[1:]
	}
	i.seen[k] = informEntry{informBusy, p.at}
	i.order = append(i.order, k)
	return informNew
}

func (i *informs) end(p packet, request int32, durable bool) {
	k := informKey{p.from, request}
	i.mu.Lock()
	defer i.mu.Unlock()
	if !durable {
		delete(i.seen, k)
		return
	}
	i.seen[k] = informEntry{informDone, p.at}
}

// wait returns when every notification that was handed over is decided.
func (i *informs) wait() { i.flight.Wait() }
