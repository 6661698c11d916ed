package notify

import (
	"strconv"
	"strings"

	"example.net/standwatch/correlate"
)

// codeAlphabet holds the characters of a call-out's code: none that is taken
// for another on a small screen or by ear (0 O, 1 I L, 2 Z, 5 S, 8 B, U V),
// and no vowel, so that no code is a word. Judgement, no source.
const codeAlphabet = "CDFGHJKMNPQRTWXY34679"

const (
	codeBase   = uint64(len(codeAlphabet))
	shortCodes = codeBase * codeBase * codeBase * codeBase * codeBase
	longCodes  = shortCodes * codeBase
	perRecord  = 64 // call-outs of one record that get a short code

	// scatter makes neighbouring numbers into unlike codes. It is prime to
	// codeBase (3 x 7), so that it maps the numbers one to one.
	scatter = 1566083
)

// callOutID names the n-th call-out that a record opened.
func callOutID(seq correlate.Seq, n int) correlate.CallOutID {
	id := "c" + strconv.FormatUint(uint64(seq), 10)
	if n > 0 {
		id += "-" + strconv.Itoa(n)
	}
	return correlate.CallOutID(id)
}

// code returns the code of the n-th call-out that the record opens. It is the
// code of no other open call-out. Short codes follow from the record's number
// and come round after some 60,000 records, so that whoever may still hold one
// is found by name; a record that opens more than perRecord call-outs gets
// long codes for the rest, and a record whose short code is held does too.
func (c *climb) code(n int) string {
	number := uint64(c.r.Seq)*perRecord + uint64(n)
	if n < perRecord && !c.held(number) {
		return spell(number%shortCodes, 5)
	}
	if c.codes == nil {
		c.codes = map[string]bool{}
		for _, o := range c.st.CallOuts {
			if o.State == correlate.CallOutOpen {
				c.codes[o.Code] = true
			}
		}
	}
	for ; ; number++ {
		code := spell(number%longCodes, 6)
		if !c.codes[code] {
			c.codes[code] = true
			return code
		}
	}
}

// held reports whether an open call-out holds the short code of a number.
func (c *climb) held(number uint64) bool {
	for number >= shortCodes {
		number -= shortCodes
		o := c.st.CallOuts[callOutID(correlate.Seq(number/perRecord), int(number%perRecord))]
		if o != nil && o.State == correlate.CallOutOpen {
			return true
		}
	}
	return false
}

// spell writes a number below codeBase to the power of length.
func spell(number uint64, length int) string {
	size := uint64(1)
	for range length {
		size *= codeBase
	}
	number = number * scatter % size
	code := make([]byte, length)
	for i := range code {
		code[i] = codeAlphabet[number%codeBase]
		number /= codeBase
	}
	return string(code)
}

// CodeGone stands in a text in place of a code.
const CodeGone = "(for those who may take it)"

// Uncoded returns a text as it may be shown to somebody who may look and not
// take: whoever has a code, and can send in another's name, takes the alarm with
// it. What looks like a code goes, whether or not it is one.
func Uncoded(text string) string {
	var out strings.Builder
	for begin := 0; begin < len(text); {
		end := begin
		for end < len(text) && wordOctet(text[end]) {
			end++
		}
		switch word := text[begin:end]; {
		case word == "":
			end++
			out.WriteByte(text[begin])
		case spelled(word):
			out.WriteString(CodeGone)
		default:
			out.WriteString(word)
		}
		begin = end
	}
	return out.String()
}

// wordOctet reports whether an octet goes on with a word; those of characters
// beyond ASCII do not, since a dash or a quotation mark may touch a code.
func wordOctet(c byte) bool {
	return c >= '0' && c <= '9' || c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z'
}

// spelled reports whether a word could be a code, in letters of either case.
func spelled(word string) bool {
	return (len(word) == 5 || len(word) == 6) && strings.Trim(strings.ToUpper(word), codeAlphabet) == ""
}
