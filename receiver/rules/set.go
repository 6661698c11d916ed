package rules

import (
	"slices"

	"example.net/standwatch/receiver/mib"
	"example.net/standwatch/receiver/snmp"
)

// Set is a compiled set of rules. Its counters apart it is immutable; it is
// safe for concurrent use.
type Set struct {
	names  *mib.Names
	exact  map[snmp.OID][]*rule
	other  map[snmp.OID]snmp.OID // a v1 spelling to the identifier that rules are under
	under  map[snmp.OID][]*rule
	depths []int // lengths of the keys of under, longest first
	sites  siteLists
	all    []*rule
}

// finish builds what is derived from the tables.
func (s *Set) finish() {
	for oid := range s.exact {
		if spelt := v1Spelling(oid); spelt != "" && s.exact[spelt] == nil {
			s.other[spelt] = oid
		}
	}
	for root := range s.under {
		if !slices.Contains(s.depths, len(root)) {
			s.depths = append(s.depths, len(root))
		}
	}
	slices.SortFunc(s.depths, func(a, b int) int { return b - a })
}

// v1Spelling returns how an identifier comes out of a v1 trap: RFC 3584 section
// 3.2 makes the enterprise of it by taking off the last number if the one
// before it is not zero, and section 3.1 puts a zero between the two. It is
// empty when both spellings are the same.
func v1Spelling(oid snmp.OID) snmp.OID {
	arcs := oid.Arcs()
	n := len(arcs)
	if n < 4 || arcs[n-2] == 0 {
		return ""
	}
	return snmp.MakeOID(append(slices.Clone(arcs[:n-1]), 0, arcs[n-1])...)
}

// candidates calls try for the rules that a notification's identifier comes
// under, best first, until it returns true: those on it, then those on a
// subtree.
func (s *Set) candidates(on []*rule, oid []byte, try func(*rule) bool) {
	for _, r := range on {
		if try(r) {
			return
		}
	}
	for _, n := range s.depths {
		if n > len(oid) {
			continue
		}
		for _, r := range s.under[snmp.OID(oid[:n])] {
			if try(r) {
				return
			}
		}
	}
}

// on returns the rules on exactly this identifier, however it is spelt, and the
// identifier that they know it by if that is not how it came.
func (s *Set) on(oid []byte) (list []*rule, meant snmp.OID) {
	if list = s.exact[snmp.OID(oid)]; list != nil || len(s.other) == 0 {
		return list, ""
	}
	meant = s.other[snmp.OID(oid)]
	return s.exact[meant], meant
}

// Info describes one rule and how it fared since the set was compiled.
type Info struct {
	Label string // "file:line name"
	Name  string
	Pack  string
	On    string
	Under string
	// Enterprise and Specific are those of v1 traps.
	Enterprise, Specific string
	When                 string
	Matched              uint64 // notifications it won
	Faults               uint64 // conditions that failed, and observations that could not be made
}

// Rules lists the rules in the order they were given.
func (s *Set) Rules() []Info {
	out := make([]Info, len(s.all))
	for i, r := range s.all {
		out[i] = Info{Label: r.label, Name: r.spec.Name, Pack: r.spec.Pack, On: r.spec.On, Under: r.spec.Under, Enterprise: r.spec.Enterprise, Specific: r.spec.Specific, When: r.spec.When,
			Matched: r.matched.Load(), Faults: r.faults.Load()}
	}
	return out
}

// Names returns the names that the rules were compiled with.
func (s *Set) Names() *mib.Names { return s.names }
