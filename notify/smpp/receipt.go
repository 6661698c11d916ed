package smpp

import (
	"strings"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/sms"
)

// receipt is what a delivery receipt says.
type receipt struct {
	id     string
	state  string // the word of appendix B
	reason string // err of appendix B, or ""
}

// states are the words of appendix B for message_state (section 5.2.28).
var states = [...]string{1: "ENROUTE", 2: "DELIVRD", 3: "EXPIRED", 4: "DELETED", 5: "UNDELIV", 6: "ACCEPTD", 7: "UNKNOWN", 8: "REJECTD"}

// outcome is what the state means for the message; ok is false when it means
// nothing yet.
func (r receipt) outcome() (out correlate.Outcome, ok bool) {
	switch r.state {
	case "DELIVRD":
		return correlate.Delivered, true
	case "EXPIRED", "DELETED", "UNDELIV", "REJECTD":
		return correlate.Permanent, true
	}
	return 0, false
}

func (r receipt) String() string {
	s := "receipt " + r.state
	if r.reason != "" && strings.Trim(r.reason, "0") != "" {
		s += ", error " + r.reason
	}
	return s
}

// readReceipt reads a receipt: the optional parameters where they are, and the
// text of appendix B for what they leave open.
func readReceipt(m *message) (receipt, bool) {
	var r receipt
	text := string(body(m))
	r.id, r.state, r.reason = field(text, "id:"), strings.ToUpper(field(text, "stat:")), field(text, "err:")
	if v := m.parameter(tagReceiptedID); len(v) > 0 {
		r.id = strings.TrimRight(string(v), "\x00")
	}
	if v := m.parameter(tagState); len(v) == 1 && v[0] > 0 && int(v[0]) < len(states) {
		r.state = states[v[0]]
	}
	return r, r.id != "" && r.state != "" && len(r.id) <= 65
}

// field returns the word after a key that begins a word, whatever its case.
func field(text, key string) string {
	lower := strings.ToLower(text)
	for from := 0; ; {
		i := strings.Index(lower[from:], key)
		if i < 0 {
			return ""
		}
		i += from
		from = i + len(key)
		if i > 0 && lower[i-1] != ' ' || from > len(text) {
			continue
		}
		if words := strings.Fields(text[min(from, len(text)):]); len(words) > 0 {
			return words[0]
		}
		return ""
	}
}

// body is the text's octets, from message_payload when it is there.
func body(m *message) []byte {
	if v := m.parameter(tagPayload); len(v) > 0 {
		return v
	}
	return m.text
}

// readText reads a text that somebody sent, and which part of it this is.
// data_coding 0, the centre's own alphabet, is read as the GSM alphabet.
func readText(m *message) (from, text string, part sms.Fragment) {
	data := body(m)
	if m.class&classHeader != 0 {
		var header int
		part, header = sms.ReadHeader(data)
		data = data[header:]
	}
	if total, seq := m.parameter(tagSARTotal), m.parameter(tagSARSeq); len(total) == 1 && len(seq) == 1 {
		part = sms.Fragment{Total: total[0], Seq: seq[0]}
		if ref := m.parameter(tagSARRef); len(ref) == 2 {
			part.Ref = uint16(ref[0])<<8 | uint16(ref[1])
		}
	}
	switch m.coding {
	case 8:
		text = sms.FromUCS2(data)
	case 1, 3:
		text = sms.FromLatin1(data)
	default:
		text = sms.FromSeptets(data)
	}
	return m.from.number(), text, part
}

// number writes an address the way people's addresses are written. Centres
// often leave the type of an international number unset; a number of E.164's
// length that does not begin with a zero is taken for one (judgement).
func (a address) number() string {
	digits := strings.Trim(a.digits, "0123456789") == ""
	if digits && (a.ton == tonInternational || a.ton == tonUnknown && len(a.digits) >= 10 && a.digits[0] != '0') {
		return "+" + a.digits
	}
	return a.digits
}

// Types of number and numbering plans (sections 5.2.5 and 5.2.6).
const (
	tonUnknown       = 0
	tonInternational = 1
	tonWord          = 5
	npiUnknown       = 0
	npiISDN          = 1
)

// addressOf is the address for a number or a sender's name.
func addressOf(text string) address {
	digits, plus := strings.CutPrefix(text, "+")
	switch {
	case plus:
		return address{tonInternational, npiISDN, digits}
	case strings.Trim(text, "0123456789") == "":
		return address{tonUnknown, npiISDN, text}
	}
	return address{tonWord, npiUnknown, text}
}
