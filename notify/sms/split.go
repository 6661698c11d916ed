package sms

import (
	"errors"
	"strings"
	"unicode/utf16"
)

// MaxParts bounds how many short messages one text may take: a text that is
// longer is a mistake, and each part costs.
const MaxParts = 8

// ErrTooLong says that a text needs more than [MaxParts] short messages.
var ErrTooLong = errors.New("the text is too long for short messages")

// Alphabet is how the text of a short message is written.
type Alphabet uint8

// The alphabets.
const (
	GSM7 Alphabet = 1 // 7-bit default alphabet
	Wide Alphabet = 2 // UCS-2
)

// Part is one short message of a text.
type Part struct {
	Alphabet Alphabet
	Number   Fragment // zero when the text fits one message
	Data     []byte   // septets, one an octet, or UCS-2
}

// Fragment says which part of which text a short message is. Total is 0 when
// the text has one part.
type Fragment struct {
	Ref   uint16 // 0 to 255 as written here
	Total uint8
	Seq   uint8 // from 1
}

// Header returns the user data header for a fragment (3GPP TS 23.040 section
// 9.2.3.24.1), its own length included, or nil when there is one part.
func (f Fragment) Header() []byte {
	if f.Total == 0 {
		return nil
	}
	return []byte{5, 0, 3, byte(f.Ref), f.Total, f.Seq}
}

// Split writes a text as short messages, in the default alphabet if it has all
// the characters and wide is not set. ref marks the parts of one text; a text
// that is sent again should have the same.
func Split(text string, ref uint8, wide bool) ([]Part, error) {
	alphabet := Wide
	if !wide && !strings.ContainsFunc(text, func(r rune) bool { return Cost(r) == 0 }) {
		alphabet = GSM7
	}
	pieces := cut(text, alphabet.single(), alphabet)
	if len(pieces) > 1 {
		pieces = cut(text, alphabet.joined(), alphabet)
	}
	if len(pieces) > MaxParts {
		return nil, ErrTooLong
	}
	parts := make([]Part, len(pieces))
	for i, p := range pieces {
		parts[i] = Part{Alphabet: alphabet, Data: alphabet.write(p)}
		if len(pieces) > 1 {
			parts[i].Number = Fragment{Ref: uint16(ref), Total: uint8(len(pieces)), Seq: uint8(i + 1)}
		}
	}
	return parts, nil
}

// single is the room in a message of its own, joined that in a part of a text:
// 6 octets of header leave 153 septets, or 67 units.
func (a Alphabet) single() int {
	if a == Wide {
		return SegmentUnits
	}
	return SegmentSeptets
}

func (a Alphabet) joined() int {
	if a == Wide {
		return (segmentOctets - 6) / 2
	}
	return (segmentOctets - 6) * 8 / 7
}

func (a Alphabet) cost(r rune) int {
	if a == Wide {
		return max(1, utf16.RuneLen(r))
	}
	return Cost(r)
}

func (a Alphabet) write(text string) []byte {
	if a == Wide {
		return UCS2(text)
	}
	septets, _ := Septets(text) // chosen because it has them all
	return septets
}

// cut divides a text into pieces of at most room; no character is divided, an
// escaped one included.
func cut(text string, room int, a Alphabet) []string {
	pieces := []string{}
	start, used := 0, 0
	for i, r := range text {
		c := a.cost(r)
		if used+c > room {
			pieces = append(pieces, text[start:i])
			start, used = i, 0
		}
		used += c
	}
	return append(pieces, text[start:])
}

// Assembly joins the parts of texts that come in. It keeps the parts of
// maxOpen texts; when another begins, the oldest is given up.
type Assembly struct {
	open []assembling
}

const maxOpen = 32

type assembling struct {
	from  string
	f     Fragment // Seq is not used
	texts []string
	have  int
}

// Add takes one part and returns the whole text once all parts are there.
func (a *Assembly) Add(from, text string, f Fragment) (whole string, done bool) {
	if f.Total < 2 || f.Seq < 1 || f.Seq > f.Total {
		return text, true
	}
	i := a.find(from, f)
	o := &a.open[i]
	if o.texts[f.Seq-1] == "" {
		o.have++
	}
	o.texts[f.Seq-1] = text
	if o.have < int(f.Total) {
		return "", false
	}
	whole = strings.Join(o.texts, "")
	a.open = append(a.open[:i], a.open[i+1:]...)
	return whole, true
}

func (a *Assembly) find(from string, f Fragment) int {
	for i, o := range a.open {
		if o.from == from && o.f.Ref == f.Ref && o.f.Total == f.Total {
			return i
		}
	}
	if len(a.open) == maxOpen {
		a.open = append(a.open[:0], a.open[1:]...)
	}
	a.open = append(a.open, assembling{from: from, f: f, texts: make([]string, f.Total)})
	return len(a.open) - 1
}

// ReadHeader parts user data that begins with a header (the UDHI bit is set)
// into what the header says about concatenation, and its length with its own
// octet. A header that cannot be read has length 0.
func ReadHeader(data []byte) (f Fragment, length int) {
	if len(data) == 0 || int(data[0])+1 > len(data) {
		return f, 0
	}
	length = int(data[0]) + 1
	for e := data[1:length]; len(e) >= 2; {
		id, size := e[0], int(e[1])
		if 2+size > len(e) {
			break
		}
		v := e[2 : 2+size]
		switch {
		case id == 0 && size == 3: // 8-bit reference
			f = Fragment{Ref: uint16(v[0]), Total: v[1], Seq: v[2]}
		case id == 8 && size == 4: // 16-bit reference
			f = Fragment{Ref: uint16(v[0])<<8 | uint16(v[1]), Total: v[2], Seq: v[3]}
		}
		e = e[2+size:]
	}
	return f, length
}
