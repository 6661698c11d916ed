package rules

import (
	"fmt"
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
