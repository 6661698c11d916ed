package access

import (
	"fmt"
	"testing"
	"time"

	"example.net/standwatch/store/accounts"
)

// flooded is a way in by another provider where logins are begun and never
// ended.
func flooded(t *testing.T) (o *OpenID, begin func(address string) (state string), step func(time.Duration)) {
	t.Helper()
	now := time.Date(2026, 3, 1, 3, 0, 0, 0, time.UTC)
	o = NewOpenID(OpenIDOptions{Now: func() time.Time { return now }})
	n := 0
	begin = func(address string) string {
		n++
		now = now.Add(time.Millisecond)
		state := fmt.Sprint("state ", n)
		o.remember(state, begun{from: accounts.Place{From: address}.Subscriber(), until: now.Add(openIDTime)})
		return state
	}
	return o, begin, func(d time.Duration) { now = now.Add(d) }
}

func (o *OpenID) has(state string) bool { _, there := o.begun[state]; return there }

// One address, or one subscriber of IPv6, pushes out nobody but itself.
func TestOneAddressCrowdsNobodyOut(t *testing.T) {
	o, begin, _ := flooded(t)
	office := begin("198.51.100.7")
	first := begin("203.0.113.9")
	for i := range 3 * openIDMost {
		begin("203.0.113.9")
		begin(fmt.Sprintf("2001:db8:0:1::%x", i+1))
	}
	if !o.has(office) {
		t.Error("the login from another address is gone")
	}
	if o.has(first) {
		t.Error("the oldest login of the address that begins too many is still there")
	}
	if newest := begin("203.0.113.9"); !o.has(newest) {
		t.Error("the newest login of the address that begins too many does not go on")
	}
	if n := len(o.begun); n != 2*openIDEach+1 {
		t.Errorf("%d logins are kept, want %d", n, 2*openIDEach+1)
	}
}

// Many addresses together push out those of them that have most, and a new one
// always gets in.
func TestManyAddressesCrowdOutThemselves(t *testing.T) {
	o, begin, step := flooded(t)
	office := begin("198.51.100.7")
	for i := range 4 * openIDMost {
		begin(fmt.Sprintf("203.0.113.%d", i%250))
		if n := len(o.begun); n > openIDMost {
			t.Fatalf("%d logins are kept", n)
		}
	}
	if !o.has(office) {
		t.Error("the one login of a quiet address had to give way to those that have several")
	}
	if late := begin("192.0.2.77"); !o.has(late) {
		t.Error("a new address does not get in")
	}
	step(openIDTime)
	if begin("192.0.2.78"); len(o.begun) != 1 {
		t.Errorf("%d logins are kept after their time", len(o.begun))
	}
}
