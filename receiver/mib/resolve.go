package mib

import (
	"cmp"
	"fmt"
	"io/fs"
	"maps"
	"slices"
	"strings"

	"example.net/standwatch/receiver/snmp"
)

// Library is what a set of modules says once joined. It is immutable.
type Library struct {
	Names   *Names    // with what was known before
	Objects []*Object // of these modules alone, in the order of modules and lines
}

// Notifications returns the notifications that these modules define.
func (l *Library) Notifications() []*Object {
	var out []*Object
	for _, o := range l.Objects {
		if o.Class == Notification {
			out = append(out, o)
		}
	}
	return out
}

// ReadFolder reads every MIB file in a folder and those below it. Files that
// hold no module are passed over unless their names say that they should.
func ReadFolder(fsys fs.FS, known *Names) (*Library, []Problem) {
	var modules []*Module
	var problems []Problem
	err := fs.WalkDir(fsys, ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			problems = append(problems, Problem{File: path, What: err.Error()})
			return nil
		}
		if !d.Type().IsRegular() || strings.HasPrefix(d.Name(), ".") {
			return nil
		}
		read, faults := readFile(fsys, path, d)
		modules = append(modules, read...)
		problems = append(problems, faults...)
		return nil
	})
	if err != nil {
		problems = append(problems, Problem{File: ".", What: err.Error()})
	}
	library, faults := Resolve(modules, known)
	return library, append(problems, faults...)
}

func readFile(fsys fs.FS, path string, d fs.DirEntry) ([]*Module, []Problem) {
	info, err := d.Info()
	if err == nil && info.Size() > largestText {
		return nil, []Problem{{File: path, What: fmt.Sprintf("is larger than %d MiB", largestText>>20)}}
	}
	var text []byte
	if err == nil {
		text, err = fs.ReadFile(fsys, path)
	}
	if err != nil {
		return nil, []Problem{{File: path, What: err.Error()}}
	}
	lower := strings.ToLower(path)
	named := strings.HasSuffix(lower, ".mib") || strings.HasSuffix(lower, ".my") || strings.HasSuffix(lower, ".smi")
	if !named && !strings.Contains(string(text), "DEFINITIONS") {
		return nil, nil
	}
	return Read(path, text)
}

// resolver joins modules. Each definition is resolved once, so cycles end.
type resolver struct {
	known    *Names
	modules  []*Module
	byName   map[string]*Module
	defs     map[*Module]map[string]*definition
	any      map[string]*place // the first definition of a name, wherever it is
	done     map[*definition]*state
	types    map[string]*typeDef
	problems []Problem
	missing  map[string]bool // modules reported as not there
}

type place struct {
	m *Module
	d *definition
}

// state is how far a definition's identifier is known.
type state struct {
	arcs    []uint32 // nil: none could be found
	open    bool     // being resolved: to come here again is a cycle
	inTable bool     // hangs under a row
}

// Resolve joins modules with each other and with what is known already (nil:
// the built-in table) and reports what cannot be joined.
func Resolve(modules []*Module, known *Names) (*Library, []Problem) {
	if known == nil {
		known = Standard()
	}
	r := &resolver{known: known, modules: modules, byName: map[string]*Module{}, defs: map[*Module]map[string]*definition{},
		any: map[string]*place{}, done: map[*definition]*state{}, types: conventions(), missing: map[string]bool{}}
	r.index()
	lib := &Library{}
	for _, m := range r.modules {
		r.checkImports(m)
		for _, d := range m.defs {
			if o := r.object(m, d); o != nil {
				lib.Objects = append(lib.Objects, o)
			}
		}
	}
	lib.Names = known.add(lib.Objects)
	slices.SortStableFunc(r.problems, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line))
	})
	return lib, r.problems
}

func (r *resolver) bad(m *Module, line int, format string, args ...any) {
	if len(r.problems) < mostProblems*len(r.modules) {
		r.problems = append(r.problems, Problem{m.File, line, fmt.Sprintf(format, args...)})
	}
}

func (r *resolver) index() {
	var kept []*Module
	for _, m := range r.modules {
		if first := r.byName[m.Name]; first != nil {
			r.bad(m, m.Line, "module %s was read already from %s; this one is passed over", m.Name, first.File)
			continue
		}
		r.byName[m.Name] = m
		kept = append(kept, m)
		own := make(map[string]*definition, len(m.defs))
		for _, d := range m.defs {
			if first := own[d.name]; first != nil {
				r.bad(m, d.line, "%s is defined already in line %d", d.name, first.line)
				continue
			}
			own[d.name] = d
			if r.any[d.name] == nil {
				r.any[d.name] = &place{m, d}
			}
		}
		r.defs[m] = own
	}
	r.modules = kept
}

// checkImports names each module that is imported and not there, unless all
// that is wanted of it is known without it.
func (r *resolver) checkImports(m *Module) {
	for _, from := range slices.Sorted(maps.Keys(m.from)) {
		if r.byName[from] != nil {
			continue
		}
		var wanted []string
		for symbol, module := range m.imports {
			if module == from && !r.builtIn(symbol) {
				wanted = append(wanted, symbol)
			}
		}
		if len(wanted) > 0 {
			slices.Sort(wanted)
			r.bad(m, m.from[from], "module %s is imported and not there; from it are wanted: %s", from, strings.Join(wanted, ", "))
		}
	}
}

// builtIn reports whether a symbol means something without its module.
func (r *resolver) builtIn(symbol string) bool {
	if isMacro(symbol) || isBaseType(symbol) || r.types[symbol] != nil || rootArcs(symbol) != nil {
		return true
	}
	_, known := r.known.byName[symbol]
	return known || isPlainType(symbol)
}

// isPlainType reports whether a word is a convention without hint or words, which need no knowledge.
func isPlainType(word string) bool {
	switch word {
	case "TimeStamp", "TimeInterval", "TestAndIncr", "AutonomousType", "VariablePointer", "RowPointer",
		"InstancePointer", "TDomain", "TAddress", "OwnerString", "EntryStatus", "SnmpEngineID", "ObjectName",
		"NotificationName":
		return true
	}
	return false
}

func rootArcs(name string) []uint32 {
	switch name {
	case "ccitt", "itu-t":
		return []uint32{0}
	case "iso":
		return []uint32{1}
	case "joint-iso-ccitt", "joint-iso-itu-t":
		return []uint32{2}
	}
	return nil
}

// longestOID is the most sub-identifiers an OID can have (RFC 2578 section 3.5).
const longestOID = 128

// object returns a definition as an object, or nil if it has no identifier.
func (r *resolver) object(m *Module, d *definition) *Object {
	st := r.resolve(m, d, 0)
	if len(st.arcs) < 2 || r.defs[m][d.name] != d {
		return nil
	}
	o := &Object{OID: snmp.MakeOID(st.arcs...), Name: d.name, Module: m.Name, Class: d.class, Units: oneLine(d.units), Hint: d.hint,
		Objects: d.objects, Description: oneLine(d.description), Line: d.line, Column: st.inTable}
	if d.syntax != nil {
		o.Syntax = d.syntax.name
		r.describe(m, d.syntax, o)
	}
	if d.class == Variable && d.index || o.Syntax == "SEQUENCE" {
		o.Class = Node // a table or row has no instances itself
	}
	for _, name := range d.objects {
		if !r.defined(m, name) {
			r.bad(m, d.line, "%s carries %s, which is defined nowhere", d.name, name)
		}
	}
	return o
}

func (r *resolver) defined(m *Module, name string) bool {
	_, known := r.known.byName[name]
	return known || r.defs[m][name] != nil || r.any[name] != nil
}

// describe follows a type to its base and takes the first hint and words on the
// way.
func (r *resolver) describe(m *Module, typ *typeDef, o *Object) {
	for range 32 { // deeper than any honest chain, and an end to cycles
		o.Hint = cmp.Or(o.Hint, typ.hint)
		if len(o.Words) == 0 && len(typ.words) > 0 {
			o.Words, o.Bits = typ.words, typ.bits
		}
		o.Bits = o.Bits || typ.bits && len(o.Words) > 0
		next, from := r.typeNamed(m, typ.name)
		if next == nil || next == typ {
			return
		}
		typ, m = next, from
	}
}

func (r *resolver) typeNamed(m *Module, name string) (*typeDef, *Module) {
	if isBaseType(name) {
		return nil, m
	}
	if t := m.types[name]; t != nil {
		return t, m
	}
	if from := r.byName[m.imports[name]]; from != nil && from.types[name] != nil {
		return from.types[name], from
	}
	return r.types[name], m
}

// resolve finds a definition's identifier.
func (r *resolver) resolve(m *Module, d *definition, depth int) *state {
	if st := r.done[d]; st != nil {
		if st.open {
			r.bad(m, d.line, "%s hangs under itself", d.name)
		}
		return st
	}
	st := &state{open: true}
	r.done[d] = st
	if d.trap {
		st.arcs = r.trapArcs(m, d, depth)
	} else {
		st.arcs, st.inTable = r.pathArcs(m, d, depth)
	}
	if len(st.arcs) > longestOID {
		r.bad(m, d.line, "the object identifier of %s is longer than %d numbers", d.name, longestOID)
		st.arcs = nil
	}
	st.open = false
	return st
}

func (r *resolver) pathArcs(m *Module, d *definition, depth int) (arcs []uint32, inTable bool) {
	for i, a := range d.path {
		switch {
		case a.has && (i > 0 || a.name == "" || rootArcs(a.name) == nil):
			arcs = append(arcs, a.number)
		case i > 0:
			r.bad(m, d.line, "%s: %s in the middle of an object identifier has no number", d.name, a.name)
			return nil, false
		default:
			parent, row := r.named(m, d, a.name, depth)
			if parent == nil {
				return nil, false
			}
			arcs, inTable = slices.Clone(parent), row
		}
	}
	if len(arcs) > 1 && (arcs[0] > 2 || arcs[0] < 2 && arcs[1] > 39) {
		r.bad(m, d.line, "%s is outside the tree of object identifiers", d.name)
		return nil, false
	}
	return arcs, inTable
}

// trapArcs makes a TRAP-TYPE's identifier: enterprise.0.number, and for the
// generic traps of RFC 1215, whose enterprise is snmp, that of RFC 3418 (RFC
// 3584 section 3.1).
func (r *resolver) trapArcs(m *Module, d *definition, depth int) []uint32 {
	if d.enterprise == "" {
		r.bad(m, d.line, "%s has no ENTERPRISE", d.name)
		return nil
	}
	number := d.path[0].number
	enterprise, _ := r.named(m, d, d.enterprise, depth)
	if enterprise == nil {
		return nil
	}
	if slices.Equal(enterprise, []uint32{1, 3, 6, 1, 2, 1, 11}) && number < 6 {
		return []uint32{1, 3, 6, 1, 6, 3, 1, 1, 5, number + 1}
	}
	return append(slices.Clone(enterprise), 0, number)
}

// named returns the identifier that a name stands for in a module, and whether
// it is a row of a table.
func (r *resolver) named(m *Module, user *definition, name string, depth int) (arcs []uint32, row bool) {
	if depth > longestOID {
		r.bad(m, user.line, "%s hangs more than %d levels deep", user.name, longestOID)
		return nil, false
	}
	if root := rootArcs(name); root != nil {
		return root, false
	}
	if own := r.defs[m][name]; own != nil && own != user {
		return r.resolve(m, own, depth+1).arcs, own.index
	} else if own == user {
		r.bad(m, user.line, "%s hangs under itself", name)
		return nil, false
	}
	if from := r.byName[m.imports[name]]; from != nil {
		if d := r.defs[from][name]; d != nil {
			return r.resolve(from, d, depth+1).arcs, d.index
		}
	}
	if o := r.known.byName[name]; o != nil {
		return o.OID.Arcs(), false
	}
	if p := r.any[name]; p != nil {
		r.bad(m, user.line, "%s is not imported; taken from %s", name, p.m.Name)
		return r.resolve(p.m, p.d, depth+1).arcs, p.d.index
	}
	r.bad(m, user.line, "%s hangs under %s, which is defined nowhere", user.name, name)
	return nil, false
}
