package audit

import (
	"net"
	"sync"
	"sync/atomic"

	"example.net/standwatch/receiver/usm"
)

// Tags that a guard looks at (RFC 3416 section 3, RFC 3412 section 6).
const (
	tagInteger  = 0x02
	tagOctets   = 0x04
	tagSequence = 0x30
	tagOID      = 0x06
	tagResponse = 0xa2
	tagReport   = 0xa8
)

// guard stands between the socket and the library. It hands on only what is
// well-formed and answers the question that is open; the rest is dropped and
// counted, and reading goes on until the deadline.
type guard struct {
	net.Conn
	level   usm.Level // least security of a v3 answer; 0 in v1 and v2c
	dropped *atomic.Uint64

	mu     sync.Mutex // guards the rest
	open   []int64    // request-id, or msgID in v3, of each try of the question
	report string     // the counter of the last Report, as BER: why a v3 question was refused
}

// ask begins another question: answers to older ones are late from now on.
func (g *guard) ask() {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.open, g.report = g.open[:0], ""
}

// refusal returns the counter of the last Report to the open question. Anybody
// could have sent it, so it is good for words only.
func (g *guard) refusal() string {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.report
}

// noteReport keeps what a Report counts.
func (g *guard) noteReport(pdu []byte) bool {
	if !soundPDU(pdu, tagReport) {
		return false
	}
	_, body, _, _ := take(pdu)
	for range 3 {
		_, _, body, _ = take(body)
	}
	_, list, _, _ := take(body)
	_, pair, _, _ := take(list)
	_, name, _, _ := take(pair)
	g.mu.Lock()
	defer g.mu.Unlock()
	g.report = string(name)
	return true
}

// Write notes the number of a question and sends it.
func (g *guard) Write(b []byte) (int, error) {
	if id, ok := number(b); ok {
		g.mu.Lock()
		g.open = append(g.open, id)
		g.mu.Unlock()
	}
	return g.Conn.Write(b)
}

// Read returns the next datagram that answers.
func (g *guard) Read(b []byte) (int, error) {
	for {
		n, err := g.Conn.Read(b)
		if err != nil {
			return n, err
		}
		if size, ok := g.answers(b[:n]); ok {
			return size, nil
		}
		g.dropped.Add(1)
	}
}

// answers reports whether a datagram may be handed on, and how much of it.
func (g *guard) answers(b []byte) (size int, ok bool) {
	id, ok := number(b)
	if !ok {
		return 0, false
	}
	g.mu.Lock()
	known := false
	for _, open := range g.open {
		known = known || open == id
	}
	g.mu.Unlock()
	if !known || !g.sound(b) {
		return 0, false
	}
	_, _, rest, _ := take(b)
	return len(b) - len(rest), true // octets after the message are not part of it
}

// sound reports whether a message has the form of an answer all the way down.
func (g *guard) sound(b []byte) bool {
	_, body, _, _ := take(b)
	_, version, rest, ok := take(body)
	if !ok {
		return false
	}
	tag, second, rest, ok := take(rest)
	if !ok {
		return false
	}
	if tag == tagOctets { // community
		return len(version) == 1 && version[0] <= 1 && g.level == 0 && soundPDU(rest, tagResponse)
	}
	if len(version) != 1 || version[0] != 3 || g.level == 0 {
		return false
	}
	return g.soundV3(second, rest)
}

// soundV3 checks the header and, where it can be seen, the PDU. Only a Report
// may be weaker than what was asked for (RFC 3414 section 3.2 answers what it
// cannot authenticate without authentication).
func (g *guard) soundV3(header, rest []byte) bool {
	fields := make([][]byte, 0, 4)
	for len(header) > 0 && len(fields) < 4 {
		_, field, more, ok := take(header)
		if !ok {
			return false
		}
		fields, header = append(fields, field), more
	}
	if len(fields) != 4 || len(fields[2]) != 1 || len(fields[3]) != 1 || fields[3][0] != 3 { // the user-based model
		return false
	}
	tag, params, data, ok := take(rest)
	if !ok || tag != tagOctets || !soundList(params) {
		return false
	}
	level := usm.Level(0)
	switch fields[2][0] & 3 {
	case 0:
		level = usm.NoAuthNoPriv
	case 1:
		level = usm.AuthNoPriv
	case 3:
		level = usm.AuthPriv
	}
	tag, scoped, _, ok := take(data)
	if !ok || level == 0 {
		return false
	}
	if tag == tagOctets {
		return level == usm.AuthPriv
	}
	for range 2 { // contextEngineID and contextName
		if tag, _, scoped, ok = take(scoped); !ok || tag != tagOctets {
			return false
		}
	}
	return g.noteReport(scoped) || level >= g.level && soundPDU(scoped, tagResponse)
}

// soundList reports whether b is a SEQUENCE of whole elements.
func soundList(b []byte) bool {
	tag, list, _, ok := take(b)
	if !ok || tag != tagSequence {
		return false
	}
	for len(list) > 0 {
		if _, _, list, ok = take(list); !ok {
			return false
		}
	}
	return true
}

// soundPDU reports whether b holds a PDU of that tag whose variable bindings
// are whole.
func soundPDU(b []byte, want byte) bool {
	tag, body, _, ok := take(b)
	if !ok || tag != want {
		return false
	}
	for range 3 { // request-id, error-status, error-index
		tag, field, rest, ok := take(body)
		if !ok || tag != tagInteger || len(field) == 0 || len(field) > 5 {
			return false
		}
		body = rest
	}
	tag, list, _, ok := take(body)
	if !ok || tag != tagSequence {
		return false
	}
	for len(list) > 0 {
		tag, pair, rest, ok := take(list)
		if !ok || tag != tagSequence || !soundPair(pair) {
			return false
		}
		list = rest
	}
	return true
}

func soundPair(pair []byte) bool {
	tag, name, value, ok := take(pair)
	if !ok || tag != tagOID || len(name) == 0 || name[len(name)-1]&0x80 != 0 {
		return false
	}
	_, _, rest, ok := take(value)
	return ok && len(rest) == 0
}

// number returns what an answer is matched by: the request-id of a v1 or v2c
// message, the msgID of a v3 one.
func number(b []byte) (id int64, ok bool) {
	tag, body, _, ok := take(b)
	if !ok || tag != tagSequence {
		return 0, false
	}
	tag, _, rest, ok := take(body) // version
	if !ok || tag != tagInteger {
		return 0, false
	}
	tag, second, rest, ok := take(rest)
	switch {
	case !ok:
		return 0, false
	case tag == tagOctets: // the PDU comes next
		if _, second, _, ok = take(rest); !ok {
			return 0, false
		}
	case tag != tagSequence: // else msgGlobalData, which begins with msgID
		return 0, false
	}
	tag, octets, _, ok := take(second)
	if !ok || tag != tagInteger || len(octets) == 0 || len(octets) > 5 {
		return 0, false
	}
	id = int64(int8(octets[0]))
	for _, octet := range octets[1:] {
		id = id<<8 | int64(octet)
	}
	return id, true
}

// take cuts one element (ITU-T X.690 section 8.1, definite lengths of up to
// four octets) off b.
func take(b []byte) (tag byte, content, rest []byte, ok bool) {
	if len(b) < 2 {
		return 0, nil, nil, false
	}
	tag, n, at := b[0], int(b[1]), 2
	if n >= 0x80 {
		octets := n & 0x7f
		if octets == 0 || octets > 4 || len(b) < 2+octets {
			return 0, nil, nil, false
		}
		n = 0
		for _, octet := range b[2 : 2+octets] {
			n = n<<8 | int(octet)
		}
		at += octets
	}
	if n > len(b)-at {
		return 0, nil, nil, false
	}
	return tag, b[at : at+n], b[at+n:], true
}
