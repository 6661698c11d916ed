package receiver

import (
	"net/netip"
	"sync/atomic"
	"time"

	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
	"golang.org/x/time/rate"
)

// reply is an answer and where it goes.
type reply struct {
	socket *socket
	to     netip.AddrPort
	from   netip.Addr
	octets []byte
}

// answersLen is how many answers may wait to be sent. A sender whose answer is
// lost asks again.
const answersLen = 4096

// answers sends Responses to informs away from the commit that releases them.
type answers struct {
	queue      chan *reply
	sent, lost atomic.Uint64
}

func (a *answers) push(re *reply) {
	select {
	case a.queue <- re:
	default:
		a.lost.Add(1)
	}
}

// answer sends what waits until stop is closed and the queue is empty.
func (r *Receiver) answer(stop <-chan struct{}) {
	for {
		select {
		case re := <-r.answers.queue:
			r.answerOne(re)
			continue
		default:
		}
		select {
		case re := <-r.answers.queue:
			r.answerOne(re)
		case <-stop:
			return
		}
	}
}

func (r *Receiver) answerOne(re *reply) {
	if err := re.socket.send(re.octets, re.to, re.from); err != nil {
		r.answers.lost.Add(1)
		r.log.Warn().Err(err).Stringer("source", re.to).Msg("an inform is not answered")
		return
	}
	r.answers.sent.Add(1)
}

const (
	reportRate  = 5 // Reports a second to one source
	reportBurst = 20
)

// reports bounds what a source can make the master send: a Report is larger
// than the question, and a source address can be forged.
type reports struct {
	limits         sourceLimits
	sent, withheld atomic.Uint64
}

// report answers a refused v3 message with a Report if the standards want one.
// A plain message that is no request gets none (RFC 3412 section 7.1 step 3);
// of an encrypted one only its flag can tell.
func (w *worker) report(t *task, m *snmp.Message, v usm.Verdict) {
	if !m.Reportable || (!m.Encrypted && !w.request(m)) {
		return
	}
	r := w.r
	octets, due := w.dec.AppendReport(nil, t.now, t.dir.users, v)
	if !due {
		return
	}
	if !r.reports.limits.allow(t.from.Addr(), t.now) {
		r.reports.withheld.Add(1)
		return
	}
	if err := t.socket.send(octets, t.from, t.to); err != nil {
		r.log.Warn().Err(err).Stringer("source", t.from).Msg("a report is not sent")
		return
	}
	r.reports.sent.Add(1)
}

// request reports whether the scoped PDU of a message is one that wants an
// answer: an inform, or any PDU that is no notification.
func (w *worker) request(m *snmp.Message) bool {
	n, err := w.dec.Scoped(m.Payload)
	if err == nil {
		return n.Inform
	}
	reason, _ := decodeReason(err)
	return reason == snmp.NotNotified
}

// allow takes a token of the source's bucket.
func (s *sourceLimits) allow(source netip.Addr, now time.Time) bool {
	return s.take(source, now, rate.Limit(reportRate), reportBurst)
}
