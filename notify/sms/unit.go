package sms

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// Submit is a short message to be sent (SMS-SUBMIT).
type Submit struct {
	To      string // +E.164, or digits
	Part    Part
	Receipt bool          // a status report is asked for
	Keep    time.Duration // how long the network tries; 0 leaves it to the network
}

// Marshal returns the transfer unit as a modem takes it in PDU mode: a service
// centre's address of length 0, which means the modem's own, and the unit;
// length is that of the unit alone, which AT+CMGS wants.
func (s Submit) Marshal() (octets []byte, length int, err error) {
	to, err := writeAddress(s.To)
	if err != nil {
		return nil, 0, err
	}
	first := byte(0x01)
	header := s.Part.Number.Header()
	if header != nil {
		first |= 0x40
	}
	if s.Receipt {
		first |= 0x20
	}
	if s.Keep > 0 {
		first |= 0x10
	}
	out := append([]byte{0, first, 0}, to...)
	out = append(out, 0, s.Part.Alphabet.coding())
	if s.Keep > 0 {
		out = append(out, relative(s.Keep))
	}
	out = append(out, s.userData(header)...)
	return out, len(out) - 1, nil
}

// coding is the data coding scheme (3GPP TS 23.038 section 4).
func (a Alphabet) coding() byte {
	if a == Wide {
		return 8
	}
	return 0
}

// userData is its length, in septets or octets, the header and the text. The
// text begins at a septet boundary.
func (s Submit) userData(header []byte) []byte {
	if s.Part.Alphabet == Wide {
		return append(append([]byte{byte(len(header) + len(s.Part.Data))}, header...), s.Part.Data...)
	}
	taken := (len(header)*8 + 6) / 7
	fill := taken*7 - len(header)*8
	return append(append([]byte{byte(taken + len(s.Part.Data))}, header...), Pack(s.Part.Data, fill)...)
}

// relative writes a validity period (3GPP TS 23.040 section 9.2.3.12.1),
// rounded up.
func relative(d time.Duration) byte {
	up := func(unit time.Duration) int { return int((d + unit - 1) / unit) }
	switch {
	case d <= 12*time.Hour:
		return byte(max(0, up(5*time.Minute)-1))
	case d <= 24*time.Hour:
		return byte(143 + up(30*time.Minute) - 24)
	case d <= 30*24*time.Hour:
		return byte(166 + up(24*time.Hour))
	}
	return byte(min(255, 192+up(7*24*time.Hour)))
}

// Types of address (3GPP TS 23.040 section 9.1.2.5).
const (
	international = 0x91
	national      = 0x81
	wordAddress   = 0xd0 // the type alone, without a plan: letters
)

func writeAddress(number string) ([]byte, error) {
	kind := byte(national)
	digits, plus := strings.CutPrefix(number, "+")
	if plus {
		kind = international
	}
	if digits == "" || len(digits) > 20 || strings.Trim(digits, "0123456789") != "" {
		return nil, fmt.Errorf("%q is not a telephone number", number)
	}
	out := []byte{byte(len(digits)), kind}
	for i := 0; i < len(digits); i += 2 {
		o := digits[i] - '0'
		if i+1 < len(digits) {
			o |= (digits[i+1] - '0') << 4
		} else {
			o |= 0xf0
		}
		out = append(out, o)
	}
	return out, nil
}

// Received is a short message, or a report about one, that came in.
type Received struct {
	Report bool // a status report about what was sent; else a text
	From   string
	At     time.Time // as the service centre stamped it; zero when it cannot be read

	Text   string // of a text: this part's
	Number Fragment

	Ref    uint8 // of a report: what AT+CMGS answered
	Status uint8 // of a report; see [Received.Outcome]
}

// Outcome says what a report's status means (3GPP TS 23.040 section 9.2.3.15):
// below 32 it arrived, below 64 the network still tries, and above it has given
// up or soon will.
func (r Received) Outcome() (arrived, failed bool) {
	return r.Status < 0x20, r.Status >= 0x40
}

var errShort = errors.New("the unit ends too early")

// Parse reads a transfer unit as a modem gives it in PDU mode, the service
// centre's address in front.
func Parse(octets []byte) (Received, error) {
	d := &digest{rest: octets}
	d.take(int(d.octet()))
	first := d.octet()
	var r Received
	switch first & 3 {
	case 0:
		r = d.deliver(first)
	case 2:
		r = d.report()
	default:
		return r, fmt.Errorf("a unit of type %d is neither a message nor a report", first&3)
	}
	if d.short {
		return Received{}, errShort
	}
	return r, nil
}

// digest reads octets; short is set once there were too few.
type digest struct {
	rest  []byte
	short bool
}

func (d *digest) take(n int) []byte {
	if n > len(d.rest) {
		d.short = true
		n = len(d.rest)
	}
	out := d.rest[:n]
	d.rest = d.rest[n:]
	return out
}

func (d *digest) octet() byte {
	if o := d.take(1); len(o) == 1 {
		return o[0]
	}
	return 0
}

func (d *digest) deliver(first byte) Received {
	r := Received{From: d.address()}
	d.octet() // protocol identifier
	coding := d.octet()
	r.At = d.stamp()
	length := int(d.octet())
	header := 0
	if first&0x40 != 0 {
		r.Number, header = ReadHeader(d.rest)
	}
	switch codingOf(coding) {
	case GSM7:
		skip := (header*8 + 6) / 7
		data := d.take((length*7 + 7) / 8)
		septets := Unpack(data, length, 0)
		r.Text = FromSeptets(septets[min(skip, len(septets)):])
	case Wide:
		data := d.take(length)
		r.Text = FromUCS2(data[min(header, len(data)):])
	default:
		data := d.take(length)
		r.Text = FromLatin1(data[min(header, len(data)):])
	}
	return r
}

func (d *digest) report() Received {
	r := Received{Report: true, Ref: d.octet(), From: d.address()}
	r.At = d.stamp()
	d.take(7) // when it was settled
	r.Status = d.octet()
	return r
}

// codingOf reads a data coding scheme (3GPP TS 23.038 section 4); zero means
// octets of unknown meaning.
func codingOf(coding byte) Alphabet {
	switch {
	case coding < 0x80: // general data coding
		return [4]Alphabet{GSM7, 0, Wide, GSM7}[coding>>2&3]
	case coding >= 0xf0:
		if coding&4 != 0 {
			return 0
		}
	case coding >= 0xe0:
		return Wide
	}
	return GSM7
}

func (d *digest) address() string {
	digits, kind := int(d.octet()), d.octet()
	octets := d.take((digits + 1) / 2)
	if kind&0x70 == wordAddress&0x70 {
		return FromSeptets(Unpack(octets, digits*4/7, 0))
	}
	var b strings.Builder
	if kind&0x70 == international&0x70 {
		b.WriteByte('+')
	}
	for i := range min(digits, 2*len(octets)) {
		b.WriteByte("0123456789*#abc?"[octets[i/2]>>(4*(i%2))&15])
	}
	return b.String()
}

// stamp reads a service centre time stamp (3GPP TS 23.040 section 9.2.3.11).
func (d *digest) stamp() time.Time {
	o := d.take(7)
	if len(o) < 7 {
		return time.Time{}
	}
	var v [7]int
	for i, x := range o {
		low, high := int(x&15), int(x>>4)
		if i == 6 {
			low &= 7 // the sign is the fourth bit
		}
		if low > 9 || high > 9 {
			return time.Time{}
		}
		v[i] = low*10 + high
	}
	quarters := v[6]
	if o[6]&8 != 0 {
		quarters = -quarters
	}
	return time.Date(2000+v[0], time.Month(v[1]), v[2], v[3], v[4], v[5], 0, time.FixedZone("", quarters*15*60)).UTC()
}
