// Package wiretest is the listening end for tests of what senders send: a
// [Master] decodes with the project's own decoder and answers v2c informs.
package wiretest

import (
	"fmt"
	"net"
	"net/netip"
	"sync"
	"testing"
	"time"

	"example.net/standwatch/receiver/snmp"
)

// Heard is one notification as the listening end understood it.
type Heard struct {
	From     netip.Addr
	Version  snmp.Version
	Inform   bool
	Request  int32
	TrapOID  string
	Varbinds []string // "oid=value"
	User     string   // v3, of which nothing else is understood
	Boots    uint32   // v3
}

// Master listens on a loopback port until the test ends. Received counts are
// bounded by 1,024 unread notifications.
type Master struct {
	conn   *net.UDPConn
	ignore int
	got    chan Heard
}

// Listen starts a master that leaves its first informs, ignore of them,
// unanswered.
func Listen(t *testing.T, ignore int) *Master {
	t.Helper()
	conn, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	m := &Master{conn: conn, ignore: ignore, got: make(chan Heard, 1024)}
	var wg sync.WaitGroup
	wg.Go(func() { m.serve(t) })
	t.Cleanup(func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
		wg.Wait()
	})
	return m
}

// Addr is where it listens.
func (m *Master) Addr() netip.AddrPort { return m.conn.LocalAddr().(*net.UDPAddr).AddrPort() }

func (m *Master) serve(t *testing.T) {
	var d snmp.Decoder
	buf := make([]byte, 65535)
	for {
		n, from, err := m.conn.ReadFromUDPAddrPort(buf)
		if err != nil {
			return
		}
		h, err := Understand(&d, buf[:n])
		if err != nil {
			t.Errorf("what came cannot be decoded: %v", err)
			continue
		}
		h.From = from.Addr()
		m.got <- h
		if !h.Inform {
			continue
		}
		if m.ignore > 0 {
			m.ignore--
			continue
		}
		answer, err := d.AppendResponseV2(nil)
		if err != nil {
			t.Error(err)
			continue
		}
		if _, err := m.conn.WriteToUDPAddrPort(answer, from); err != nil {
			t.Error(err)
		}
	}
}

// Understand decodes one datagram; d is that of the caller.
func Understand(d *snmp.Decoder, datagram []byte) (Heard, error) {
	msg, err := d.Parse(datagram)
	if err != nil {
		return Heard{}, err
	}
	h := Heard{Version: msg.Version}
	if msg.Version == snmp.V3 {
		h.User, h.Boots = string(msg.Security.User), msg.Security.Boots
		return h, nil
	}
	n, err := d.Notification()
	if err != nil {
		return Heard{}, err
	}
	h.Inform, h.Request, h.TrapOID = n.Inform, n.RequestID, snmp.OID(n.TrapOID).String()
	for _, vb := range n.Varbinds {
		h.Varbinds = append(h.Varbinds, fmt.Sprintf("%v=%v", snmp.OID(vb.Name), text(vb)))
	}
	return h, nil
}

// text shows octets as they are and anything else as an integer.
func text(vb snmp.Varbind) string {
	if vb.Tag == snmp.TagOctetString {
		return string(vb.Value)
	}
	v := int64(0)
	for i, b := range vb.Value {
		if i == 0 && b&0x80 != 0 {
			v = -1
		}
		v = v<<8 | int64(b)
	}
	return fmt.Sprint(v)
}

// Next returns what came next; nothing within 5 s fails the test.
func (m *Master) Next(t *testing.T) Heard {
	t.Helper()
	select {
	case h := <-m.got:
		return h
	case <-time.After(5 * time.Second):
		t.Fatal("nothing came within 5 s")
		return Heard{}
	}
}

// Unread is how many notifications came that [Master.Next] has not returned.
func (m *Master) Unread() int { return len(m.got) }
