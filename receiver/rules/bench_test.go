package rules

import (
	"fmt"
	"testing"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/snmp"
)

const (
	snmpInteger = snmp.TagInteger
	snmpString  = snmp.TagOctetString
	snmpOID     = snmp.TagOID
)

// many is a set of 10,000 rules on OIDs, and the notification that the
// middlemost is for.
func many(tb testing.TB, when string) (*Set, *snmp.Notification) {
	specs := make([]Spec, 10_000)
	for i := range specs {
		specs[i] = Spec{On: fmt.Sprintf("1.3.6.1.4.1.32473.%d.0.%d", 100+i/50, 1+i%50), When: when, Observe: one(Observe{
			Point: "link", Instance: "${ifIndex}", What: "raise", Text: "${ifDescr} on card ${ifIndex.index} is ${ifOperStatus}"})}
	}
	return must(tb, specs...), trap("1.3.6.1.4.1.32473.200.0.1",
		number("ifIndex.7", 7), text("ifDescr.7", "to Tern Point"), number("ifOperStatus.7", 2))
}

// TestAllocations holds the ceiling: one allocation for an observation's texts,
// one more for the slice unless the caller brings it.
func TestAllocations(t *testing.T) {
	s, n := many(t, "")
	w := quarryGate()
	dst := make([]correlate.Observation, 0, 4)
	if got := testing.AllocsPerRun(1000, func() { s.Append(dst, n, w) }); got > 1 {
		t.Errorf("Append allocates %g times, want at most 1", got)
	}
	if got := testing.AllocsPerRun(1000, func() { s.Match(n, w) }); got > 2 {
		t.Errorf("Match allocates %g times, want at most 2", got)
	}
	unknown := trap("1.3.6.1.4.1.32473.200.0.99")
	if got := testing.AllocsPerRun(1000, func() { s.on(unknown.TrapOID) }); got > 0 {
		t.Errorf("a look-up allocates %g times", got)
	}
}

func BenchmarkMatch(b *testing.B) {
	for _, when := range []string{"", `value["ifIndex"] == 7`} {
		b.Run(fmt.Sprintf("rules=10000/cel=%t", when != ""), func(b *testing.B) {
			s, n := many(b, when)
			w := quarryGate()
			dst := make([]correlate.Observation, 0, 4)
			b.ReportAllocs()
			for b.Loop() {
				if res := s.Append(dst, n, w); len(res.Observations) != 1 {
					b.Fatal(res)
				}
			}
		})
	}
}
