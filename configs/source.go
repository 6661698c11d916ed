package configs

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v4"
)

// maxFile is the largest file read, in octets: 5,000 sites with 176 points
// written out in full take about half of it.
const maxFile = 512 << 20

// source is one file being read.
type source struct {
	name string
	text []byte
}

// line returns line n, counted from 1, shortened if it is very long.
func (s *source) line(n int) string {
	if n <= 0 {
		return ""
	}
	rest := s.text
	for ; n > 1; n-- {
		at := bytes.IndexByte(rest, '\n')
		if at < 0 {
			return ""
		}
		rest = rest[at+1:]
	}
	if at := bytes.IndexByte(rest, '\n'); at >= 0 {
		rest = rest[:at]
	}
	if len(rest) > 300 {
		rest = rest[:300]
	}
	return strings.ToValidUTF8(strings.TrimRight(string(rest), "\r"), "?")
}

// place is a position within a source, small enough to keep one per value.
type place struct {
	src       *source
	line, col int32
}

func (p place) pos() Pos {
	if p.src == nil {
		return Pos{}
	}
	return Pos{File: p.src.name, Line: int(p.line), Column: int(p.col)}
}

// at is file:line, for humans.
func (p place) at() string {
	if p.src == nil {
		return ""
	}
	return fmt.Sprintf("%s:%d", p.src.name, p.line)
}

// parse returns the root node of a file, or nil and problems. A file without
// any content gives nil and no problem.
func (s *source) parse() (*yaml.Node, []Problem) {
	whole := Pos{File: s.name}
	switch {
	case len(s.text) > maxFile:
		return nil, []Problem{{Pos: whole, What: fmt.Sprintf("the file has %d octets; at most %d are read", len(s.text), maxFile), Mend: "split it into several files"}}
	case !utf8.Valid(s.text):
		line := 1 + bytes.Count(s.text[:firstInvalid(s.text)], []byte{'\n'})
		return nil, []Problem{{Pos: Pos{File: s.name, Line: line}, What: "the file is not UTF-8 text", Mend: "save it as UTF-8"}}
	case blank(s.text):
		return nil, nil
	}
	var docs []yaml.Node
	if err := yaml.Load(s.text, &docs, yaml.WithAllDocuments(), yaml.WithUniqueKeys(false)); err != nil {
		return nil, s.syntaxProblems(err)
	}
	if len(docs) > 1 {
		second := docs[1]
		return nil, []Problem{{Pos: Pos{File: s.name, Line: second.Line}, What: "a second YAML document begins here", Mend: "put it into a file of its own, or remove the line ---"}}
	}
	if len(docs) == 0 {
		return nil, nil
	}
	root := &docs[0]
	if root.Kind == yaml.DocumentNode {
		if len(root.Content) == 0 {
			return nil, nil
		}
		root = root.Content[0]
	}
	return root, nil
}

func firstInvalid(text []byte) int {
	for at := 0; at < len(text); {
		r, size := utf8.DecodeRune(text[at:])
		if r == utf8.RuneError && size == 1 {
			return at
		}
		at += size
	}
	return len(text)
}

// blank reports whether text has nothing but space, comments and document marks.
func blank(text []byte) bool {
	for line := range bytes.Lines(text) {
		line = bytes.TrimSpace(line)
		if len(line) > 0 && line[0] != '#' && string(line) != "---" {
			return false
		}
	}
	return true
}

func (s *source) syntaxProblems(err error) []Problem {
	var many *yaml.LoadErrors
	var one *yaml.LoadError
	errs := []*yaml.LoadError{}
	switch {
	case errors.As(err, &many):
		errs = many.Errors
	case errors.As(err, &one):
		errs = append(errs, one)
	default:
		return []Problem{{Pos: Pos{File: s.name}, What: "YAML: " + strings.TrimPrefix(err.Error(), "yaml: ")}}
	}
	var out []Problem
	last := 1 + lineEnds(s.text)
	for _, e := range errs {
		if e.Mark.Line > last {
			// The parser begins a line of its own behind a file that does not end with one.
			e.Mark.Line, e.Mark.Column = last, 0
		}
		p := Problem{Pos: Pos{File: s.name, Line: e.Mark.Line, Column: e.Mark.Column}, What: "YAML: " + e.Message, Mend: syntaxMend(e.Message)}
		if e.ContextMsg != "" {
			p.What += ", " + e.ContextMsg
			if e.ContextMark.Line > 0 && e.ContextMark.Line != e.Mark.Line {
				p.What += fmt.Sprintf(" that began on line %d", e.ContextMark.Line)
			}
		}
		out = append(out, p)
	}
	return out
}

// lineEnds counts the line ends of YAML 1.1 (section 5.4), by which the parser counts lines.
func lineEnds(text []byte) int {
	n := bytes.Count(text, []byte{'\n'})
	for i, c := range text {
		if c == '\r' && (i+1 == len(text) || text[i+1] != '\n') {
			n++
		}
	}
	for _, end := range []string{"\u0085", "\u2028", "\u2029"} {
		n += bytes.Count(text, []byte(end))
	}
	return n
}

// syntaxMend says what usually causes a syntax error of YAML.
func syntaxMend(message string) string {
	switch {
	case strings.Contains(message, "cannot start any token"):
		return "a tab or a special character begins the value; indent with spaces and put such text in quotes"
	case strings.Contains(message, "mapping values are not allowed"):
		return "a colon within a text needs quotes round the text; or the line above lacks its colon, or the indentation is off"
	case strings.Contains(message, "did not find expected"):
		return "look at the indentation here and in the line above, and for an unclosed quote or bracket"
	case strings.Contains(message, "could not find expected ':'"):
		return "a key needs a colon and a space after it"
	}
	return ""
}
