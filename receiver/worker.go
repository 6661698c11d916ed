package receiver

import (
	"bytes"
	"errors"
	"fmt"
	"net/netip"
	"runtime"
	"sync/atomic"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

// worker decides about one datagram after another.
type worker struct {
	r       *Receiver
	queue   *queue
	dec     snmp.Decoder
	names   map[string]string // dotted forms of trap OIDs, and how v3 messages were secured
	from    map[netip.AddrPort]string
	addrs   map[netip.Addr]string
	paced   map[correlate.AgentID]*agent
	stalled bool // the journal had no room lately
}

// task is one datagram being decided about.
type task struct {
	*item
	octets []byte
	now    time.Time
	dir    *directory
	policy *Policy
	flight *flight // once it is to be handed on
}

// ruling is what was decided about a datagram: noFate if it was handed on.
type ruling struct {
	fate   Fate
	agent  *agent // whose books it goes to; nil: those of the source
	offset int
	why    string
}

// run works until drain is closed and nothing is left.
func (w *worker) run(drain <-chan struct{}) {
	tick := time.NewTicker(releaseEvery)
	defer tick.Stop()
	b := &batch{}
	for {
		if b = w.queue.take(b); len(b.items) > 0 {
			w.work(b)
			if len(w.paced) > 0 {
				w.release(false)
			}
			continue
		}
		select {
		case <-w.queue.wake:
		case <-tick.C:
			w.release(false)
		case <-drain:
			if b = w.queue.take(b); len(b.items) == 0 {
				w.release(true)
				return
			}
			w.work(b)
		}
	}
}

// yieldEach is how many datagrams are decided about before others get a turn: a
// tenth of a millisecond or less.
const yieldEach = 32

func (w *worker) work(b *batch) {
	now, dir := w.r.now(), w.r.directory.Load()
	for i := range b.items {
		if i%yieldEach == yieldEach-1 {
			w.r.look() // the sockets fill meanwhile
			runtime.Gosched()
		}
		it := &b.items[i]
		t := &task{item: it, octets: b.octets(it), now: now, dir: dir, policy: dir.policy(it.socket.listener.opts.Name)}
		if ru := w.handle(t); ru.fate != noFate {
			w.r.settle(t, ru)
		}
	}
}

// handle is the wall around one datagram: whatever it does to the decoder, the
// rules or whoever takes it, it is counted and kept, and the next one is served.
func (w *worker) handle(t *task) (ru ruling) {
	defer func() {
		if fault := recover(); fault != nil {
			ru = w.fault(t, fault)
		}
	}()
	m, err := w.dec.Parse(t.octets)
	if err != nil {
		return malformed(err)
	}
	if t.socket.peer != nil {
		return w.transport(t, m)
	}
	if m.Version == snmp.V3 {
		return w.user(t, m)
	}
	return w.community(t)
}

// fault ends a datagram at which the program failed.
func (w *worker) fault(t *task, fault any) ruling {
	w.dec = snmp.Decoder{}
	w.r.log.Error().Interface("fault", fault).Stringer("source", t.from).Msg("internal fault at a datagram; it is kept for inspection")
	if f := t.flight; f != nil {
		if !f.settled.CompareAndSwap(false, true) {
			return ruling{} // whoever took it has settled it already
		}
		if f.inform {
			w.r.informs.end(f.key, false)
		}
		if f.offered {
			w.r.landed()
		}
	}
	return ruling{fate: Faulty, why: fmt.Sprint("internal fault: ", fault)}
}

// decodeReason returns the decoder's reason in an error, and where.
func decodeReason(err error) (snmp.Reason, int) {
	var de *snmp.DecodeError
	if errors.As(err, &de) {
		return de.Reason, de.Offset
	}
	return 0, 0
}

func malformed(err error) ruling {
	reason, offset := decodeReason(err)
	return ruling{fate: decodeFate(reason), offset: offset, why: err.Error()}
}

// community decides about a v1 or v2c message.
func (w *worker) community(t *task) ruling {
	n, err := w.dec.Notification()
	if err != nil {
		return malformed(err)
	}
	s := t.dir.byOrigin(t.policy, n, t.from.Addr())
	floor := t.dir.floor(s, t.from.Addr())
	if floor != nil && floor.OnlyTLS {
		return onlyTLS(floor)
	}
	if floor != nil && floor.MinLevel > 0 {
		return ruling{fate: WeakLevel, agent: floor, why: fmt.Sprintf("agent %s must speak v3 %s, not %s", floor.ID, floor.MinLevel, n.Version)}
	}
	if !takesCommunity(s.agent, t.policy, n.Community) {
		return ruling{fate: WrongCommunity, agent: s.agent, why: "the community is not one that is taken here"}
	}
	return w.accept(t, n, s, usm.Result{})
}

// user decides about a v3 message.
func (w *worker) user(t *task, m *snmp.Message) ruling {
	n, res, err := w.dec.Open(t.now, t.dir.users)
	if err == usm.UnknownEngineID && w.admit(t, m) {
		n, res, err = w.dec.Open(t.now, t.dir.users)
	}
	if v, refused := err.(usm.Verdict); refused {
		w.report(t, m, v)
		return ruling{fate: verdictOf(m, v, res.Local), why: describe(m, v)}
	}
	if err != nil {
		return malformed(err)
	}
	s, fate := t.dir.byTrap(t.policy, &m.Security, t.from.Addr())
	if res.Local {
		s, fate = t.dir.byInform(&m.Security, n, t.from.Addr())
	}
	if fate != noFate {
		return ruling{fate: fate, agent: s.agent, why: fmt.Sprintf("user %q at engine %x does not speak for agent %s", m.Security.User, m.Security.EngineID, s.agent.ID)}
	}
	floor := t.dir.floor(s, t.from.Addr())
	if floor != nil && floor.OnlyTLS {
		return onlyTLS(floor)
	}
	if floor != nil && res.Level < floor.MinLevel {
		return ruling{fate: WeakLevel, agent: floor, why: fmt.Sprintf("agent %s must speak v3 %s, not %s", floor.ID, floor.MinLevel, res.Level)}
	}
	return w.accept(t, n, s, res)
}

func onlyTLS(a *agent) ruling {
	return ruling{fate: WeakLevel, agent: a, why: fmt.Sprintf("agent %s must speak over TLS", a.ID)}
}

// admit has the keys of an engine made that no user is configured for, if an
// agent is known by it, or by the source address and by no engine.
func (w *worker) admit(t *task, m *snmp.Message) bool {
	h := &m.Security
	at := t.dir.byAddr[t.from.Addr()]
	if len(h.EngineID) == 0 || (t.dir.byEngine[string(h.EngineID)] == nil && (at == nil || len(at.EngineIDs) > 0)) {
		return false
	}
	return t.dir.users.Admit(t.now, h.EngineID, h.User) == nil
}

// verdictOf tells questions for the master's engine ID and clock, which every
// sender of informs begins with (RFC 3414 section 4), from faults.
func verdictOf(m *snmp.Message, v usm.Verdict, local bool) Fate {
	h := &m.Security
	switch {
	case v == usm.UnknownEngineID && len(h.EngineID) == 0 && h.Level == usm.NoAuthNoPriv && m.Reportable,
		v == usm.NotInTimeWindow && local && h.Boots == 0 && h.Time == 0 && m.Reportable:
		return Discovery
	}
	return verdictFate(v)
}

func describe(m *snmp.Message, v usm.Verdict) string {
	h := &m.Security
	return fmt.Sprintf("%s (user %q, engine %x, %s, boots %d, time %d)", v.Error(), h.User, h.EngineID, h.Level, h.Boots, h.Time)
}

// accept decides about a notification that is heard: sent again, over the rate,
// or handed on.
func (w *worker) accept(t *task, n *snmp.Notification, s speaker, res usm.Result) ruling {
	f := &flight{r: w.r, listener: t.socket.listener, agent: s.agent, source: t.from, at: t.now, inform: n.Inform, fate: Matched}
	if n.Inform {
		if ru, done := w.begin(t, n, f, res); done {
			return ru
		}
	}
	t.flight = f
	f.in = &f.arrival
	w.arrival(f.in, t, n, res)
	observe(t.dir, n, s, f.in)
	if f.in.Unmatched != "" {
		f.fate = Unmatched
	}
	if s.agent != nil && s.agent.Rate > 0 {
		if ru, done := w.pace(t, n, f); done {
			return ru
		}
	}
	if fate, why := w.offer(f); fate != noFate {
		return ruling{fate: fate, agent: s.agent, why: why}
	}
	return ruling{}
}

// begin prepares the answer to an inform. done reports that there is nothing
// else to do: it was sent again.
func (w *worker) begin(t *task, n *snmp.Notification, f *flight, res usm.Result) (ru ruling, done bool) {
	octets, err := w.dec.AppendResponse(nil, t.now, t.dir.users)
	if err != nil {
		return ruling{fate: Faulty, agent: f.agent, why: err.Error()}, true
	}
	re := &reply{socket: t.socket, to: t.from, from: t.to, octets: octets}
	f.key = keyOf(w.r.seed, n, t.from)
	if res.Repeat && !w.r.informs.known(f.key) {
		// It came before, from another address: a recording, played back.
		return ruling{fate: Replayed, agent: f.agent, why: "the very same inform came before from another address, or longer ago than is remembered"}, true
	}
	switch w.r.informs.begin(f.key, t.now, re) {
	case informBusy:
		return ruling{fate: Repeated, agent: f.agent}, true
	case informDurable:
		w.r.answers.push(re)
		return ruling{fate: Repeated, agent: f.agent}, true
	}
	return ruling{}, false
}

// arrival copies what outlives the decoder and the queue.
func (w *worker) arrival(in *correlate.Arrival, t *task, n *snmp.Notification, res usm.Result) {
	origin := t.from.Addr()
	if n.AgentAddr.IsValid() {
		origin = n.AgentAddr
	}
	*in = correlate.Arrival{
		Datagram: bytes.Clone(t.octets), From: remembered(w.from, t.from), Listener: t.socket.listener.opts.Name, Version: n.Version.String(),
		Inform: n.Inform, RequestID: n.RequestID, Origin: remembered(w.addrs, origin), TrapOID: w.dotted(n.TrapOID), Uptime: n.Uptime, HasUptime: n.HasUptime,
	}
	if p := t.socket.peer; p != nil {
		in.Security = p.identity.String() + " TLS " + res.Level.String()
		return
	}
	if n.Version == snmp.V3 {
		h := &w.dec.Message().Security
		in.Security = w.security(h.User, res.Level)
		if !res.Local && res.Level >= usm.AuthNoPriv {
			in.EngineID, in.Boots, in.EngineTime = bytes.Clone(h.EngineID), h.Boots, h.Time
		}
	}
}

// maxNames bounds the texts remembered, of each kind.
const maxNames = 4096

func (w *worker) dotted(oid []byte) string {
	if name, ok := w.names[string(oid)]; ok {
		return name
	}
	return remember(w.names, string(oid), snmp.OID(oid).String())
}

// security says how a v3 message was secured. Its key ends in an octet that no
// identifier ends in (X.690 section 8.19.2).
func (w *worker) security(user []byte, level usm.Level) string {
	key := append(append(make([]byte, 0, 64), user...), 0x80|byte(level))
	if text, ok := w.names[string(key)]; ok {
		return text
	}
	return remember(w.names, string(key), string(user)+" "+level.String())
}

// remembered returns the text of a value, made once.
func remembered[K interface {
	comparable
	String() string
}](texts map[K]string, v K) string {
	if text, ok := texts[v]; ok {
		return text
	}
	return remember(texts, v, v.String())
}

func remember[K comparable](texts map[K]string, key K, text string) string {
	if len(texts) >= maxNames {
		clear(texts)
	}
	texts[key] = text
	return text
}

// observe has the rules make something of a notification.
func observe(d *directory, n *snmp.Notification, s speaker, in *correlate.Arrival) {
	if s.agent == nil {
		in.Unmatched = s.why
		return
	}
	in.Agent = s.agent.ID
	in.Sequence, in.HasSequence = s.agent.count(n)
	switch {
	case s.agent.where.Site == nil:
		in.Unmatched = "the agent has no site"
	case d.rules == nil:
		in.Unmatched = "there are no rules"
	default:
		res := d.rules.Match(n, s.agent.where)
		in.Observations, in.Unmatched, in.Restart = res.Observations, res.Unmatched, res.Restart
	}
}

// pace keeps an agent to its rate. done reports that the notification was held
// back or refused.
func (w *worker) pace(t *task, n *snmp.Notification, f *flight) (ru ruling, done bool) {
	a := f.agent
	v, replaced, began := a.meter.pace.ask(t.now, a, f, pointsOf(f.in, n))
	if began {
		w.paced[a.ID] = a
		w.r.screams(a.ID, true)
	}
	if replaced != nil {
		replaced.settle(Coalesced)
	}
	switch v {
	case holdBack:
		return ruling{}, true
	case tooMany:
		if f.inform {
			w.r.informs.end(f.key, false)
		}
		return ruling{fate: OverRate, agent: a, why: fmt.Sprintf("agent %s sends more than %g datagrams a second", a.ID, a.Rate)}, true
	}
	return ruling{}, false
}

// release offers what was held back, as far as the rates allow, or all of it.
func (w *worker) release(all bool) {
	if len(w.paced) == 0 {
		return
	}
	now, dir := w.r.now(), w.r.directory.Load()
	for id, a := range w.paced {
		gone := dir.byID[id] == nil
		if !gone {
			a = dir.byID[id]
		}
		if w.releaseOf(a, now, all || gone) {
			delete(w.paced, id)
			w.r.screams(id, false)
		}
	}
}

func (w *worker) releaseOf(a *agent, now time.Time, all bool) (ended bool) {
	for {
		f, ended := a.meter.pace.next(now, a, all)
		if f == nil {
			return ended
		}
		if fate, why := w.offer(f); fate != noFate {
			f.refuse(fate, why)
		}
	}
}

// flight is a notification on its way to being durable.
type flight struct {
	r        *Receiver
	in       *correlate.Arrival // is arrival, once that is filled in
	arrival  correlate.Arrival
	listener *listener
	agent    *agent
	source   netip.AddrPort
	at       time.Time
	fate     Fate // once durable
	inform   bool
	key      informKey
	offered  bool        // counted as open; only its worker looks at it
	settled  atomic.Bool // its fate is in the books
}

// done is called by whoever took the notification.
func (f *flight) done(_ correlate.Seq, err error) {
	if !f.settled.CompareAndSwap(false, true) {
		return
	}
	defer f.r.landed()
	if err != nil {
		f.refuse(NotDurable, err.Error())
		return
	}
	f.settle(f.fate)
	if f.inform {
		if re := f.r.informs.end(f.key, true); re != nil {
			f.r.answers.push(re)
		}
	}
}

// settle enters a fate in the books.
func (f *flight) settle(fate Fate) { f.r.book(f.listener, f.agent, f.source.Addr(), fate, f.at) }

// refuse enters a refusal after the datagram has left its worker.
func (f *flight) refuse(fate Fate, why string) {
	if f.inform {
		f.r.informs.end(f.key, false)
	}
	f.settle(fate)
	f.r.remember(Kept{At: f.at, Source: f.source, Listener: f.listener.opts.Name, Fate: fate, Why: why}, f.in.Datagram)
}

const (
	offerTries = 100 // times that a full journal queue is asked again,
	offerPause = time.Millisecond
)

// offer hands a notification on. While there is no room it waits a little, since
// the queue before this worker is there to hold what comes meanwhile; once that
// was in vain it does not wait again until there was room.
func (w *worker) offer(f *flight) (fate Fate, why string) {
	if f.settled.Load() {
		return noFate, "" // it was held back when the program failed at it
	}
	w.r.open.Add(1)
	f.offered = true
	if w.r.opts.Offer(f.in, f.done) {
		w.stalled = false
		return noFate, ""
	}
	if !w.stalled {
		pause := time.NewTicker(offerPause)
		defer pause.Stop()
		for range offerTries {
			<-pause.C
			if w.r.opts.Offer(f.in, f.done) {
				return noFate, ""
			}
		}
		w.stalled = true
	}
	w.r.landed()
	f.offered = false
	if f.inform {
		w.r.informs.end(f.key, false)
	}
	return LedgerFull, "the journal's queue is full"
}
