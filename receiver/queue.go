package receiver

import (
	"net/netip"
	"sync"
)

// item is one datagram in a queue. Its octets lie in the batch's arena.
type item struct {
	from   netip.AddrPort
	to     netip.Addr // local address; zero unless the socket is bound to all
	socket *socket
	at, n  int
}

// batch is a run of datagrams, their octets one after another.
type batch struct {
	items []item
	arena []byte
}

func (b *batch) octets(it *item) []byte { return b.arena[it.at : it.at+it.n : it.at+it.n] }

func (b *batch) reset() { b.items, b.arena = b.items[:0], b.arena[:0] }

// octetsEach bounds a queue's octets: on average this many a datagram.
const octetsEach = 1024

// queue is the bounded way from readers to one worker. Two batches take turns:
// one is filled while the other is worked on, so that nothing is allocated once
// both have grown to the size the traffic needs.
type queue struct {
	wake      chan struct{} // buffered(1); sent to when something came
	maxItems  int
	maxOctets int
	mu        sync.Mutex // guards fill
	fill      *batch
}

func newQueue(items int) *queue {
	return &queue{wake: make(chan struct{}, 1), maxItems: items, maxOctets: max(items*octetsEach, 2*maxDatagram), fill: &batch{}}
}

// incoming is a datagram as the reader has it.
type incoming struct {
	from   netip.AddrPort
	to     netip.Addr
	octets []byte
	lane   uint64
	fate   Fate // not zero: refused already
}

// push copies in the datagrams of its lane, in order, and sets the fate of
// those for which there is no room.
func (q *queue) push(s *socket, in []incoming, lanes, lane uint64) {
	pushed := false
	q.mu.Lock()
	for i := range in {
		d := &in[i]
		if d.fate != noFate || d.lane%lanes != lane {
			continue
		}
		b := q.fill
		if len(b.items) >= q.maxItems || len(b.arena)+len(d.octets) > q.maxOctets {
			d.fate = QueueFull
			continue
		}
		b.items = append(b.items, item{from: d.from, to: d.to, socket: s, at: len(b.arena), n: len(d.octets)})
		b.arena = append(b.arena, d.octets...)
		pushed = true
	}
	q.mu.Unlock()
	if pushed {
		select {
		case q.wake <- struct{}{}:
		default:
		}
	}
}

// take swaps the batch that was worked on for the filled one.
func (q *queue) take(done *batch) *batch {
	done.reset()
	q.mu.Lock()
	defer q.mu.Unlock()
	filled := q.fill
	q.fill = done
	return filled
}
