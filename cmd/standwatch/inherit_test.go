package main

import (
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"example.net/standwatch/receiver"
)

// handed opens a UDP socket and returns it as a file of a name, as the service
// manager hands it over.
func handed(t *testing.T, name string) (*os.File, *net.UDPAddr) {
	t.Helper()
	conn, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	f, err := conn.File()
	if err != nil {
		t.Fatal(err)
	}
	at := conn.LocalAddr().(*net.UDPAddr)
	named := os.NewFile(dup(t, f), name)
	t.Cleanup(func() { _ = named.Close() }) // adopt has closed it
	return named, at
}

func dup(t *testing.T, f *os.File) uintptr {
	t.Helper()
	defer f.Close()
	fd, err := syscall.Dup(int(f.Fd()))
	if err != nil {
		t.Fatal(err)
	}
	return uintptr(fd)
}

func TestAdopt(t *testing.T) {
	named, at := handed(t, "field")
	byAddress, where := handed(t, "LISTEN_FD_4")
	listeners := []receiver.Listener{
		{Name: "other", Address: where.AddrPort()},
		{Name: "field", Address: netip.MustParseAddrPort("0.0.0.0:162")},
	}
	got, err := adopt(listeners, []*os.File{named, byAddress})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []*net.UDPAddr{where, at} {
		if got[i].Conn == nil || got[i].Conn.LocalAddr().String() != want.String() {
			t.Errorf("listener %s has %v, want %s", got[i].Name, got[i].Conn, want)
		}
		_ = got[i].Conn.Close()
	}
	if listeners[0].Conn != nil {
		t.Error("the configuration's own listeners were changed")
	}
	stray, _ := handed(t, "stray")
	if _, err := adopt(listeners, []*os.File{stray}); err == nil || !strings.Contains(err.Error(), `socket "stray"`) {
		t.Errorf("a socket that no listener is for: %v", err)
	}
	pipe, writer, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer writer.Close()
	if _, err := adopt(listeners, []*os.File{pipe}); err == nil {
		t.Error("a pipe is taken for a socket")
	}
}

// TestServeOnASocketHandedOver starts the program as the service manager does
// (sd_listen_fds(3)): the socket is open before it runs, and it needs no right
// to bind to it. What was sent before it was up is heard.
func TestServeOnASocketHandedOver(t *testing.T) {
	config, data := t.TempDir(), t.TempDir()
	for name, text := range map[string]string{
		"standwatch.yaml": "traps: {listeners: {field: {address: 203.0.113.7:162, community: c}}}\nsecurity: {communities: {c: \"${env:C}\"}}\nconsole: {listen: \"${env:CONSOLE}\"}\n",
		"people.yaml":     "routes: [{name: board, board-only: yes}]\n",
		"sites/one.yaml":  "sites: {one: {agents: {one-remote: {addresses: 127.0.0.1, community: c}}, points: {door: {severity: minor}}}}\n",
	} {
		path := filepath.Join(config, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	console := loopbackPort(t)
	socket, at := handed(t, "field")
	sender, err := net.DialUDP("udp4", nil, at)
	if err != nil {
		t.Fatal(err)
	}
	defer sender.Close()
	if _, err := sender.Write(v2("the community", pduTrap, []byte{1}, nil)); err != nil {
		t.Fatal(err)
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	// The shell becomes the program, so that LISTEN_PID is the program's. By the
	// name standwatch the test's binary is the program (TestMain).
	program := filepath.Join(t.TempDir(), "standwatch")
	if err := os.Symlink(self, program); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("/bin/sh", "-c", `LISTEN_PID=$$ exec "$0" "$@"`, program, "serve", "--config", config, "--data", data)
	cmd.Env = append(os.Environ(), "LISTEN_FDS=1", "LISTEN_FDNAMES=field", "C=the community", "CONSOLE="+console)
	cmd.ExtraFiles = []*os.File{socket}
	var log strings.Builder
	cmd.Stdout, cmd.Stderr = &log, &log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	killer := time.AfterFunc(30*time.Second, func() { _ = cmd.Process.Kill() }) // Wait reports it
	defer killer.Stop()
	var books struct {
		Listeners []struct {
			Address string `json:"address"`
			Arrived uint64 `json:"arrived"`
		} `json:"listener"`
	}
	token := ""
	await(t, "the daemon answers commands", func() bool {
		token, err = askToken(t.Context(), data)
		return err == nil
	})
	await(t, "the trap is counted", func() bool {
		return fetch(console, "/api/v1/intake", token, &books) == nil && len(books.Listeners) == 1 && books.Listeners[0].Arrived == 1
	})
	if got := books.Listeners[0].Address; got != at.String() {
		t.Errorf("listens at %s, want %s", got, at)
	}
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Errorf("ended with %v\n%s", err, fmt.Sprint(&log))
	}
}

// fetch reads a JSON answer of a program that may not be up yet.
func fetch(console, path, token string, into any) error {
	req, err := http.NewRequest(http.MethodGet, "http://"+console+path, nil)
	if err != nil {
		return err
	}
	req.Header.Set("Authorization", "Bearer "+token)
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	return json.NewDecoder(res.Body).Decode(into)
}
