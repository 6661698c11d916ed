package mib

import (
	_ "embed"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"example.net/standwatch/receiver/snmp"
)

// Class says what kind of definition an object is.
type Class uint8

// The classes of definitions.
const (
	Node         Class = 1 // a branch of the tree, or a value with a name
	Variable     Class = 2 // a scalar or a column: something with instances
	Notification Class = 3 // a trap or inform
)

// Word is one word of an enumeration, or the name of one bit.
type Word struct {
	Number int64
	Word   string
}

// Object is one named object identifier. Objects are never changed once they
// are part of [Names].
type Object struct {
	OID         snmp.OID
	Name        string
	Module      string
	Class       Class
	Syntax      string // SMI type or textual convention, if it was read from a text
	Hint        string // DISPLAY-HINT (RFC 2579 section 3.1)
	Units       string // UNITS clause (RFC 2578 section 7.2)
	Words       []Word // enumeration, or bits when Bits is set
	Bits        bool   // Words number bits from 0
	Column      bool   // it is in a table, so its instances have an index
	Objects     []string
	Description string
	Line        int // of the definition in its text, 0 in the built-in table
}

// Label returns the word for a number, or "".
func (o *Object) Label(number int64) string {
	for _, w := range o.Words {
		if w.Number == number {
			return w.Word
		}
	}
	return ""
}

// Number returns the number of a word; ok is false if there is no such word.
func (o *Object) Number(word string) (number int64, ok bool) {
	for _, w := range o.Words {
		if w.Word == word {
			return w.Number, true
		}
	}
	return 0, false
}

// Names maps object identifiers to objects and back. The zero value knows none.
type Names struct {
	byOID  map[snmp.OID]*Object
	byName map[string]*Object // by name and by MODULE::name
}

//go:embed standard.txt
var standardText string

// Standard returns the built-in table. It panics if the table is malformed,
// which a test rules out.
func Standard() *Names {
	objects, err := parseTable(standardText)
	if err != nil {
		panic(err)
	}
	return (*Names)(nil).add(objects)
}

// add returns names with further objects. Where a name or an identifier is
// taken already by something else, the earlier one keeps it, so that a vendor's
// own linkDown does not take the place of the standard's; the later one answers
// to MODULE::name. The same object, read again, replaces what was known of it.
func (n *Names) add(objects []*Object) *Names {
	out := &Names{byOID: map[snmp.OID]*Object{}, byName: map[string]*Object{}}
	if n != nil {
		for oid, o := range n.byOID {
			out.byOID[oid] = o
		}
		for name, o := range n.byName {
			out.byName[name] = o
		}
	}
	for _, o := range objects {
		if old := out.byOID[o.OID]; old == nil || old.Name == o.Name {
			out.byOID[o.OID] = o
		}
		if old := out.byName[o.Name]; old == nil || old.OID == o.OID {
			out.byName[o.Name] = o
		}
		if o.Module != "" {
			out.byName[o.Module+"::"+o.Name] = o
		}
	}
	return out
}

// parseTable reads the format described at the head of standard.txt.
func parseTable(text string) ([]*Object, error) {
	var objects []*Object
	module := ""
	for i, line := range strings.Split(text, "\n") {
		line = strings.TrimSpace(line)
		if line == "" || line[0] == '#' {
			continue
		}
		if name, ok := strings.CutPrefix(line, "module "); ok {
			module, _, _ = strings.Cut(name, " ")
			continue
		}
		o, err := parseRow(line)
		if err != nil {
			return nil, fmt.Errorf("table of names, line %d: %w", i+1, err)
		}
		o.Module = module
		objects = append(objects, o)
	}
	markVariables(objects)
	return objects, nil
}

// markVariables classes what notifications carry: only things with instances.
func markVariables(objects []*Object) {
	carried := map[string]bool{}
	for _, o := range objects {
		for _, name := range o.Objects {
			carried[name] = true
		}
	}
	for _, o := range objects {
		if carried[o.Name] {
			o.Class = Variable
		}
	}
}

func parseRow(line string) (*Object, error) {
	line, units, _ := strings.Cut(line, " units:")
	fields := strings.Fields(line)
	if len(fields) < 2 {
		return nil, fmt.Errorf("%q lacks an object identifier", line)
	}
	o := &Object{Name: fields[0], Class: Node, Units: units}
	oid, err := snmp.ParseOID(fields[1])
	if err != nil {
		return nil, err
	}
	o.OID = oid
	if units != "" {
		o.Class = Variable
	}
	for _, field := range fields[2:] {
		if err := o.attribute(field); err != nil {
			return nil, err
		}
	}
	return o, nil
}

func (o *Object) attribute(field string) (err error) {
	key, value, _ := strings.Cut(field, ":")
	switch key {
	case "hint":
		o.Hint, o.Class = value, Variable
	case "words":
		o.Words, err = parseWords(value)
		o.Class = Variable
	case "bits":
		o.Words, err = parseWords(value)
		o.Bits, o.Class = true, Variable
	case "notify":
		o.Class = Notification
		if value != "" {
			o.Objects = strings.Split(value, ",")
		}
	default:
		return fmt.Errorf("unknown attribute %q", field)
	}
	return err
}

func parseWords(list string) ([]Word, error) {
	var words []Word
	for _, item := range strings.Split(list, ",") {
		word, number, _ := strings.Cut(item, "=")
		n, err := strconv.ParseInt(number, 10, 64)
		if err != nil {
			return nil, fmt.Errorf("word %q: %w", item, err)
		}
		words = append(words, Word{n, word})
	}
	return words, nil
}

// Find returns the nearest object at or above an identifier and what follows
// it, the index. ok is false if nothing above it has a name.
func (n *Names) Find(oid snmp.OID) (o *Object, index []uint32, ok bool) {
	if n == nil {
		return nil, nil, false
	}
	for end := len(oid); end > 0; end-- {
		if end < len(oid) && oid[end-1]&0x80 != 0 {
			continue // within a sub-identifier
		}
		if o := n.byOID[oid[:end]]; o != nil {
			return o, oid.Rest(oid[:end]), true
		}
	}
	return nil, nil, false
}

// Name returns an identifier by name, such as "ifIndex.7", or in dotted form if
// neither it nor anything above it has a name.
func (n *Names) Name(oid snmp.OID) string {
	o, index, ok := n.Find(oid)
	if !ok || oid == "" {
		return oid.String()
	}
	name := []byte(o.Name)
	for _, arc := range index {
		name = strconv.AppendUint(append(name, '.'), uint64(arc), 10)
	}
	return string(name)
}

// Lookup returns the identifier of a name: "ifIndex", "IF-MIB::ifIndex", either
// with an index behind it ("ifIndex.7"), or dotted numbers.
func (n *Names) Lookup(name string) (snmp.OID, bool) {
	if oid, err := snmp.ParseOID(name); err == nil {
		return oid, true
	}
	if n == nil {
		return "", false
	}
	base, index, indexed := strings.Cut(name, ".")
	o := n.byName[base]
	if o == nil || o.OID == "" {
		return "", false
	}
	if !indexed {
		return o.OID, true
	}
	oid, err := snmp.ParseOID(o.OID.String() + "." + index)
	return oid, err == nil
}

// Object returns the object that has exactly this identifier, or nil.
func (n *Names) Object(oid snmp.OID) *Object {
	if n == nil {
		return nil
	}
	return n.byOID[oid]
}

// Label returns the word for a number of the enumeration of an identifier or of
// the object it is an instance of, or "".
func (n *Names) Label(oid snmp.OID, number int64) string {
	if o, _, ok := n.Find(oid); ok {
		return o.Label(number)
	}
	return ""
}

// Notifications returns all notifications in the order of their identifiers.
func (n *Names) Notifications() []*Object {
	var out []*Object
	if n != nil {
		for _, o := range n.byOID {
			if o.Class == Notification {
				out = append(out, o)
			}
		}
	}
	slices.SortFunc(out, func(a, b *Object) int { return slices.Compare(a.OID.Arcs(), b.OID.Arcs()) })
	return out
}

// Suggest returns the known name nearest to a mistyped one, or "" if none is
// near.
func (n *Names) Suggest(name string) string {
	best, far := "", 1+len(name)/3
	if n == nil {
		return ""
	}
	lower := strings.ToLower(name)
	for known := range n.byName {
		if strings.Contains(known, "::") {
			continue
		}
		d := distance(lower, strings.ToLower(known), far)
		if d < far || d == far && best != "" && known < best {
			best, far = known, d
		}
	}
	return best
}

// distance is the edit distance of two texts, or anything above limit once it
// is known to be above.
func distance(a, b string, limit int) int {
	if d := len(a) - len(b); d > limit || -d > limit {
		return limit + 1
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := 1; i <= len(a); i++ {
		diagonal := row[0]
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			diagonal, row[j] = row[j], min(diagonal+cost, row[j]+1, row[j-1]+1)
		}
	}
	return row[len(b)]
}

// Nearest returns the word of a list that is nearest to a mistyped one, or "".
func Nearest(word string, known []string) string {
	best, far := "", 1+len(word)/3
	for _, k := range known {
		if d := distance(strings.ToLower(word), strings.ToLower(k), far); d < far {
			best, far = k, d
		}
	}
	return best
}
