package rules

import (
	"fmt"
	"regexp"
	"strings"

	"example.net/standwatch/receiver/mib"
)

// piece is a stretch of a text: literal, or a term.
type piece struct {
	literal string
	term    *term
}

// compileText reads a text with ${...} in it.
func compileText(text string, names *mib.Names) (pieces []piece, fault, mend string) {
	if fault, mend = otherPlaceholder(text, names); fault != "" {
		return nil, fault, mend
	}
	rest := text
	for rest != "" {
		before, after, found := strings.Cut(rest, "${")
		if before != "" {
			pieces = append(pieces, piece{literal: before})
		}
		if !found {
			break
		}
		written, tail, closed := strings.Cut(after, "}")
		if !closed {
			return nil, fmt.Sprintf("%q opens ${ and does not close it", text), "end the term with }"
		}
		t, fault, mend := compileTerm(strings.TrimSpace(written), names)
		if fault != "" {
			return nil, fault, mend
		}
		pieces = append(pieces, piece{term: t})
		rest = tail
	}
	return pieces, "", ""
}

// otherWays are how other languages write what ${...} does here.
var otherWays = regexp.MustCompile(`(^|[^$])\{([A-Za-z][\w.#-]*)\}|\$([0-9]+)|\$([A-Za-z][\w.]*)|%([0-9]+)\b`)

// otherPlaceholder finds what looks like a term that is not written as one.
func otherPlaceholder(text string, names *mib.Names) (fault, mend string) {
	for _, m := range otherWays.FindAllStringSubmatch(text, -1) {
		number, word := m[3]+m[5], m[2]+m[4]
		if number != "" {
			return fmt.Sprintf("%q stands as it is, and no value takes its place", strings.TrimSpace(m[0])), "write ${#" + number + "} for the varbind at that place"
		}
		if t, fault, _ := compileTerm(word, names); fault == "" && t != nil {
			return fmt.Sprintf("%q stands as it is, and no value takes its place", strings.TrimSpace(m[0])), "write ${" + word + "}"
		}
	}
	return "", ""
}

// appendText appends a text; a term that says nothing leaves a question mark.
// missing is the first such term.
func (sc *scene) appendText(out []byte, pieces []piece) (_ []byte, missing *term) {
	for i := range pieces {
		p := &pieces[i]
		if p.term == nil {
			out = append(out, p.literal...)
			continue
		}
		said, ok := sc.appendTerm(out, p.term)
		out = said
		if !ok {
			out = append(out, '?')
			if missing == nil {
				missing = p.term
			}
		}
	}
	return out, missing
}
