package mib

import (
	"fmt"
	"strconv"
	"strings"
)

// Module is one module as it was read, not yet joined with others.
type Module struct {
	Name string
	File string
	Line int

	imports map[string]string // symbol to module
	from    map[string]int    // imported module to line
	defs    []*definition
	types   map[string]*typeDef
}

// definition is one assignment of a value: a node, object or notification.
type definition struct {
	name        string
	line        int
	class       Class
	syntax      *typeDef
	units       string
	hint        string
	description string
	index       bool // it is a row
	objects     []string
	path        []arc  // { parent 1 }
	enterprise  string // of a TRAP-TYPE
	trap        bool
}

// arc is one element of an object identifier's value.
type arc struct {
	name   string
	number uint32
	has    bool
}

// typeDef is a type: a base type, a reference to another, or a textual
// convention.
type typeDef struct {
	name  string // what it is built on
	hint  string
	words []Word
	bits  bool
}

// isMacro reports whether a word is one of the macros of RFC 1155, 1212, 1215,
// 2578, 2579 and 2580.
func isMacro(word string) bool {
	switch word {
	case "OBJECT-TYPE", "NOTIFICATION-TYPE", "TRAP-TYPE", "MODULE-IDENTITY", "OBJECT-IDENTITY", "OBJECT-GROUP",
		"NOTIFICATION-GROUP", "MODULE-COMPLIANCE", "AGENT-CAPABILITIES", "TEXTUAL-CONVENTION", "MACRO":
		return true
	}
	return false
}

// isClause reports whether a word begins a clause of a macro.
func isClause(word string) bool {
	switch word {
	case "SYNTAX", "UNITS", "MAX-ACCESS", "ACCESS", "MIN-ACCESS", "STATUS", "DESCRIPTION", "REFERENCE", "INDEX",
		"AUGMENTS", "DEFVAL", "OBJECTS", "VARIABLES", "NOTIFICATIONS", "ENTERPRISE", "DISPLAY-HINT", "LAST-UPDATED",
		"ORGANIZATION", "CONTACT-INFO", "REVISION", "MODULE", "MANDATORY-GROUPS", "GROUP", "OBJECT", "WRITE-SYNTAX",
		"PRODUCT-RELEASE", "SUPPORTS", "INCLUDES", "VARIATION", "CREATION-REQUIRES", "IMPLIED":
		return true
	}
	return false
}

// largestText bounds one MIB file; the largest known standard ones are below
// 1 MiB.
const largestText = 16 << 20

// Read reads the modules of one MIB file. It returns what could be read, and
// what could not.
func Read(file string, text []byte) ([]*Module, []Problem) {
	if len(text) > largestText {
		return nil, []Problem{{File: file, What: fmt.Sprintf("is larger than %d MiB", largestText>>20)}}
	}
	l := &lexer{file: file, text: string(text), line: 1}
	p := &parser{lexer: l, list: l.tokens()}
	var modules []*Module
	for p.peek().kind != kindEnd {
		if m := p.module(); m != nil {
			modules = append(modules, m)
		}
	}
	if len(modules) == 0 {
		l.bad(0, "holds no MIB module (NAME DEFINITIONS ::= BEGIN)")
	}
	return modules, l.problems
}

// parser walks the tokens. Every loop in it takes at least one.
type parser struct {
	*lexer
	list []token
	pos  int
}

func (p *parser) peek() token { return p.list[p.pos] }

func (p *parser) peekAt(n int) token {
	if p.pos+n >= len(p.list) {
		return p.list[len(p.list)-1]
	}
	return p.list[p.pos+n]
}

func (p *parser) take() token {
	t := p.list[p.pos]
	if t.kind != kindEnd {
		p.pos++
	}
	return t
}

func (p *parser) accept(text string) bool {
	if p.peek().text == text && p.peek().kind != kindString {
		p.take()
		return true
	}
	return false
}

// module reads one module. It returns nil, having taken something, if there is
// none here.
func (p *parser) module() *Module {
	name := p.take()
	if name.kind != kindWord {
		return nil
	}
	if p.peek().text == "{" {
		p.balanced() // an OID after the name, as ASN.1 allows
	}
	if !p.accept("DEFINITIONS") && !p.accept("PIB-DEFINITIONS") {
		return nil
	}
	for !p.accept("BEGIN") {
		if t := p.take(); t.kind == kindEnd {
			p.bad(name.line, "module %s has no BEGIN", name.text)
			return nil
		}
	}
	m := &Module{Name: name.text, File: p.file, Line: name.line, imports: map[string]string{}, from: map[string]int{}, types: map[string]*typeDef{}}
	for {
		t := p.peek()
		switch {
		case t.kind == kindEnd:
			p.bad(name.line, "module %s has no END", name.text)
			return m
		case p.accept("END"):
			return m
		case p.peekAt(1).text == "DEFINITIONS" && t.kind == kindWord:
			p.bad(name.line, "module %s has no END before %s", name.text, t.text)
			return m
		case p.accept("IMPORTS"):
			p.importList(m)
		case p.accept("EXPORTS"):
			p.skipTo(";")
		default:
			p.assignment(m)
		}
	}
}

func (p *parser) skipTo(mark string) {
	for p.peek().kind != kindEnd && !p.accept(mark) {
		p.take()
	}
}

// importList reads "a, b FROM M c FROM N;". A missing semicolon is seen by the
// assignment that follows.
func (p *parser) importList(m *Module) {
	var symbols []string
	for {
		t := p.peek()
		next := p.peekAt(1)
		switch {
		case t.kind == kindEnd || t.text == "END":
			return
		case p.accept(";"):
			return
		case t.text == "FROM":
			p.take()
			from := p.take()
			for _, s := range symbols {
				m.imports[s] = from.text
			}
			m.from[from.text] = from.line
			symbols = nil
		case len(symbols) == 0 && t.kind == kindWord && (next.text == "::=" || isMacro(next.text) || next.text == "OBJECT"):
			p.bad(t.line, "the list of imports lacks its semicolon")
			return
		default:
			p.take()
			if t.kind == kindWord {
				symbols = append(symbols, t.text)
			}
		}
	}
}

// assignment reads one definition, or takes one token that begins none.
func (p *parser) assignment(m *Module) {
	t := p.take()
	if t.kind != kindWord {
		if t.text != ";" && t.text != "-" {
			p.bad(t.line, "%q begins no definition", shorten(t.text))
		}
		return
	}
	next := p.peek()
	switch {
	case next.text == "MACRO":
		p.skipTo("END")
	case next.text == "::=" && next.kind == kindMark:
		p.take()
		p.typeAssignment(m, t)
	case next.text == "OBJECT" && p.peekAt(1).text == "IDENTIFIER":
		p.take()
		p.take()
		d := &definition{name: t.text, line: t.line, class: Node}
		if p.accept("::=") {
			d.path = p.oidValue()
		} else {
			p.bad(t.line, "%s has no ::=", t.text)
		}
		m.defs = append(m.defs, d)
	case isMacro(next.text):
		p.macro(m, t)
	default:
		p.bad(t.line, "%q begins no definition", shorten(t.text))
	}
}

func shorten(text string) string {
	if len(text) > 40 {
		return text[:40] + "..."
	}
	return text
}

// typeAssignment reads "Name ::= TEXTUAL-CONVENTION ..." or "Name ::= Type".
func (p *parser) typeAssignment(m *Module, name token) {
	hint := ""
	if p.accept("TEXTUAL-CONVENTION") {
		for {
			t := p.peek()
			if t.kind == kindEnd || t.text == "END" && t.kind == kindWord || p.beginsDefinition() {
				p.bad(name.line, "%s has no SYNTAX", name.text)
				return
			}
			p.take()
			if t.text == "SYNTAX" && t.kind == kindWord {
				break
			}
			if t.text == "DISPLAY-HINT" && p.peek().kind == kindString {
				hint = p.take().text
			}
		}
	}
	typ := p.typeRef()
	if typ == nil {
		p.bad(name.line, "%s has no type", name.text)
		return
	}
	typ.hint = hint
	m.types[name.text] = typ
}

// beginsDefinition reports whether a definition begins here. A word that is a
// clause or a number's label is none.
func (p *parser) beginsDefinition() bool {
	t, next := p.peek(), p.peekAt(1)
	if t.kind != kindWord || isClause(t.text) || next.kind == kindString {
		return false
	}
	return isMacro(next.text) && !isMacro(t.text) && next.text != "MACRO" ||
		next.text == "OBJECT" && p.peekAt(2).text == "IDENTIFIER" && p.peekAt(3).text == "::="
}

// typeRef reads a type with its restrictions.
func (p *parser) typeRef() *typeDef {
	for p.peek().text == "[" { // a tag
		p.balanced()
		if !p.accept("IMPLICIT") {
			p.accept("EXPLICIT")
		}
	}
	t := p.peek()
	if t.kind != kindWord {
		return nil
	}
	p.take()
	typ := &typeDef{name: t.text}
	switch {
	case t.text == "OCTET" && p.accept("STRING"):
		typ.name = "OCTET STRING"
	case t.text == "OBJECT" && p.accept("IDENTIFIER"):
		typ.name = "OBJECT IDENTIFIER"
	case t.text == "SEQUENCE" && p.accept("OF"):
		p.take()
		return typ
	case t.text == "SEQUENCE" || t.text == "CHOICE":
		if p.peek().text == "{" {
			p.balanced()
		}
		return typ
	}
	typ.bits = t.text == "BITS"
	if p.peek().text == "{" {
		typ.words = p.wordList()
	}
	for p.peek().text == "(" && p.peek().kind == kindMark {
		p.balanced()
	}
	return typ
}

// wordList reads { up(1), down(2) }, with whatever is wrong between them
// passed over.
func (p *parser) wordList() (words []Word) {
	open := p.take()
	name := ""
	for {
		t := p.peek()
		switch {
		case t.kind == kindEnd || p.beginsDefinition():
			p.bad(open.line, "a list of words is not closed")
			return words
		case p.accept("}"):
			return words
		case t.kind == kindNumber && name != "":
			n, err := strconv.ParseInt(t.text, 10, 64)
			if err == nil {
				words = append(words, Word{n, name})
			} else {
				p.bad(t.line, "%s is no number of a word", shorten(t.text))
			}
			name = ""
		case t.kind == kindWord:
			name = t.text
		}
		p.take()
	}
}

// balanced takes a bracketed group with everything in it.
func (p *parser) balanced() {
	depth := 0
	open := p.peek()
	for {
		t := p.peek()
		if t.kind == kindEnd || depth > 0 && p.beginsDefinition() {
			p.bad(open.line, "%q is not closed", open.text)
			return
		}
		p.take()
		if t.kind != kindMark {
			continue
		}
		switch t.text {
		case "{", "(", "[":
			depth++
		case "}", ")", "]":
			depth--
		}
		if depth <= 0 {
			return
		}
	}
}

// macro reads the clauses of a macro up to its value.
func (p *parser) macro(m *Module, name token) {
	kindOf := p.take().text
	d := &definition{name: name.text, line: name.line, class: Node}
	switch kindOf {
	case "OBJECT-TYPE":
		d.class = Variable
	case "NOTIFICATION-TYPE":
		d.class = Notification
	case "TRAP-TYPE":
		d.class, d.trap = Notification, true
	}
	for {
		t := p.peek()
		if t.kind == kindEnd || t.kind == kindWord && t.text == "END" || p.beginsDefinition() {
			p.bad(name.line, "%s has no ::=", name.text)
			return
		}
		p.take()
		if t.text == "::=" && t.kind == kindMark {
			break
		}
		if t.kind == kindWord {
			p.clause(d, kindOf, t.text)
		}
	}
	p.value(d, name)
	m.defs = append(m.defs, d)
}

func (p *parser) value(d *definition, name token) {
	if !d.trap {
		d.path = p.oidValue()
		if len(d.path) == 0 {
			p.bad(name.line, "%s has no object identifier", name.text)
		}
		return
	}
	t := p.take()
	n, err := strconv.ParseUint(t.text, 10, 32)
	if t.kind != kindNumber || err != nil {
		p.bad(name.line, "%s has no number", name.text)
	}
	d.path = []arc{{number: uint32(n), has: true}}
}

// clause reads one clause. Compliance and capability statements repeat the same
// words for other objects, so only the macros that define are read.
func (p *parser) clause(d *definition, macro, clause string) {
	switch clause {
	case "SYNTAX":
		if macro == "OBJECT-TYPE" && d.syntax == nil {
			d.syntax = p.typeRef()
		}
	case "UNITS":
		p.text(&d.units)
	case "DISPLAY-HINT":
		p.text(&d.hint)
	case "DESCRIPTION":
		if d.description == "" {
			p.text(&d.description)
		}
	case "INDEX", "AUGMENTS":
		d.index = true
		if p.peek().text == "{" {
			p.balanced()
		}
	case "DEFVAL":
		if p.peek().text == "{" {
			p.balanced()
		}
	case "OBJECTS", "VARIABLES":
		if d.class == Notification && p.peek().text == "{" {
			d.objects = p.nameList()
		}
	case "ENTERPRISE":
		p.accept("{")
		if p.peek().kind == kindWord {
			d.enterprise = p.take().text
		}
		p.accept("}")
	}
}

func (p *parser) text(into *string) {
	if p.peek().kind == kindString {
		*into = p.take().text
	}
}

func (p *parser) nameList() (names []string) {
	open := p.take()
	for {
		t := p.peek()
		switch {
		case t.kind == kindEnd || t.text == "::=" || p.beginsDefinition():
			p.bad(open.line, "a list of objects is not closed")
			return names
		case p.accept("}"):
			return names
		case t.kind == kindWord:
			names = append(names, t.text)
		}
		p.take()
	}
}

// oidValue reads { iso org(3) 6 1 } or a bare name.
func (p *parser) oidValue() (path []arc) {
	if t := p.peek(); t.kind == kindWord && !p.beginsDefinition() && t.text != "END" {
		p.take()
		return []arc{{name: t.text}}
	}
	if !p.accept("{") {
		return nil
	}
	sound := true
	for !p.accept("}") {
		t := p.peek()
		if t.kind == kindEnd || p.beginsDefinition() {
			p.bad(t.line, "an object identifier is not closed")
			break
		}
		p.take()
		switch {
		case t.kind == kindNumber:
			path = append(path, p.number(t, "", &sound))
		case t.kind == kindWord && p.peek().text == "(" && p.peekAt(1).kind == kindNumber:
			p.take()
			path = append(path, p.number(p.take(), t.text, &sound))
			p.accept(")")
		case t.kind == kindWord:
			// MODULE.name is how ASN.1 names another module's value.
			if p.peek().text == "." {
				p.take()
				continue
			}
			path = append(path, arc{name: t.text})
		}
	}
	if !sound {
		return nil
	}
	return path
}

func (p *parser) number(t token, name string, sound *bool) arc {
	n, err := strconv.ParseUint(t.text, 10, 32)
	if err != nil {
		*sound = false
		p.bad(t.line, "%s is no number of an object identifier (RFC 2578 section 3.5)", shorten(t.text))
	}
	return arc{name: name, number: uint32(n), has: true}
}

// oneLine is a text with its runs of blanks and line ends as single blanks.
func oneLine(text string) string { return strings.Join(strings.Fields(text), " ") }
