package usm

import "time"

// ModelUSM is the number of this security model (RFC 3411 section 5,
// SnmpSecurityModel).
const ModelUSM = 3

// Header holds what a message says about its security (RFC 3412 section 6, RFC
// 3414 section 2.4). Its slices alias the datagram.
type Header struct {
	Model       int32  // msgSecurityModel; for any but ModelUSM the rest is not filled in
	Level       Level  // from msgFlags; zero if they contradict themselves
	EngineID    []byte // msgAuthoritativeEngineID
	Boots, Time uint32 // of that engine, 0 to 2^31-1, time in seconds
	User        []byte
	MAC         []byte // msgAuthenticationParameters
	MACAt       int    // offset of MAC in the datagram
	Salt        []byte // msgPrivacyParameters
}

// Incoming is a message to be judged.
type Incoming struct {
	Header   *Header
	Datagram []byte // the whole message without octets after it; not changed
	Payload  []byte // the scoped PDU with its tag, or the octets that encrypt it
	// Into is where to decrypt to, and to work before. It may be nil; with the
	// capacity of Datagram it saves time. It must not overlap Datagram.
	Into []byte
}

// Result is what is known of a message that was judged.
type Result struct {
	Plain []byte // scoped PDU, perhaps with padding after it; aliases Payload or Into
	Level Level
	Local bool // the message is under the receiver's own engine ID, as an inform must be
	// Repeat reports that the very same authenticated message was accepted before
	// under the receiver's own engine ID. Its sender may have missed the answer:
	// answer it again, but it is no second event.
	Repeat bool
}

// Process judges a message in the order of RFC 3412 section 7.2 and RFC 3414
// section 3.2, and counts the verdict if it is a refusal. now is the receiver's
// time.
//
// Of a trap sender's authenticated messages none is accepted twice, with two
// exceptions: when more than 65,536 messages carry the same second of engine
// time, and, once after a restart, those of the last second known before it.
// Neither order of arrival nor a lost message matters.
func (t *Table) Process(now time.Time, in Incoming) (Result, Verdict) {
	res, v := t.judge(now, &in)
	if v != Accepted {
		t.Refuse(v)
	}
	return res, v
}

func (t *Table) judge(now time.Time, in *Incoming) (Result, Verdict) {
	h := in.Header
	if h.Model != ModelUSM {
		return Result{}, UnknownSecurityModel
	}
	if h.Level == 0 {
		return Result{}, InvalidMsg
	}
	e := (*t.engines.Load())[string(h.EngineID)]
	if e == nil {
		return Result{Level: h.Level}, UnknownEngineID
	}
	res := Result{Level: h.Level, Local: e.clock == &t.shared.own}
	k := e.keys[string(h.User)]
	switch {
	case k == nil:
		return res, UnknownUserName
	case h.Level > k.Level():
		return res, UnsupportedSecLevel
	case h.Level == NoAuthNoPriv:
		res.Plain = in.Payload
		return res, k.enough(h.Level)
	}
	k.mu.Lock() // once for both keys
	defer k.mu.Unlock()
	if !k.verify(in.Datagram, h.MACAt, len(h.MAC), in.Into) {
		return res, WrongDigest
	}
	// From here on the message is authentic: only now is anything learned.
	var v Verdict
	if res.Local {
		v, res.Repeat = e.clock.acceptLocal(t.LocalTime(now), h, digestKey(h.MAC))
	} else {
		v = e.clock.accept(now, h, digestKey(h.MAC))
	}
	if v == Accepted {
		v = k.enough(h.Level)
	}
	if v != Accepted {
		return res, v
	}
	return k.reveal(res, in)
}

// Reopen verifies and decrypts a message that was accepted before and kept, as
// far as its keys are still there. It asks neither for the time nor whether the
// message came before, learns nothing and counts nothing. It is for looking at
// kept datagrams, never for a message that has just come.
func (t *Table) Reopen(in Incoming) (Result, Verdict) {
	h := in.Header
	k := t.Keys(h.EngineID, h.User)
	res := Result{Level: h.Level, Local: string(h.EngineID) == string(t.LocalID())}
	switch {
	case h.Model != ModelUSM:
		return res, UnknownSecurityModel
	case h.Level == 0:
		return res, InvalidMsg
	case k == nil:
		return res, UnknownUserName
	case h.Level == NoAuthNoPriv:
		res.Plain = in.Payload
		return res, Accepted
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if !k.verify(in.Datagram, h.MACAt, len(h.MAC), in.Into) {
		return res, WrongDigest
	}
	return k.reveal(res, &in)
}

// reveal fills in the plain scoped PDU of an authenticated message, for who holds
// mu.
func (k *Keys) reveal(res Result, in *Incoming) (Result, Verdict) {
	res.Plain = in.Payload
	if res.Level < AuthPriv {
		return res, Accepted
	}
	plain, ok := k.open(in.Into, in.Payload, in.Header)
	if !ok || !scoped(plain) {
		res.Plain = nil
		return res, DecryptionError
	}
	res.Plain = plain
	return res, Accepted
}

// enough judges the level against the user's minimum.
func (k *Keys) enough(l Level) Verdict {
	if l < k.min {
		return BelowMinLevel
	}
	return Accepted
}

// scoped reports whether decrypted octets begin as a scoped PDU does: a SEQUENCE
// no longer than what is there. Anything else was encrypted under another key.
func scoped(b []byte) bool {
	if len(b) < 2 || b[0] != 0x30 {
		return false
	}
	n, at := int(b[1]), 2
	if n > 0x80 {
		octets := n & 0x7f
		if octets > 4 || at+octets > len(b) {
			return false
		}
		n = 0
		for _, o := range b[at : at+octets] {
			n = n<<8 | int(o)
		}
		at += octets
	} else if n == 0x80 {
		return false
	}
	return n <= len(b)-at
}
