package receiver

import (
	"net/netip"
	"testing"

	"example.net/standwatch/receiver/snmp"
	"github.com/google/go-cmp/cmp"
)

// A listener that is bound to a network device hears what comes by it, and a
// device that is not there is said at once. Binding needs CAP_NET_RAW or a kernel
// from 5.7 on, as the machines have that the tests run on.
func TestListenerOnADevice(t *testing.T) {
	o := base(t, &journal{})
	o.Listeners[0].Interface = "lo"
	o.Listeners = append(o.Listeners, Listener{Name: "six", Address: netip.MustParseAddrPort("[::1]:0"), Interface: "lo"})
	o.Config.Policies = append(o.Config.Policies, Policy{Listener: "six", Communities: []Secret{community}})
	r := start(t, o)
	send(t, dial(t, r, "north"), trap(t, snmp.Build{}))
	if diff := cmp.Diff(tally(map[Fate]uint64{Matched: 1}), settled(t, r, 1).Tally); diff != "" {
		t.Error(diff)
	}
	send(t, dial(t, r, "six"), trap(t, snmp.Build{}))
	until(t, "the datagram over IPv6", func() bool { return r.Accounts().Listeners[1].Tally[Unmatched] == 1 })

	o.Listeners[0].Interface = "no-such-device"
	if _, err := New(o); err == nil {
		t.Error("a device that is not there is bound to")
	}
}
