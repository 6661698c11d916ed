package receiver

import (
	"errors"
	"net"
	"net/netip"
	"syscall"
	"testing"
	"time"

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

// A listener that is bound to a network device hears nothing that comes by
// another: of two at one address and port, one hears all of it and the other
// none, and where only the other is bound the port counts as closed. What
// comes by loopback is the only traffic that a test can make by itself, so the
// other device is any that the machine has. Where there is none but loopback
// (in an empty network namespace), the half about devices cannot be tried and the
// test says so; to send by a second device takes a second machine or the right
// to make one (CAP_NET_ADMIN).
func TestListenerHearsItsDeviceOnly(t *testing.T) {
	device := otherDevice(t)
	if device == "" {
		t.Log("there is no device but loopback: only addresses are tried")
		return
	}
	deaf := base(t, &journal{})
	deaf.Listeners[0].Interface = device
	r := start(t, deaf)
	conn := dial(t, r, "north")
	send(t, conn, trap(t, snmp.Build{}))
	if err := conn.SetReadDeadline(time.Now().Add(patience)); err != nil {
		t.Fatal(err)
	}
	// The kernel answers that nobody is there (ICMP port unreachable).
	if _, err := conn.Read(make([]byte, 1)); !errors.Is(err, syscall.ECONNREFUSED) {
		t.Errorf("a datagram by loopback to a listener on %s: %v, want connection refused", device, err)
	}

	hears := base(t, &journal{})
	hears.Listeners[0].Interface, hears.Listeners[0].Address = "lo", r.Addresses()["north"]
	both := start(t, hears)
	for range 20 {
		send(t, dial(t, both, "north"), trap(t, snmp.Build{}))
	}
	if diff := cmp.Diff(tally(map[Fate]uint64{Matched: 20}), settled(t, both, 20).Tally); diff != "" {
		t.Error(diff)
	}
	if got := r.Accounts().Listeners[0].Arrived; got != 0 {
		t.Errorf("the listener on %s heard %d datagrams that came by loopback", device, got)
	}
}

// A listener at one address hears nothing that is sent to another of the same
// device.
func TestListenerHearsItsAddressOnly(t *testing.T) {
	o := base(t, &journal{})
	o.Listeners[0].Interface = "lo"
	first := start(t, o)
	o = base(t, &journal{})
	o.Listeners[0].Address = netip.AddrPortFrom(netip.MustParseAddr("127.0.0.2"), first.Addresses()["north"].Port())
	second := start(t, o)
	for range 20 {
		send(t, dial(t, second, "north"), trap(t, snmp.Build{}))
	}
	settled(t, second, 20)
	if got := first.Accounts().Listeners[0].Arrived; got != 0 {
		t.Errorf("the listener at 127.0.0.1 heard %d datagrams that were sent to 127.0.0.2", got)
	}
}

// otherDevice returns a device of the machine that is not loopback, up or down,
// or "".
func otherDevice(t *testing.T) string {
	t.Helper()
	list, err := net.Interfaces()
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range list {
		if d.Flags&net.FlagLoopback == 0 {
			return d.Name
		}
	}
	return ""
}
