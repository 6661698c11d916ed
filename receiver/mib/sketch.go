package mib

import (
	"fmt"
	"slices"

	"example.net/standwatch/receiver/snmp"
)

// Sketch drafts a rule and a point for one notification that came, from what it
// carried and what is known of that: for traps that no rule understands. The
// other side of a pair that a MIB defines is drafted with it. o.Configured is
// known.
func Sketch(n *snmp.Notification, known *Names, o DraftOptions) Drafted {
	o.Configured = known
	trap := defined(snmp.OID(n.TrapOID), known)
	told := &Object{OID: trap, Name: "trap " + trap.String(), Class: Notification}
	objects := []*Object{told}
	if o := known.Object(trap); o != nil {
		told.Name, told.Module, told.Description = o.Name, o.Module, o.Description
		if other := partner(told, known); other != nil {
			of := *other
			of.Objects = nil // filled in below: what is known is what this one carried
			objects = append(objects, &of)
		}
	}
	var carried []*Object
	seen := map[snmp.OID]bool{}
	for i := range n.Varbinds {
		o := carriedObject(snmp.OID(n.Varbinds[i].Name), known, i+1)
		if o == nil || seen[o.OID] {
			continue
		}
		seen[o.OID] = true
		carried = append(carried, o)
		told.Objects = append(told.Objects, o.Name)
	}
	for _, other := range objects[1:] {
		other.Objects = told.Objects
	}
	return Draft(&Library{Objects: objects, Names: (&Names{}).add(carried)}, o)
}

// defined returns a notification's identifier as its MIB has it: a v1 trap may
// have come with a zero before its last number (RFC 3584 section 3.1).
func defined(trap snmp.OID, known *Names) snmp.OID {
	arcs := trap.Arcs()
	n := len(arcs)
	if known.Object(trap) != nil || n < 4 || arcs[n-2] != 0 {
		return trap
	}
	short := snmp.MakeOID(append(slices.Clone(arcs[:n-2]), arcs[n-1])...)
	if o := known.Object(short); o != nil && o.Class == Notification {
		return short
	}
	return trap
}

// partner returns the other of a pair of notifications in the same module.
func partner(n *Object, known *Names) *Object {
	var all []*Object
	for _, o := range known.Notifications() {
		if o.Module == n.Module && o.Name != n.Name {
			all = append(all, o)
		}
	}
	p := pairOf(n, all, map[*Object]bool{})
	if p == nil {
		return nil
	}
	if p.raises[0] == n {
		return p.clears[0]
	}
	return p.raises[0]
}

// carriedObject returns the object that a varbind is an instance of. Of one
// without a name, all that can be told is that the last number is the index.
func carriedObject(name snmp.OID, known *Names, position int) *Object {
	if o, index, ok := known.Find(name); ok && o.Class != Node {
		of := *o
		of.Module = "" // told by the varbind itself, whoever defines it
		of.Column = len(index) > 1 || len(index) == 1 && index[0] != 0
		return &of
	}
	arcs := name.Arcs()
	if len(arcs) < 3 {
		return nil
	}
	last := len(arcs) - 1
	return &Object{OID: snmp.MakeOID(arcs[:last]...), Name: fmt.Sprintf("varbind %d", position), Class: Variable, Column: arcs[last] != 0}
}
