package main

import (
	"bytes"
	endian "encoding/binary"
	"encoding/json"
	"net/netip"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/cmd/standwatch/rehearse"
	"example.net/standwatch/receiver/snmp"
)

// sent is a notification on its way to port 162.
type sent struct {
	at     time.Time
	from   netip.Addr
	number int
	inform bool
	id     int32
}

func (s sent) datagram(t testing.TB) []byte {
	t.Helper()
	build := snmp.Build{Version: snmp.V2c, Community: gatewaySecret, TrapOID: snmp.MustOID("1.3.6.1.4.1.32473.20.0." + strconv.Itoa(s.number)), Inform: s.inform, RequestID: s.id}
	datagram, err := build.Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	return datagram
}

// captured writes a capture of raw IPv4 (draft-ietf-opsawg-pcap, link type 101).
func captured(t testing.TB, traffic []sent) string {
	t.Helper()
	var b []byte
	word := func(n int) { b = endian.LittleEndian.AppendUint32(b, uint32(n)) }
	word(0xa1b2c3d4)
	word(2 | 4<<16)
	word(0)
	word(0)
	word(65535)
	word(101)
	for _, s := range traffic {
		data := s.datagram(t)
		source := s.from.As4()
		p := []byte{0x45, 0, 0, 0, 0, 1, 0, 0, 64, 17, 0, 0, source[0], source[1], source[2], source[3], 198, 51, 100, 1, 0x13, 0x88, 0, 162, 0, 0, 0, 0}
		endian.BigEndian.PutUint16(p[2:], uint16(28+len(data)))
		endian.BigEndian.PutUint16(p[24:], uint16(8+len(data)))
		p = append(p, data...)
		word(int(s.at.Unix()))
		word(s.at.Nanosecond() / 1000)
		word(len(p))
		word(len(p))
		b = append(b, p...)
	}
	name := filepath.Join(t.TempDir(), "night.pcap")
	if err := os.WriteFile(name, b, 0o600); err != nil {
		t.Fatal(err)
	}
	return name
}

// TestRehearseCapture: what a sniffer captured goes through a configuration at
// its times, with nothing to compare it with.
func TestRehearseCapture(t *testing.T) {
	t.Setenv("SMS", "http://127.0.0.1:1")
	t.Setenv("SECRET", gatewaySecret)
	conf := t.TempDir()
	for name, text := range rehearsedFiles("severity: minor", "severity: minor, raise-after: 30s") {
		if err := os.MkdirAll(filepath.Dir(filepath.Join(conf, name)), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(conf, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	at := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	remote, stranger := netip.MustParseAddr("127.9.60.1"), netip.MustParseAddr("203.0.113.9")
	file := captured(t, []sent{
		{at: at, from: remote, number: 1},
		{at: at.Add(10 * time.Second), from: remote, number: 2}, // closed before its delay was over
		{at: at.Add(time.Minute), from: remote, number: 1, inform: true, id: 7},
		{at: at.Add(65 * time.Second), from: remote, number: 1, inform: true, id: 7}, // sent again
		{at: at.Add(10 * time.Minute), from: remote, number: 2},
		{at: at.Add(11 * time.Minute), from: remote, number: 3},
		{at: at.Add(12 * time.Minute), from: stranger, number: 1}, // not on the allow list
	})
	call := func(args ...string) (int, string, string) {
		var out, complaint bytes.Buffer
		code := run(append([]string{"rehearse", "--config", conf, "--pcap", file}, args...), &out, &complaint)
		return code, out.String(), complaint.String()
	}
	var r rehearse.Result
	code, out, complaint := call("--form", "json")
	if code != exitGood || json.Unmarshal([]byte(out), &r) != nil {
		t.Fatalf("%d %s\n%s", code, complaint, out)
	}
	if r.Capture == nil || r.Capture.Packets != 7 || r.Capture.Datagrams != 7 || r.Notifications != 6 || r.Again != 1 || r.Refused != 1 ||
		r.Episodes != (rehearse.Pair{After: 1}) || r.Unmatched != (rehearse.Pair{After: 1}) || r.Messages.Before != 0 || r.Messages.After == 0 || len(r.Alarms) != 1 || r.Alarms[0].NewCount != 1 {
		t.Errorf("%s", out)
	}
	if got := r.Alarms[0].New[0]; !got.From.Equal(at.Add(90*time.Second)) || !got.To.Equal(at.Add(10*time.Minute)) {
		t.Errorf("the door stood from %s to %s", got.From, got.To)
	}
	if _, out, _ := call(); !strings.Contains(out, "The capture has 7 packets: 7 datagrams") || !strings.Contains(out, "1 datagrams were informs sent again") || !strings.Contains(out, "harrow-knoll/mains") {
		t.Errorf("%s", out)
	}
	if _, out, _ := call("--form", "html"); !strings.Contains(out, "The capture has 7 packets") {
		t.Errorf("%s", out)
	}
	if _, out, _ := call("--from", "2026-11-25T08:05", "--form", "json"); json.Unmarshal([]byte(out), &r) != nil || r.Episodes.After != 0 {
		t.Errorf("from the middle: %s", out)
	}
	if code, out, _ := call("--port", "10162"); code != exitGood || !strings.Contains(out, "0 datagrams to the ports, 7 others") || !strings.Contains(out, "Nothing of it is a notification") {
		t.Errorf("another port: %d %s", code, out)
	}
	for args, want := range map[string]string{"--port 70000": "a port is 1 to 65535", "--data x": "one of --data DIR and --pcap FILE"} {
		if code, _, complaint := call(strings.Fields(args)...); code != exitUsage || !strings.Contains(complaint, want) {
			t.Errorf("%s: %d %s", args, code, complaint)
		}
	}
	file = filepath.Join(conf, "people.yaml")
	if code, _, complaint := call(); code == exitGood || !strings.Contains(complaint, "no capture") {
		t.Errorf("no capture: %d %s", code, complaint)
	}
}
