package rules

import (
	"fmt"
	"strings"

	"example.net/standwatch/receiver/snmp"
)

// Trace tells step by step how a notification became observations, or why it
// did not.
type Trace struct {
	Steps []string
	first *rule
}

// String returns the steps, one a line.
func (t *Trace) String() string { return strings.Join(t.Steps, "\n") + "\n" }

func (t *Trace) add(format string, args ...any) {
	t.Steps = append(t.Steps, fmt.Sprintf(format, args...))
}

// MatchTrace is Match with an account of how the result came about: what the
// notification said, which rules were asked, and what came of the winner.
func (s *Set) MatchTrace(n *snmp.Notification, w Where) (Result, *Trace) {
	tr := &Trace{}
	oid := snmp.OID(n.TrapOID)
	tr.add("notification %s (%s), %s", s.names.Name(oid), oid, n.Version)
	if spelt, ok := s.other[oid]; ok && s.exact[oid] == nil {
		tr.add("looked up as %s (%s): a v1 trap puts a zero before the last number", s.names.Name(spelt), spelt)
	}
	for i := range n.Varbinds {
		v := &n.Varbinds[i]
		tr.add("#%d %s = %s", i+1, s.names.Name(snmp.OID(v.Name)), s.names.Value(*v))
	}
	res := s.match(nil, n, w, tr)
	switch {
	case res.Unmatched != "":
		tr.add("unmatched: %s", res.Unmatched)
	case res.Ignored != "":
		tr.add("ignored: %s", res.Ignored)
	}
	if res.Restart {
		tr.add("the agent restarted")
	}
	return res, tr
}
