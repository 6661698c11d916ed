package mib

import (
	"fmt"

	"example.net/standwatch/receiver/snmp"
)

// Sketch drafts a rule and a point for one notification that came, from what it
// carried and what is known of that: for traps that no rule understands.
func Sketch(n *snmp.Notification, known *Names) Drafted {
	trap := snmp.OID(n.TrapOID)
	told := &Object{OID: trap, Name: "trap " + trap.String(), Class: Notification}
	if o := known.Object(trap); o != nil {
		told.Name, told.Module, told.Description = o.Name, o.Module, o.Description
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
	lib := &Library{Objects: []*Object{told}, Names: (&Names{}).add(carried)}
	return Draft(lib, DraftOptions{Configured: known})
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
