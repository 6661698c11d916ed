package receiver

import (
	"context"
	"fmt"
	"net"
	"net/netip"
	"os"
	"strconv"
	"sync/atomic"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
	"github.com/gosnmp/gosnmp"
	"golang.org/x/sys/unix"
)

// BenchmarkLossFree searches for the highest rate at which nothing is lost, from
// a sender on the same machine that sends encoded datagrams in batches, for this
// package up to a matched notification, and for the library's ready listener
// with a handler that only counts. Each has the same socket buffer. Run it with
//
//	go test -run '^$' -bench LossFree -benchtime 1x -count 6 ./receiver
//
// and read the metric datagrams/s; what else it prints means nothing.
func BenchmarkLossFree(b *testing.B) {
	for _, version := range []snmp.Version{snmp.V2c, snmp.V3} {
		pool := ratePool(b, version)
		for _, buffer := range []int{defaultRoom(b), 4 << 20} {
			for _, by := range []struct {
				name string
				open func(testing.TB, int) *rateTarget
			}{{"standwatch", ours}, {"gosnmp", librarys}} {
				b.Run(fmt.Sprintf("version=%s/buffer=%d/by=%s", version, buffer, by.name), func(b *testing.B) {
					best := 0.0
					for b.Loop() {
						best = lossFree(b, pool, func() *rateTarget { return by.open(b, buffer) })
					}
					b.ReportMetric(best, "datagrams/s")
				})
			}
		}
	}
}

// defaultRoom is the receive buffer that sockets have when nobody asks for one.
func defaultRoom(b *testing.B) int {
	text, err := os.ReadFile("/proc/sys/net/core/rmem_default")
	if err != nil {
		b.Fatal(err)
	}
	n, err := strconv.Atoi(string(text[:len(text)-1]))
	if err != nil {
		b.Fatal(err)
	}
	return n / 2 // the kernel doubles what is asked for (socket(7))
}

// rateTarget is a running receiver.
type rateTarget struct {
	at    netip.AddrPort
	heard func() uint64
	end   func()
}

const (
	rateFor  = 400 * time.Millisecond // that a rate is held
	rateMost = 1_000_000
)

// lossFree halves the distance between a rate without and one with loss until
// they are within 4 %. A rate counts as lossy when it is so twice, since others
// use the machine too.
func lossFree(b *testing.B, pool [][]byte, open func() *rateTarget) float64 {
	low, high := 0.0, float64(rateMost)
	for rate := 20_000.0; high-low > high/25; {
		if holds(b, pool, rate, open) || holds(b, pool, rate, open) {
			low = rate
		} else {
			high = rate
		}
		rate = min(2*low, (low+high)/2)
		if low == 0 {
			rate = high / 2
		}
		if high < 1000 {
			b.Fatal("nothing is heard at all")
		}
	}
	return low
}

// holds reports whether everything arrives that is sent at a rate. A sender that
// is slower than the rate has not shown it.
func holds(b *testing.B, pool [][]byte, rate float64, open func() *rateTarget) bool {
	t := open()
	defer t.end()
	n := min(int(rate*rateFor.Seconds()), len(pool))
	begin := time.Now()
	conn := dialTo(b, t.at)
	if _, err := Burst(context.Background(), conn, pool, BurstOptions{Count: n, Rate: rate}); err != nil {
		b.Fatal(err)
	}
	slow := time.Since(begin).Seconds() > 1.1*float64(n)/rate
	last, quiet := uint64(0), 0
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for quiet < 20 && t.heard() < uint64(n) { // nothing for 100 ms: the rest is lost
		<-tick.C
		if now := t.heard(); now != last {
			last, quiet = now, 0
		} else {
			quiet++
		}
	}
	return t.heard() == uint64(n) && !slow
}

var rateUser = usm.User{Name: "factsuser", Auth: usm.SHA256, Priv: usm.AES128, AuthPass: "maplesyrup", PrivPass: "maplesyrup"}

// ratePool are different messages, as those of v3 have to be.
func ratePool(b *testing.B, version snmp.Version) [][]byte {
	vbs := []snmp.Varbind{snmp.Integer(panelIndex.Append(1), 1)}
	for i := range uint32(7) {
		vbs = append(vbs, snmp.Octets(panelIndex.Append(2, i), []byte("eight variables")))
	}
	build := snmp.Build{Version: version, Community: community, TrapOID: raised, Varbinds: vbs}
	size := 64
	if version == snmp.V3 {
		size = 120_000
		keys, err := usm.NewKeys(rateUser, factsEngine)
		if err != nil {
			b.Fatal(err)
		}
		build.Secure = snmp.Secure{User: rateUser.Name, Level: usm.AuthPriv, Keys: keys, EngineID: factsEngine, Boots: 1, Time: 100, ContextID: factsEngine}
	}
	pool := make([][]byte, size)
	for i := range pool {
		build.Secure.Salt, build.Secure.MsgID = uint64(i), int32(i)
		var err error
		if pool[i], err = build.Append(nil); err != nil {
			b.Fatal(err)
		}
	}
	if version == snmp.V2c { // a sender may say the same for ever
		for len(pool) < int(rateMost*rateFor.Seconds()) {
			pool = append(pool, pool[:64]...)
		}
	}
	return pool
}

// ours is this package, up to a matched notification that is durable at once.
func ours(t testing.TB, buffer int) *rateTarget {
	o := base(t, &journal{})
	var n atomic.Uint64
	o.Offer = func(in *correlate.Arrival, done func(correlate.Seq, error)) bool {
		if in.Unmatched == "" {
			n.Add(1)
		}
		done(1, nil)
		return true
	}
	o.Listeners[0].Buffer, o.QueueLen = buffer, 1<<16
	u := rateUser
	u.EngineIDs = [][]byte{factsEngine}
	o.Config.Users, o.Config.Agents[0].EngineIDs = []usm.User{u}, [][]byte{factsEngine}
	r, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- r.Run(ctx) }()
	return &rateTarget{at: r.Addresses()["north"], heard: n.Load, end: func() {
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}}
}

// librarys is the library's ready listener.
func librarys(t testing.TB, buffer int) *rateTarget {
	free, err := net.ListenPacket("udp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	at := netip.MustParseAddrPort(free.LocalAddr().String())
	if err := free.Close(); err != nil {
		t.Fatal(err)
	}
	var n atomic.Uint64
	l := gosnmp.NewTrapListener()
	l.Params = &gosnmp.GoSNMP{Community: community, Version: gosnmp.Version3, SecurityModel: gosnmp.UserSecurityModel, MsgFlags: gosnmp.AuthPriv}
	security := &gosnmp.UsmSecurityParameters{UserName: rateUser.Name, AuthoritativeEngineID: string(factsEngine), AuthenticationProtocol: gosnmp.SHA256,
		AuthenticationPassphrase: rateUser.AuthPass, PrivacyProtocol: gosnmp.AES, PrivacyPassphrase: rateUser.PrivPass}
	if err := security.InitSecurityKeys(); err != nil { // its best case: nothing is derived any more
		t.Fatal(err)
	}
	l.Params.SecurityParameters = security
	l.OnNewTrap = func(*gosnmp.SnmpPacket, *net.UDPAddr) { n.Add(1) }
	ended := make(chan error, 1)
	go func() { ended <- l.Listen(at.String()) }()
	select {
	case <-l.Listening():
	case err := <-ended:
		t.Fatal(err)
	}
	widen(t, at.Port(), buffer)
	return &rateTarget{at: at, heard: n.Load, end: func() {
		l.Close()
		<-ended // how it says that it was closed does not matter
	}}
}

// widen gives this process's socket at a port another receive buffer: the
// library does not let anybody at it.
func widen(t testing.TB, port uint16, buffer int) {
	entries, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		fd, err := strconv.Atoi(e.Name())
		if err != nil {
			continue
		}
		name, err := unix.Getsockname(fd)
		if in, ok := name.(*unix.SockaddrInet4); err != nil || !ok || in.Port != int(port) {
			continue
		}
		if unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUFFORCE, buffer) != nil {
			if err := unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUF, buffer); err != nil {
				t.Fatal(err)
			}
		}
		return
	}
	t.Fatalf("no socket at port %d", port)
}
