package capture

import (
	"bytes"
	"errors"
	"io"
	"net"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/layers"
	"github.com/gopacket/gopacket/pcapgo"
)

var start = time.Date(2026, 11, 25, 6, 0, 0, 123456000, time.UTC)

// packet lays layers around a payload, checksums and lengths included.
func packet(t testing.TB, payload []byte, l ...gopacket.SerializableLayer) []byte {
	t.Helper()
	b := gopacket.NewSerializeBuffer()
	if err := gopacket.SerializeLayers(b, gopacket.SerializeOptions{FixLengths: true, ComputeChecksums: true}, append(l, gopacket.Payload(payload))...); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func udp(t testing.TB, port uint16, ip gopacket.SerializableLayer) *layers.UDP {
	t.Helper()
	u := &layers.UDP{SrcPort: 5000, DstPort: layers.UDPPort(port)}
	if err := u.SetNetworkLayerForChecksum(ip.(gopacket.NetworkLayer)); err != nil {
		t.Fatal(err)
	}
	return u
}

func v4() *layers.IPv4 {
	return &layers.IPv4{Version: 4, TTL: 64, Id: 7, Protocol: layers.IPProtocolUDP, SrcIP: net.IPv4(192, 0, 2, 10).To4(), DstIP: net.IPv4(198, 51, 100, 1).To4()}
}

func v6() *layers.IPv6 {
	return &layers.IPv6{Version: 6, HopLimit: 64, NextHeader: layers.IPProtocolUDP, SrcIP: net.ParseIP("2001:db8::10"), DstIP: net.ParseIP("2001:db8::1")}
}

func ethernet(kind layers.EthernetType) *layers.Ethernet {
	return &layers.Ethernet{SrcMAC: net.HardwareAddr{2, 0, 0, 0, 0, 1}, DstMAC: net.HardwareAddr{2, 0, 0, 0, 0, 2}, EthernetType: kind}
}

func classic(t testing.TB, link layers.LinkType, packets ...[]byte) *bytes.Buffer {
	t.Helper()
	var b bytes.Buffer
	w := pcapgo.NewWriter(&b)
	if err := w.WriteFileHeader(65536, link); err != nil {
		t.Fatal(err)
	}
	for i, p := range packets {
		if err := w.WritePacket(gopacket.CaptureInfo{Timestamp: start.Add(time.Duration(i) * time.Second), CaptureLength: len(p), Length: len(p)}, p); err != nil {
			t.Fatal(err)
		}
	}
	return &b
}

func port162(port uint16) bool { return port == 162 }

func readAll(t testing.TB, r io.Reader) ([]Datagram, Counts) {
	t.Helper()
	var got []Datagram
	counts, err := Read(r, port162, func(d Datagram) error { got = append(got, d); return nil })
	if err != nil {
		t.Fatal(err)
	}
	if sum := counts.Datagrams + counts.Others + counts.Truncated + counts.Fragments + counts.Broken; sum != counts.Packets {
		t.Errorf("the books do not balance: %+v", counts)
	}
	return got, counts
}

func TestLinks(t *testing.T) {
	trap := []byte("a notification")
	ip4, ip6 := v4(), v6()
	cooked := append([]byte{0, 0, 0, 1, 0, 6, 2, 0, 0, 0, 0, 1, 0, 0, 8, 0}, packet(t, trap, ip4, udp(t, 162, ip4))...)
	loop := append([]byte{2, 0, 0, 0}, packet(t, trap, ip4, udp(t, 162, ip4))...)
	for name, tt := range map[string]struct {
		link   layers.LinkType
		packet []byte
		v6     bool
	}{
		"ethernet, IPv4": {layers.LinkTypeEthernet, packet(t, trap, ethernet(layers.EthernetTypeIPv4), ip4, udp(t, 162, ip4)), false},
		"ethernet, IPv6": {layers.LinkTypeEthernet, packet(t, trap, ethernet(layers.EthernetTypeIPv6), ip6, udp(t, 162, ip6)), true},
		"VLAN":           {layers.LinkTypeEthernet, packet(t, trap, ethernet(layers.EthernetTypeDot1Q), &layers.Dot1Q{VLANIdentifier: 20, Type: layers.EthernetTypeIPv4}, ip4, udp(t, 162, ip4)), false},
		"raw IPv4":       {layers.LinkTypeRaw, packet(t, trap, ip4, udp(t, 162, ip4)), false},
		"raw IPv6":       {layers.LinkTypeRaw, packet(t, trap, ip6, udp(t, 162, ip6)), true},
		"cooked":         {layers.LinkTypeLinuxSLL, cooked, false},
		"loopback":       {layers.LinkTypeNull, loop, false},
	} {
		t.Run(name, func(t *testing.T) {
			got, counts := readAll(t, classic(t, tt.link, tt.packet))
			from, to := "192.0.2.10:5000", "198.51.100.1:162"
			if tt.v6 {
				from, to = "[2001:db8::10]:5000", "[2001:db8::1]:162"
			}
			want := []Datagram{{At: start, From: netip.MustParseAddrPort(from), To: netip.MustParseAddrPort(to), Octets: trap}}
			if diff := cmp.Diff(want, got, cmp.Comparer(func(a, b netip.AddrPort) bool { return a == b })); diff != "" || counts.Datagrams != 1 {
				t.Errorf("%+v\n%s", counts, diff)
			}
		})
	}
}

// Fragments come together again in any order, and one that never comes is said.
func TestFragments(t *testing.T) {
	trap := bytes.Repeat([]byte("0123456789abcdef"), 125) // 2,000 octets
	ip := v4()
	whole := packet(t, trap, ip, udp(t, 162, ip))[20:] // from the UDP header on
	piece := func(id uint16, at, end int) []byte {
		f := v4()
		f.Id, f.FragOffset = id, uint16(at/8)
		if end < len(whole) {
			f.Flags = layers.IPv4MoreFragments
		}
		return packet(t, whole[at:end], ethernet(layers.EthernetTypeIPv4), f)
	}
	got, counts := readAll(t, classic(t, layers.LinkTypeEthernet, piece(1, 1480, len(whole)), piece(1, 0, 1480), piece(2, 0, 1480)))
	if len(got) != 1 || !bytes.Equal(got[0].Octets, trap) || counts != (Counts{Packets: 3, Datagrams: 1, Fragments: 2}) {
		t.Errorf("%+v, %d datagrams", counts, len(got))
	}
}

func TestBooks(t *testing.T) {
	ip := v4()
	good := packet(t, []byte("x"), ethernet(layers.EthernetTypeIPv4), ip, udp(t, 162, ip))
	other := packet(t, []byte("x"), ethernet(layers.EthernetTypeIPv4), ip, udp(t, 514, ip))
	short := bytes.Clone(good)
	short[14+20+5] += 9 // the UDP length says more than there is
	file := classic(t, layers.LinkTypeEthernet, good, other, short, []byte{1, 2, 3})
	w := pcapgo.NewWriter(file)
	if err := w.WritePacket(gopacket.CaptureInfo{Timestamp: start, CaptureLength: 30, Length: len(good)}, good[:30]); err != nil {
		t.Fatal(err)
	}
	_, counts := readAll(t, bytes.NewReader(file.Bytes()))
	if want := (Counts{Packets: 5, Datagrams: 1, Others: 1, Truncated: 1, Broken: 2}); counts != want {
		t.Errorf("got %+v, want %+v", counts, want)
	}
	_, counts = readAll(t, bytes.NewReader(file.Bytes()[:file.Len()-3]))
	if !counts.CutOff || counts.Packets != 4 {
		t.Errorf("a file that was cut off: %+v", counts)
	}
	for _, text := range []string{"", "abc", "this is no capture at all, whatever its name says"} {
		if _, err := Read(strings.NewReader(text), port162, nil); !errors.Is(err, ErrFormat) {
			t.Errorf("%q: %v", text, err)
		}
	}
	enough := errors.New("enough")
	if _, err := Read(bytes.NewReader(file.Bytes()), port162, func(Datagram) error { return enough }); !errors.Is(err, enough) {
		t.Errorf("told to end: %v", err)
	}
}

// A pcapng file may have interfaces of several kinds, with times to the
// nanosecond.
func TestSuccessor(t *testing.T) {
	ip := v4()
	var b bytes.Buffer
	w, err := pcapgo.NewNgWriter(&b, layers.LinkTypeEthernet)
	if err != nil {
		t.Fatal(err)
	}
	raw, err := w.AddInterface(pcapgo.NgInterface{Name: "tun0", LinkType: layers.LinkTypeRaw, TimestampResolution: 9})
	if err != nil {
		t.Fatal(err)
	}
	at := start.Add(789)
	for i, p := range [][]byte{packet(t, []byte("one"), ethernet(layers.EthernetTypeIPv4), ip, udp(t, 162, ip)), packet(t, []byte("two"), ip, udp(t, 162, ip))} {
		if err := w.WritePacket(gopacket.CaptureInfo{Timestamp: at, CaptureLength: len(p), Length: len(p), InterfaceIndex: i * raw}, p); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	got, _ := readAll(t, &b)
	if len(got) != 2 || string(got[0].Octets) != "one" || string(got[1].Octets) != "two" || !got[1].At.Equal(at) {
		t.Errorf("got %+v", got)
	}
}

// FuzzRead: whatever a file holds, reading ends without a panic, and the books
// balance.
func FuzzRead(f *testing.F) {
	ip, six := v4(), v6()
	f.Add(classic(f, layers.LinkTypeEthernet, packet(f, []byte("x"), ethernet(layers.EthernetTypeIPv4), ip, udp(f, 162, ip))).Bytes())
	f.Add(classic(f, layers.LinkTypeRaw, packet(f, []byte("x"), six, udp(f, 162, six))).Bytes())
	var b bytes.Buffer
	w, err := pcapgo.NewNgWriter(&b, layers.LinkTypeEthernet)
	if err != nil {
		f.Fatal(err)
	}
	p := packet(f, []byte("x"), ethernet(layers.EthernetTypeIPv4), ip, udp(f, 162, ip))
	if err := errors.Join(w.WritePacket(gopacket.CaptureInfo{Timestamp: start, CaptureLength: len(p), Length: len(p)}, p), w.Flush()); err != nil {
		f.Fatal(err)
	}
	f.Add(b.Bytes())
	f.Fuzz(func(t *testing.T, file []byte) {
		n := 0
		counts, _ := Read(bytes.NewReader(file), func(uint16) bool { return true }, func(Datagram) error { n++; return nil }) // an error is one way to end
		if sum := counts.Datagrams + counts.Others + counts.Truncated + counts.Fragments + counts.Broken; sum != counts.Packets || n != counts.Datagrams {
			t.Errorf("the books do not balance: %+v, %d handed on", counts, n)
		}
	})
}
