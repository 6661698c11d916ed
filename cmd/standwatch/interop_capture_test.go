//go:build interop

package main

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/cmd/standwatch/rehearse"
)

// TestInteropCapture: files that an independent sniffer's tools write, in both
// formats and over both addresses' families, say the same.
func TestInteropCapture(t *testing.T) {
	t.Setenv("SMS", "http://127.0.0.1:1")
	t.Setenv("SECRET", gatewaySecret)
	conf := t.TempDir()
	for name, text := range rehearsedFiles("addresses: 127.9.60.1", "addresses: [127.9.60.1, \"2001:db8::10\"]", "127.0.0.0/8", "[127.0.0.0/8, \"2001:db8::/32\"]") {
		if err := os.MkdirAll(filepath.Dir(filepath.Join(conf, name)), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(conf, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	at := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	var dump strings.Builder // as a person's hexadecimal dump, with the time before each packet
	for i, n := range []int{1, 2, 1} {
		octets := sent{number: n, from: netip.Addr{}}.datagram(t)
		dump.WriteString(at.Add(time.Duration(i) * time.Minute).Format("2006-01-02 15:04:05.000\n"))
		dump.WriteString("000000 " + strings.TrimSpace(spaced(hex.EncodeToString(octets))) + "\n\n")
	}
	for _, form := range []string{"pcap", "pcapng"} {
		for _, addresses := range [][]string{{"-4", "127.9.60.1,198.51.100.1"}, {"-6", "2001:db8::10,2001:db8::1"}} {
			file := filepath.Join(t.TempDir(), "night."+form)
			cmd := exec.CommandContext(t.Context(), "text2pcap", "-q", "-F", form, "-t", "%Y-%m-%d %H:%M:%S.%f", "-u", "5000,162", addresses[0], addresses[1], "-", file)
			cmd.Env = append(os.Environ(), "TZ=UTC")
			cmd.Stdin = strings.NewReader(dump.String())
			if text, err := cmd.CombinedOutput(); err != nil {
				t.Fatalf("%v: %v\n%s", cmd.Args, err, text)
			}
			var out, complaint bytes.Buffer
			var r rehearse.Result
			if code := run([]string{"rehearse", "--config", conf, "--pcap", file, "--form", "json"}, &out, &complaint); code != exitGood || json.Unmarshal(out.Bytes(), &r) != nil {
				t.Fatalf("%d %s", code, &complaint)
			}
			if r.Capture.Datagrams != 3 || r.Notifications != 3 || r.Episodes.After != 2 || r.Refused+r.Unmatched.After != 0 || !r.From.Equal(at) || !r.To.Equal(at.Add(2*time.Minute)) {
				t.Errorf("%s %v: %s", form, addresses, &out)
			}
		}
	}
}

// spaced puts a space between octets.
func spaced(text string) string {
	var b strings.Builder
	for i := 0; i+1 < len(text); i += 2 {
		b.WriteString(text[i:i+2] + " ")
	}
	return b.String()
}
