package api

import (
	"cmp"
	"net/http"
	"slices"
	"time"

	"example.net/standwatch/correlate"
)

// Intake is what the receiver counted since Since, and the refused datagrams
// it kept.
type Intake struct {
	Since     time.Time
	Listeners []Books
	Agents    []Books
	Sources   []Books // addresses that no agent has
	Kept      []Kept  // newest first
}

// Books are counters that have to balance: Arrived is the sum of Accepted,
// Refused and InFlight. KernelDropped was lost before it could be read and is
// no part of Arrived.
type Books struct {
	Name          string            `json:"name"`
	Address       string            `json:"address,omitempty"`
	Arrived       uint64            `json:"arrived"`
	KernelDropped uint64            `json:"kernel-dropped"`
	InFlight      uint64            `json:"in-flight"`
	Accepted      map[string]uint64 `json:"accepted"` // by what became of it: matched, unmatched, ...
	Refused       map[string]uint64 `json:"refused"`  // by reason
	Newest        time.Time         `json:"newest,omitzero"`
	TLS           *Connections      `json:"tls,omitempty"` // of a listener that speaks TLS
}

// Connections are what a listener that speaks TLS did with connections. They
// are beside the messages, which Books count.
type Connections struct {
	Open     uint64 `json:"open"`
	Accepted uint64 `json:"accepted"`
	Refused  uint64 `json:"refused"`              // not allowed, or too many
	Failed   uint64 `json:"handshakes-failed"`    // for anything but the certificate
	Invalid  uint64 `json:"invalid-certificates"` // not an agent's, or outside their time
}

// Sum returns what is accounted for of Arrived.
func (b Books) Sum() uint64 {
	sum := b.InFlight
	for _, n := range b.Accepted {
		sum += n
	}
	return sum + b.RefusedSum()
}

// RefusedSum returns the number of refused datagrams.
func (b Books) RefusedSum() (sum uint64) {
	for _, n := range b.Refused {
		sum += n
	}
	return sum
}

// Kept is a refused datagram, kept for inspection.
type Kept struct {
	At       time.Time
	From     string
	Listener string
	Reason   string
	Why      string
	Size     int    // octets received
	Head     []byte // the first of them
}

// Total adds up books, without a name.
func Total(all []Books) Books {
	sum := Books{Accepted: map[string]uint64{}, Refused: map[string]uint64{}}
	for _, b := range all {
		sum.Arrived += b.Arrived
		sum.KernelDropped += b.KernelDropped
		sum.InFlight += b.InFlight
		for word, n := range b.Accepted {
			sum.Accepted[word] += n
		}
		for word, n := range b.Refused {
			sum.Refused[word] += n
		}
		if b.Newest.After(sum.Newest) {
			sum.Newest = b.Newest
		}
	}
	return sum
}

// IntakeAnswer is the answer to GET /intake.
type IntakeAnswer struct {
	Since     time.Time        `json:"since"`
	Total     Books            `json:"total"`
	Balanced  bool             `json:"balanced"`
	Listeners []Books          `json:"listener"`
	Agents    []Books          `json:"agent"`
	Sources   []Books          `json:"unknown-source"`
	Refused   []KeptAnswer     `json:"kept"`
	Unmatched []UnmatchedGroup `json:"unmatched"`
}

// KeptAnswer is a refused datagram as the API shows it. The octets are not
// part of it, since they may hold a community; the console shows them masked.
type KeptAnswer struct {
	Time     time.Time `json:"time"`
	From     string    `json:"from"`
	Listener string    `json:"listener"`
	Reason   string    `json:"reason"`
	Why      string    `json:"why,omitempty"`
	Size     int       `json:"size"`
}

func (s *server) intake(w http.ResponseWriter, r *http.Request) error {
	if p := params(r); p.err != nil {
		return p.err
	}
	unmatched, err := s.Unmatched.Groups()
	if err != nil {
		return err
	}
	got := s.Intake()
	out := IntakeAnswer{Since: in(s.Zone, got.Since), Total: Total(got.Listeners), Listeners: s.booksIn(got.Listeners),
		Agents: s.booksIn(got.Agents), Sources: s.booksIn(got.Sources), Refused: []KeptAnswer{}, Unmatched: unmatched}
	out.Total.Name = "all listeners"
	out.Total.Newest = in(s.Zone, out.Total.Newest)
	out.Balanced = out.Total.Sum() == out.Total.Arrived
	for _, k := range got.Kept {
		out.Refused = append(out.Refused, KeptAnswer{in(s.Zone, k.At), k.From, k.Listener, k.Reason, k.Why, k.Size})
	}
	return writeJSON(w, out)
}

func (s *server) booksIn(all []Books) []Books {
	out := []Books{}
	for _, b := range all {
		b.Newest = in(s.Zone, b.Newest)
		out = append(out, b)
	}
	return out
}

// OutboxAnswer is the answer to GET /outbox: waiting messages first, then the
// rest newest first.
type OutboxAnswer struct {
	Waiting  int       `json:"waiting"`
	Failed   int       `json:"failed"`
	Messages []Message `json:"message"`
}

// Outbox lists the messages of a state: waiting ones in the order they were
// queued, then the settled ones newest first.
func Outbox(st *correlate.State) []*correlate.Message {
	out := st.Waiting()
	var settled []*correlate.Message
	for _, m := range st.Messages {
		if m.State != correlate.MessageWaiting {
			settled = append(settled, m)
		}
	}
	slices.SortFunc(settled, func(a, b *correlate.Message) int {
		return cmp.Or(b.Queued.Compare(a.Queued), cmp.Compare(a.ID, b.ID))
	})
	return append(out, settled...)
}

func (s *server) outbox(w http.ResponseWriter, r *http.Request) error {
	p := params(r, "state", "limit")
	state, limit := p.text("state"), int(p.number("limit", 1, MaxPage, 200))
	if p.err != nil {
		return p.err
	}
	out := OutboxAnswer{Messages: []Message{}}
	s.Board.Read(func(st *correlate.State, _ *correlate.Network) {
		for _, m := range Outbox(st) {
			switch m.State {
			case correlate.MessageWaiting:
				out.Waiting++
			case correlate.MessageFailed:
				out.Failed++
			}
			if (state == "" || m.State.String() == state) && len(out.Messages) < limit {
				out.Messages = append(out.Messages, messageOf(m, s.Zone))
			}
		}
	})
	return writeJSON(w, out)
}
