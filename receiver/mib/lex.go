package mib

import (
	"fmt"
	"strings"
)

// kind says what a token is.
type kind uint8

const (
	kindEnd    kind = iota
	kindWord        // a name or keyword; hyphens, underscores and leading digits are taken
	kindNumber      // with an optional minus
	kindString      // "...", text without the quotes
	kindBits        // '...'B or '...'H
	kindMark        // ::= { } ( ) [ ] , ; | .. . and anything else
)

type token struct {
	kind kind
	text string
	line int
}

// Problem is something in a MIB text that could not be read or joined.
type Problem struct {
	File string
	Line int // 0: the file as a whole
	What string
}

// Error returns "file:line: what".
func (p Problem) Error() string {
	if p.Line == 0 {
		return p.File + ": " + p.What
	}
	return fmt.Sprintf("%s:%d: %s", p.File, p.Line, p.What)
}

// mostProblems bounds what is kept of one file's problems: a text of the wrong
// kind would give one a word.
const mostProblems = 200

// lexer cuts a text into tokens. It always goes forward.
type lexer struct {
	file     string
	text     string
	at       int
	line     int
	problems []Problem
}

func (l *lexer) bad(line int, format string, args ...any) {
	if len(l.problems) < mostProblems {
		l.problems = append(l.problems, Problem{l.file, line, fmt.Sprintf(format, args...)})
	}
}

// tokens returns all tokens of the text, the end as the last.
func (l *lexer) tokens() []token {
	out := make([]token, 0, len(l.text)/8+1)
	for {
		t := l.next()
		out = append(out, t)
		if t.kind == kindEnd {
			return out
		}
	}
}

func (l *lexer) next() token {
	l.blanks()
	if l.at >= len(l.text) {
		return token{kindEnd, "", l.line}
	}
	start, line := l.at, l.line
	c := l.text[l.at]
	switch {
	case isWordByte(c) || c == '-' && l.at+1 < len(l.text) && isDigit(l.text[l.at+1]):
		return l.word()
	case c == '"':
		return l.quoted()
	case c == '\'':
		return l.bits()
	case strings.HasPrefix(l.text[l.at:], "::="):
		l.at += 3
	case strings.HasPrefix(l.text[l.at:], ".."):
		l.at += 2
	default:
		l.at++
	}
	return token{kindMark, l.text[start:l.at], line}
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

func isWordByte(c byte) bool {
	return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || isDigit(c) || c == '_' || c >= 0x80
}

// blanks skips white space and comments. A comment ends at the line's end or at
// the next pair of hyphens (ITU-T X.208 section 8.6); a row of more than two
// hyphens is a rule drawn across the page and ends with its line.
func (l *lexer) blanks() {
	for l.at < len(l.text) {
		c := l.text[l.at]
		switch {
		case c == '\n':
			l.line++
			l.at++
		case c <= ' ' || c == 0x7f:
			l.at++
		case strings.HasPrefix(l.text[l.at:], "--"):
			l.comment()
		default:
			return
		}
	}
}

func (l *lexer) comment() {
	rest := l.text[l.at:]
	if end := strings.IndexByte(rest, '\n'); end >= 0 {
		rest = rest[:end]
	}
	if !strings.HasPrefix(rest, "---") {
		if again := strings.Index(rest[2:], "--"); again >= 0 && !strings.HasPrefix(rest[2+again:], "---") {
			l.at += 2 + again + 2
			return
		}
	}
	l.at += len(rest)
}

func (l *lexer) word() token {
	start := l.at
	digits := true
	for l.at < len(l.text) {
		c := l.text[l.at]
		if c == '-' && l.at > start && (l.at+1 >= len(l.text) || !isWordByte(l.text[l.at+1])) {
			break // a comment, or a stray hyphen
		}
		if !isWordByte(c) && c != '-' {
			break
		}
		if !isDigit(c) && !(c == '-' && l.at == start) {
			digits = false
		}
		l.at++
	}
	t := token{kindWord, l.text[start:l.at], l.line}
	if digits {
		t.kind = kindNumber
	}
	return t
}

func (l *lexer) bits() token {
	start, line := l.at, l.line
	end := strings.IndexByte(l.text[start+1:], '\'')
	if end < 0 || end > 4096 || strings.IndexByte(l.text[start+1:start+1+end], '\n') >= 0 {
		l.at++
		return token{kindMark, "'", line}
	}
	l.at = start + 1 + end + 1
	if l.at < len(l.text) && strings.IndexByte("bBhH", l.text[l.at]) >= 0 {
		l.at++
	}
	return token{kindBits, l.text[start:l.at], line}
}

// quoted reads a string. A quote that was forgotten would turn the rest of the
// file inside out; it is taken to be missing where a definition's ::= begins a
// line within the string and what follows the string is no part of MIB syntax.
func (l *lexer) quoted() token {
	line, from := l.line, l.at+1
	end := strings.IndexByte(l.text[from:], '"')
	body, next := l.text[from:], len(l.text)
	if end >= 0 {
		body, next = l.text[from:from+end], from+end+1
	}
	if end < 0 || !l.plausible(next) {
		if cut := assignmentLine(body); cut >= 0 {
			l.bad(line, "a string is not closed; taken to end before the next ::=")
			body, next = body[:cut], from+cut
		} else if end < 0 {
			l.bad(line, "a string is not closed")
		}
	}
	l.line += strings.Count(body, "\n")
	l.at = next
	return token{kindString, body, line}
}

// assignmentLine returns where a line that begins with ::= begins, or -1.
func assignmentLine(body string) int {
	for at := 0; at < len(body); {
		newline := strings.IndexByte(body[at:], '\n')
		if newline < 0 {
			return -1
		}
		at += newline + 1
		if strings.HasPrefix(strings.TrimLeft(body[at:], " \t"), "::=") {
			return at
		}
	}
	return -1
}

// plausible reports whether what follows a string can follow one. It looks no
// further than two tokens and never into another string.
func (l *lexer) plausible(at int) bool {
	ahead := lexer{text: l.text, at: at}
	t, ok := ahead.unquoted()
	if !ok {
		return false
	}
	switch t.kind {
	case kindEnd:
		return true
	case kindMark:
		return t.text == "::=" || t.text == "}" || t.text == "," || t.text == ";" || t.text == "{"
	case kindWord:
		if isClause(t.text) || t.text == "END" {
			return true
		}
		next, _ := ahead.unquoted()
		return isMacro(next.text) || next.text == "::=" || next.text == "OBJECT" && t.text[0] >= 'a' && t.text[0] <= 'z'
	}
	return false
}

// unquoted returns the next token unless it is a string.
func (l *lexer) unquoted() (token, bool) {
	l.blanks()
	if l.at < len(l.text) && l.text[l.at] == '"' {
		return token{}, false
	}
	return l.next(), true
}
