package rules

import "fmt"

// Pos is where something is configured. Line and Column count from 1; 0 is
// unknown.
type Pos struct {
	File         string
	Line, Column int
}

// String returns file:line:column.
func (p Pos) String() string { return fmt.Sprintf("%s:%d:%d", p.File, p.Line, p.Column) }

// Places says where the values of a spec's keys begin, in the spec's own file. It
// may lack any of them.
type Places []Place

// Place is where the value of a key begins; as in [Pos].
type Place struct {
	Key          string
	Line, Column int
}

// of returns where the value of a key begins, or where the spec does.
func (p Places) of(key string, spec Pos) Pos {
	for _, at := range p {
		if at.Key == key {
			return Pos{spec.File, at.Line, at.Column}
		}
	}
	return spec
}

// Problem is a mistake in a rule, or a finding: the rule is kept, and somebody
// should look at it.
type Problem struct {
	Pos     Pos
	What    string
	Mend    string // may be empty
	Finding bool
	Part    Part // more exactly than Pos, if it is known
}

// Part is a place within a text that begins at a [Problem]'s Pos. Line and Column
// count from 1, the column in characters; a Line of 0 is none.
type Part struct {
	Text         string
	Line, Column int
}

// Error returns the problem on one line.
func (p Problem) Error() string {
	if p.Mend == "" {
		return p.Pos.String() + ": " + p.What
	}
	return p.Pos.String() + ": " + p.What + " (" + p.Mend + ")"
}

// File is one file of rules.
type File struct {
	Pack   string `yaml:"pack" jsonschema_description:"Name of a pack; empty in a person's own file."`
	Source string `yaml:"source" jsonschema_description:"The document that a pack was written from."`
	Rules  []Spec `yaml:"rules"`
}

// Spec is a rule as written. Exactly one of On, Under and Enterprise is set.
type Spec struct {
	Pos        Pos       `yaml:"-"`
	At         Places    `yaml:"-"`
	Pack       string    `yaml:"-" jsonschema_description:"The pack it belongs to; empty for a person's own."`
	Name       string    `yaml:"name" jsonschema_description:"What it is called in traces; unique within its file."`
	On         string    `yaml:"on" jsonschema_description:"Notifications by name or dotted OID, several parted by spaces."`
	Under      string    `yaml:"under" jsonschema_description:"Roots of subtrees, written likewise."`
	Enterprise string    `yaml:"enterprise" jsonschema_description:"Of v1 traps, by name or dotted OID; the same as on or under what RFC 3584 section 3.1 makes of it."`
	Specific   string    `yaml:"specific" jsonschema_description:"With Enterprise: specific-trap numbers, parted by spaces; empty: all."`
	When       string    `yaml:"when" jsonschema_description:"Condition in CEL over value, text, index, trap, oid, version, agent and site."`
	Ignore     string    `yaml:"ignore" jsonschema_description:"The reason why nothing is made of it."`
	Restart    bool      `yaml:"restart" jsonschema_description:"It says that the agent restarted."`
	Observe    []Observe `yaml:"observe" jsonschema_description:"What it tells: one or several observations."`
}

// Observe describes one observation, or one for each varbind or bit.
type Observe struct {
	Pos        Pos     `yaml:"-"`
	At         Places  `yaml:"-"`
	Each       string  `yaml:"each" jsonschema_description:"An object: once for each of its varbinds."`
	Bits       *Bits   `yaml:"bits" jsonschema_description:"Once for each bit; then point, point-by, what and what-by are not set."`
	Point      string  `yaml:"point" jsonschema_description:"A point ID, with ${...} if need be."`
	PointBy    *Choice `yaml:"point-by" jsonschema_description:"The point, chosen by a varbind or looked up in the site's point list."`
	Instance   string  `yaml:"instance" jsonschema_description:"With ${...}; empty for the point's only one."`
	What       string  `yaml:"what" jsonschema_description:"What is told: raise, clear, event, value, alive, acknowledge, or open and closed by the contact's wiring."`
	WhatBy     *Choice `yaml:"what-by" jsonschema_description:"What is told, chosen by a varbind; 'nothing' says nothing on purpose."`
	Severity   string  `yaml:"severity" jsonschema_description:"Perceived severity of ITU-T X.733; left out for the point's own."`
	SeverityBy *Choice `yaml:"severity-by" jsonschema_description:"The severity, chosen by a varbind."`
	Value      string  `yaml:"value" jsonschema_description:"The term of a reading; implies what: value."`
	Text       string  `yaml:"text" jsonschema_description:"With ${...}; empty for the point's own words."`
	Actor      string  `yaml:"actor" jsonschema_description:"Who acknowledged, with ${...}."`
}

// Choice picks a word by the value of a term.
type Choice struct {
	Pos    Pos               `yaml:"-"`
	Of     string            `yaml:"of" jsonschema_description:"A term, such as the name of a varbind's object."`
	Map    map[string]string `yaml:"map" jsonschema_description:"From enumeration words, numbers, texts or OIDs."`
	Lookup string            `yaml:"lookup" jsonschema_description:"Points only: 'number' or 'name' in the site's point list."`
	Other  string            `yaml:"other" jsonschema_description:"For what the map lacks; empty: no observation."`
}

// Bits makes one observation of each bit of a varbind: of an OCTET STRING as
// SMIv2 BITS (RFC 2578 section 7.1.4), of an INTEGER with bit 0 worth 1.
type Bits struct {
	Pos    Pos               `yaml:"-"`
	Of     string            `yaml:"of" jsonschema_description:"A varbind's term."`
	Points map[string]string `yaml:"points" jsonschema_description:"From a bit's name or number to a point ID."`
	Lookup string            `yaml:"lookup" jsonschema_description:"Or 'number': bit n is the point numbered First + n."`
	First  int               `yaml:"first"`
	Set    string            `yaml:"set" jsonschema_description:"What a set bit says; empty: raise."`
	Unset  string            `yaml:"unset" jsonschema_description:"Empty: clear."`
}
