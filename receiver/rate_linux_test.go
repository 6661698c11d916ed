package receiver

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"os/exec"
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
		say := rateSender(b, version)
		for _, buffer := range []int{defaultRoom(b), 4 << 20} {
			for _, by := range []struct {
				name string
				open func(testing.TB, int) *rateTarget
			}{{"standwatch", ours}, {"gosnmp", librarys}} {
				b.Run(fmt.Sprintf("version=%s/buffer=%d/by=%s", version, buffer, by.name), func(b *testing.B) {
					best := 0.0
					for b.Loop() {
						best = lossFree(b, say, func() *rateTarget { return by.open(b, buffer) })
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

// rateSenderEnv makes the test's binary the sender: it has a process of its own,
// so that neither its memory nor its waiting is the receiver's.
const rateSenderEnv = "STANDWATCH_RATE_SENDER"

// rateOrder is what the sender is told to do.
type rateOrder struct {
	To    netip.AddrPort
	Rate  float64
	Count int
}

// rateSender starts the sender and returns how to have it send and how long that
// took.
func rateSender(b *testing.B, version snmp.Version) func(rateOrder) time.Duration {
	self, err := os.Executable()
	if err != nil {
		b.Fatal(err)
	}
	cmd := exec.Command(self)
	cmd.Env = append(os.Environ(), rateSenderEnv+"="+strconv.Itoa(int(version)))
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		b.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		b.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		_ = in.Close()
		if err := cmd.Wait(); err != nil {
			b.Error(err)
		}
	})
	orders, answers := json.NewEncoder(in), json.NewDecoder(out)
	return func(o rateOrder) (took time.Duration) {
		if err := errors.Join(orders.Encode(o), answers.Decode(&took)); err != nil {
			b.Fatal(err)
		}
		return took
	}
}

// sendAtRate is the sender's process.
func sendAtRate(version string) error {
	number, err := strconv.Atoi(version)
	if err != nil {
		return err
	}
	pool, err := ratePool(snmp.Version(number))
	if err != nil {
		return err
	}
	orders, answers := json.NewDecoder(os.Stdin), json.NewEncoder(os.Stdout)
	for {
		var o rateOrder
		if err := orders.Decode(&o); err != nil {
			if errors.Is(err, io.EOF) {
				return nil
			}
			return err
		}
		took, err := sendOrder(o, pool)
		if err != nil {
			return err
		}
		if err := answers.Encode(took); err != nil {
			return err
		}
	}
}

func sendOrder(o rateOrder, pool [][]byte) (time.Duration, error) {
	conn, err := net.DialUDP("udp4", nil, net.UDPAddrFromAddrPort(o.To))
	if err != nil {
		return 0, err
	}
	defer conn.Close()
	begin := time.Now()
	_, err = Burst(context.Background(), conn, pool, BurstOptions{Count: o.Count, Rate: o.Rate, Batch: 32})
	return time.Since(begin), err
}

// lossFree halves the distance between a rate without and one with loss until
// they are within 4 %. A rate counts as lossy when it is so twice, since others
// use the machine too.
func lossFree(b *testing.B, say func(rateOrder) time.Duration, open func() *rateTarget) float64 {
	low, high := 0.0, float64(rateMost)
	for rate := 20_000.0; high-low > high/25; {
		held := holds(say, rate, open)
		if !held {
			held = holds(say, rate, open)
		}
		if held {
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
func holds(say func(rateOrder) time.Duration, rate float64, open func() *rateTarget) bool {
	t := open()
	defer t.end()
	n := min(int(rate*rateFor.Seconds()), rateMost)
	took := say(rateOrder{To: t.at, Rate: rate, Count: n})
	slow := took.Seconds() > 1.1*float64(n)/rate
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

// ratePool are messages, different ones for v3 as those have to be.
func ratePool(version snmp.Version) ([][]byte, error) {
	vbs := []snmp.Varbind{snmp.Integer(panelIndex.Append(1), 1)}
	for i := range uint32(7) {
		vbs = append(vbs, snmp.Octets(panelIndex.Append(2, i), []byte("eight variables")))
	}
	build := snmp.Build{Version: version, Community: community, TrapOID: raised, Varbinds: vbs}
	size := 64
	if version == snmp.V3 {
		size = 200_000
		keys, err := usm.NewKeys(rateUser, factsEngine)
		if err != nil {
			return nil, err
		}
		build.Secure = snmp.Secure{User: rateUser.Name, Level: usm.AuthPriv, Keys: keys, EngineID: factsEngine, Boots: 1, Time: 100, ContextID: factsEngine}
	}
	pool := make([][]byte, size)
	for i := range pool {
		build.Secure.Salt, build.Secure.MsgID = uint64(i), int32(i)
		var err error
		if pool[i], err = build.Append(nil); err != nil {
			return nil, err
		}
	}
	return pool, nil
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
