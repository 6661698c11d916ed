package configs

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"
)

// Pos is a place in a configuration file. Line and Column count from 1, the
// column in characters; zero is unknown.
type Pos struct {
	File         string
	Line, Column int
}

// String returns file:line:column, as far as known.
func (p Pos) String() string {
	switch {
	case p.Line == 0:
		return p.File
	case p.Column == 0:
		return fmt.Sprintf("%s:%d", p.File, p.Line)
	}
	return fmt.Sprintf("%s:%d:%d", p.File, p.Line, p.Column)
}

// Grade says how bad a problem is.
type Grade uint8

// The grades of a problem.
const (
	Mistake Grade = iota // the configuration cannot be used
	Finding              // it can, but somebody should look
)

// String returns "mistake" or "finding".
func (g Grade) String() string {
	if g == Finding {
		return "finding"
	}
	return "mistake"
}

// Problem is one thing that is wrong, with where and how to mend it.
type Problem struct {
	Pos
	Grade  Grade
	Source string // the line of the file, without its end; empty if unknown
	What   string
	Mend   string // may be empty
}

// Error returns the problem on one line.
func (p Problem) Error() string {
	text := p.Pos.String() + ": " + p.What
	if p.Pos == (Pos{}) {
		text = p.What
	}
	if p.Mend != "" {
		text += " (" + p.Mend + ")"
	}
	return text
}

// Print writes the problem as a person reads it: where and what, the line with
// a caret below the place, and how to mend it.
func (p Problem) Print(w io.Writer) error {
	var b strings.Builder
	if p.Pos != (Pos{}) {
		b.WriteString(p.Pos.String() + ": ")
	}
	if p.Grade == Finding {
		b.WriteString("finding: ")
	}
	b.WriteString(p.What + "\n")
	if p.Source != "" {
		fmt.Fprintf(&b, "%6d | %s\n", p.Line, p.Source)
		if p.Column > 0 {
			fmt.Fprintf(&b, "       | %s^\n", caretIndent(p.Source, p.Column))
		}
	}
	if p.Mend != "" {
		b.WriteString("         " + p.Mend + "\n")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// caretIndent returns what stands before column, with everything but tabs
// turned into spaces.
func caretIndent(line string, column int) string {
	var b strings.Builder
	for range column - 1 {
		r, size := utf8.DecodeRuneInString(line)
		line = line[size:]
		if r == '\t' {
			b.WriteByte('\t')
		} else {
			b.WriteByte(' ')
		}
	}
	return b.String()
}

// Problems is a list of problems. As an error it lists all of them.
type Problems []Problem

// Error returns one line per problem.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.Error()
	}
	return strings.Join(lines, "\n")
}

// Print writes all problems, a blank line between them.
func (ps Problems) Print(w io.Writer) error {
	for i, p := range ps {
		if i > 0 {
			if _, err := io.WriteString(w, "\n"); err != nil {
				return err
			}
		}
		if err := p.Print(w); err != nil {
			return err
		}
	}
	return nil
}

// Mistakes reports whether any of the problems forbids using the configuration.
func (ps Problems) Mistakes() bool {
	return slices.ContainsFunc(ps, func(p Problem) bool { return p.Grade == Mistake })
}

// sorted returns the problems in order of place, each once. It reorders ps.
func (ps Problems) sorted() Problems {
	slices.SortStableFunc(ps, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column), cmp.Compare(a.What, b.What))
	})
	return slices.CompactFunc(ps, func(a, b Problem) bool { return a.Pos == b.Pos && a.What == b.What })
}
