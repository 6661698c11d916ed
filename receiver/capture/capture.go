// Package capture reads datagrams from files that a packet sniffer wrote: the
// classic format (draft-ietf-opsawg-pcap) and its successor
// (draft-ietf-opsawg-pcapng), over Ethernet with VLAN tags, Linux's cooked
// captures, loopback and raw IP, IPv4 and IPv6. The formats are the library's
// business; this package puts IPv4 fragments together again, and counts what it
// leaves out, so that its books balance: each packet is in exactly one count.
//
// It opens nothing, starts nothing and asks no clock.
package capture

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net/netip"
	"time"

	"github.com/gopacket/gopacket"
	"github.com/gopacket/gopacket/ip4defrag"
	"github.com/gopacket/gopacket/layers"
	"github.com/gopacket/gopacket/pcapgo"
)

// Datagram is one UDP datagram as it was captured.
type Datagram struct {
	At       time.Time // by the clock of the machine that captured
	From, To netip.AddrPort
	Octets   []byte // the caller's
}

// Counts say what became of each packet of a file.
type Counts struct {
	Packets   int `json:"packets"`
	Datagrams int `json:"datagrams"` // handed on; of several fragments the last one counts here
	Others    int `json:"others"`    // other protocols and ports
	Truncated int `json:"truncated"` // captured with a length limit that cut them
	Fragments int `json:"fragments"` // pieces of IPv4 datagrams, and IPv6 ones, which are not put together
	Broken    int `json:"broken"`    // no packets that could be understood
	// CutOff says that the file ends within a packet.
	CutOff bool `json:"cut-off,omitempty"`
}

// source is what both readers of the library are.
type source interface {
	ReadPacketData() ([]byte, gopacket.CaptureInfo, error)
	LinkType() layers.LinkType
}

// ErrFormat says that a file is no capture.
var ErrFormat = errors.New("this is no capture that can be read: it begins neither as pcap nor as pcapng")

// Read calls fn with each UDP datagram to a port that want likes, in the file's
// order, until fn returns an error, which Read returns. The counts are good up to
// where reading ended.
func Read(r io.Reader, want func(port uint16) bool, fn func(Datagram) error) (counts Counts, err error) {
	src, err := open(bufio.NewReaderSize(r, 1<<20))
	if err != nil {
		return Counts{}, err
	}
	c := &reader{want: want, defrag: ip4defrag.NewIPv4Defragmenter()}
	for {
		d, ok, err := c.next(src)
		if errors.Is(err, io.EOF) {
			return c.counts, nil
		}
		if err != nil {
			return c.counts, fmt.Errorf("read packet %d of the capture: %w", c.counts.Packets+1, err)
		}
		if !ok {
			continue
		}
		if err := fn(d); err != nil {
			return c.counts, err
		}
	}
}

// next reads one packet. A file may hold anything, so a panic of the library is an
// error of the file.
func (c *reader) next(src source) (d Datagram, ok bool, err error) {
	defer func() {
		if fault := recover(); fault != nil {
			err = fmt.Errorf("the packet cannot be taken apart: %v", fault)
		}
	}()
	data, info, err := src.ReadPacketData()
	if errors.Is(err, io.ErrUnexpectedEOF) {
		c.counts.CutOff = true
		return d, false, io.EOF
	}
	if err != nil {
		return d, false, err
	}
	link := src.LinkType()
	for _, more := range info.AncillaryData { // each interface of the file may be of another kind
		if kind, ok := more.(layers.LinkType); ok {
			link = kind
		}
	}
	d, to := c.packet(data, info, link)
	c.counts.Packets++
	*to++
	return d, to == &c.counts.Datagrams, nil
}

// Magic numbers, in the order of octets of a little-endian writer: microseconds
// and nanoseconds of pcap (draft-ietf-opsawg-pcap section 4), and the section
// header block of pcapng (draft-ietf-opsawg-pcapng section 4.1).
const (
	magicMicro   = 0xa1b2c3d4
	magicNano    = 0xa1b23c4d
	magicSection = 0x0a0d0d0a
)

func open(in *bufio.Reader) (source, error) {
	head, err := in.Peek(4)
	if err != nil {
		return nil, ErrFormat
	}
	little, big := binary.LittleEndian.Uint32(head), binary.BigEndian.Uint32(head)
	var src source
	switch {
	case little == magicSection:
		src, err = pcapgo.NewNgReader(in, pcapgo.NgReaderOptions{WantMixedLinkType: true, SkipUnknownVersion: true})
	case little == magicMicro, little == magicNano, big == magicMicro, big == magicNano:
		src, err = pcapgo.NewReader(in)
	default:
		return nil, ErrFormat
	}
	if err != nil {
		return nil, fmt.Errorf("open the capture: %w", err)
	}
	return src, nil
}

type reader struct {
	want   func(uint16) bool
	defrag *ip4defrag.IPv4Defragmenter
	counts Counts
}

// packet takes one packet apart, and says in which count it is.
func (c *reader) packet(data []byte, info gopacket.CaptureInfo, link layers.LinkType) (Datagram, *int) {
	d := Datagram{At: info.Timestamp}
	if info.CaptureLength < info.Length {
		return d, &c.counts.Truncated
	}
	p := gopacket.NewPacket(data, link, gopacket.DecodeOptions{Lazy: true, NoCopy: true})
	var from, to netip.Addr
	udp, _ := p.Layer(layers.LayerTypeUDP).(*layers.UDP)
	if ip, ok := p.Layer(layers.LayerTypeIPv4).(*layers.IPv4); ok {
		from, to = addrOf(ip.SrcIP), addrOf(ip.DstIP)
		if ip.Flags&layers.IPv4MoreFragments != 0 || ip.FragOffset != 0 {
			whole := c.together(ip, info.Timestamp)
			if whole == nil || whole.Protocol != layers.IPProtocolUDP {
				return d, &c.counts.Fragments
			}
			udp = &layers.UDP{}
			if udp.DecodeFromBytes(whole.Payload, gopacket.NilDecodeFeedback) != nil {
				return d, &c.counts.Broken
			}
		}
	} else if ip, ok := p.Layer(layers.LayerTypeIPv6).(*layers.IPv6); ok {
		from, to = addrOf(ip.SrcIP), addrOf(ip.DstIP)
		if p.Layer(layers.LayerTypeIPv6Fragment) != nil {
			return d, &c.counts.Fragments
		}
	}
	switch {
	case udp == nil && p.ErrorLayer() != nil, udp != nil && int(udp.Length) != 8+len(udp.Payload):
		return d, &c.counts.Broken
	case udp == nil || !from.IsValid() || !to.IsValid() || !c.want(uint16(udp.DstPort)):
		return d, &c.counts.Others
	}
	d.From, d.To = netip.AddrPortFrom(from, uint16(udp.SrcPort)), netip.AddrPortFrom(to, uint16(udp.DstPort))
	d.Octets = append([]byte(nil), udp.Payload...)
	return d, &c.counts.Datagrams
}

// together returns the datagram that a fragment completes, or nil. A sender gives
// up one that is not whole within a minute or two (RFC 1122 section 3.3.2).
func (c *reader) together(ip *layers.IPv4, at time.Time) *layers.IPv4 {
	c.defrag.DiscardOlderThan(at.Add(-2 * time.Minute))
	whole, err := c.defrag.DefragIPv4WithTimestamp(ip, at)
	if err != nil {
		return nil
	}
	return whole
}

func addrOf(ip []byte) netip.Addr {
	a, _ := netip.AddrFromSlice(ip) // of another length: not valid, which is looked at
	return a.Unmap()
}
