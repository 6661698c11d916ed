package receiver

import (
	"bufio"
	"bytes"
	"net/netip"
	"testing"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/usm"
)

// FuzzDatagram takes whatever comes the whole way: decoder, USM, whom it speaks
// for, rules, answers and reports. The program does not fail at it, it gets
// exactly one fate, and nothing speaks for an agent that asks for authPriv but
// what is authentic.
func FuzzDatagram(f *testing.F) {
	seal := &sealer{keys: map[string]*usm.Keys{}}
	signed := map[string]bool{}
	for range 3 {
		for _, engine := range [][]byte{ternEngine, ownEngine} {
			boots := uint32(1)
			if engine[5] == 'm' {
				boots = 7
			}
			good := seal.make(f, factsUser, engine, boots, nil)
			signed[string(good)] = true
			f.Add(good, true)
		}
	}
	for _, d := range append(byVersion2(f), seal.bad(f)...) {
		f.Add(d, false)
		f.Add(d, true)
	}
	for _, d := range recorded(f) {
		f.Add(d, false)
	}
	ternAt := netip.MustParseAddr("127.0.0.3")
	offered := 0
	var last *correlate.Arrival
	o := base(f, &journal{})
	o.Workers = 1
	o.Offer = func(in *correlate.Arrival, done func(correlate.Seq, error)) bool {
		last = in
		offered++
		done(1, nil)
		return true
	}
	o.Config.Users = []usm.User{factsUser, spareUser, openUser}
	o.Config.Agents = append(o.Config.Agents, Agent{ID: tern, Addresses: []netip.Addr{ternAt}, EngineIDs: [][]byte{ternEngine}, Users: []string{factsUser.Name}, MinLevel: usm.AuthPriv})
	r, err := New(o)
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() {
		if err := r.Close(); err != nil {
			f.Error(err)
		}
	})
	w, s := r.workers[0], r.listeners[0].sockets[0]
	f.Fuzz(func(t *testing.T, datagram []byte, fromTern bool) {
		from := netip.AddrPortFrom(loopback, 9) // where nobody listens for what is reported
		if fromTern {
			from = netip.AddrPortFrom(ternAt, 9)
		}
		before, count := r.listeners[0].account().Tally, offered
		kept := bytes.Clone(datagram)
		tk := &task{item: &item{from: from, socket: s, n: len(datagram)}, octets: datagram, now: r.now(), dir: r.directory.Load()}
		tk.policy = tk.dir.policy("north")
		ru := w.handle(tk)
		if ru.fate != noFate {
			r.settle(tk, ru)
		}
		after := r.listeners[0].account().Tally
		if after.Sum() != before.Sum()+1 || after[Faulty] != before[Faulty] {
			t.Errorf("fate %s: %s; %d before, %d after", ru.fate, ru.why, before.Sum(), after.Sum())
		}
		if ru.fate.Refusal() && ru.why == "" {
			t.Errorf("%s, and nobody says why", ru.fate)
		}
		if !bytes.Equal(kept, datagram) {
			t.Error("the datagram was changed")
		}
		if offered > count && last.Agent == tern && !startsWithSigned(signed, datagram) {
			t.Errorf("%x speaks for an agent that asks for authPriv", datagram)
		}
		for len(r.answers.queue) > 0 {
			<-r.answers.queue // nobody runs who would send them
		}
	})
}

// startsWithSigned reports whether a datagram is a signed message with octets
// after it, which some senders add and which are ignored.
func startsWithSigned(signed map[string]bool, datagram []byte) bool {
	for message := range signed {
		if bytes.HasPrefix(datagram, []byte(message)) {
			return true
		}
	}
	return false
}

// FuzzFrame: whatever comes over a stream, the framing ends, and neither reads
// nor keeps more than a message may have.
func FuzzFrame(f *testing.F) {
	for _, d := range byVersion2(f) {
		f.Add(d)
	}
	f.Fuzz(func(t *testing.T, stream []byte) {
		in := bufio.NewReader(bytes.NewReader(stream))
		var buf []byte
		for total := 0; ; {
			message, fate, why, err := frame(in, buf[:0])
			buf = message
			if len(message) > maxDatagram || cap(message) > 2*maxDatagram {
				t.Fatalf("%d octets, room for %d", len(message), cap(message))
			}
			if total += len(message); total > len(stream) {
				t.Fatalf("%d octets out of %d", total, len(stream))
			}
			if fate != noFate || err != nil {
				if fate != noFate && why == "" {
					t.Error("nobody says why")
				}
				return
			}
			if len(message) < 2 || message[0] != 0x30 {
				t.Fatalf("% x is no message", message)
			}
		}
	})
}
