//go:build linux

package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// What is sent: traps of two kinds about numbered instances, from one address.
const (
	community = "race"
	raiseOID  = "1.3.6.1.4.1.32473.20.0.1"
	clearOID  = "1.3.6.1.4.1.32473.20.0.2"
	numberOID = "1.3.6.1.4.1.32473.20.1.1"
	loadFrom  = "127.9.60.1"
	probeFrom = "127.9.60.2"
)

// daemonFiles is the configuration: two remotes with points of each kind that
// has to be decided about, consequences among them; nobody is called.
var daemonFiles = map[string]string{
	"standwatch.yaml": `
centre: {name: Race}
traps:
  listeners:
    race: {address: "${env:RACE_TRAPS}", allow: 127.0.0.0/8, community: race, buffer: BUFFER}
security: {communities: {race: "${env:RACE_COMMUNITY}"}}
console: {listen: "${env:RACE_CONSOLE}"}
`,
	"people.yaml": "routes: [{name: the board alone, board-only: yes}]\n",
	"rules/rules.yaml": `
use: [snmpv2, if, kestrel-remote]
rules:
  - name: fault came
    on: 1.3.6.1.4.1.32473.20.0.1
    observe: [{point: fault, instance: "${#1}", what: raise}]
  - name: fault went
    on: 1.3.6.1.4.1.32473.20.0.2
    observe: [{point: fault, instance: "${#1}", what: clear}]
`,
	"sites/sites.yaml": `
templates:
  hut:
    points:
      mains: {number: 1, name: Mains supply, alarm: Mains failed, normal: Mains present, class: power, severity: major}
      fault: {name: Fault, alarm: Fault, normal: No fault, severity: warning, explained-by: mains}
sites:
  alder-gap: {name: Alder Gap, templates: hut, agents: {alder-gap-remote: {addresses: 127.9.60.1, community: race}}}
  birch-hollow: {name: Birch Hollow, templates: hut, agents: {birch-hollow-remote: {addresses: 127.9.60.2, community: race}}}
`,
}

// daemon is a running `standwatch serve`.
type daemon struct {
	s                          settings
	traps, console, data, conf string
	profiles                   string
	cmd                        *exec.Cmd
	log                        bytes.Buffer // to be read when the process has ended
	ready                      time.Duration
}

// startDaemon starts one on a data folder, which is made when there is none.
func startDaemon(ctx context.Context, s settings, data string, room int) (*daemon, error) {
	d := &daemon{s: s, data: data, conf: data + ".conf"}
	udp, err := net.ListenPacket("udp4", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	d.traps = udp.LocalAddr().String()
	for _, into := range []*string{&d.console, &d.profiles} {
		tcp, err := net.Listen("tcp4", "127.0.0.1:0")
		if err != nil {
			return nil, errors.Join(err, udp.Close())
		}
		*into = tcp.Addr().String()
		if err := tcp.Close(); err != nil {
			return nil, err
		}
	}
	if err := udp.Close(); err != nil {
		return nil, err
	}
	if err := d.configure(room); err != nil {
		return nil, err
	}
	d.cmd = exec.CommandContext(ctx, s.program, "serve", "--config", d.conf, "--data", data, "--log-level", "warn", "--profile", d.profiles)
	d.cmd.Env = append(os.Environ(), "RACE_TRAPS="+d.traps, "RACE_CONSOLE="+d.console, "RACE_COMMUNITY="+community)
	d.cmd.Stdout, d.cmd.Stderr = &d.log, &d.log
	began := time.Now()
	if err := d.cmd.Start(); err != nil {
		return nil, err
	}
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for time.Since(began) < 2*time.Minute && ctx.Err() == nil {
		if answer, err := d.get("/readyz", ""); err == nil && strings.HasPrefix(answer, "ready") {
			d.ready = time.Since(began)
			return d, nil
		}
		<-tick.C
	}
	return nil, errors.Join(errors.New("the daemon did not become ready"), d.end(), errors.New(d.log.String()))
}

func (d *daemon) configure(room int) error {
	buffer := "BUFFER"
	for name, text := range daemonFiles {
		if room > 0 {
			text = strings.ReplaceAll(text, buffer, strconv.Itoa(room>>10)+"KiB")
		} else {
			text = strings.ReplaceAll(text, ", buffer: "+buffer, ", buffer: "+strconv.Itoa(systemRoom()>>10)+"KiB")
		}
		path := filepath.Join(d.conf, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			return err
		}
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			return err
		}
	}
	return nil
}

// systemRoom is the buffer that a socket has when nobody asks for one; the
// kernel doubles what is asked for (socket(7)).
func systemRoom() int {
	text, err := os.ReadFile("/proc/sys/net/core/rmem_default")
	n, bad := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil || bad != nil {
		return 104 << 10
	}
	return n / 2
}

func (d *daemon) target() string { return d.traps }
func (d *daemon) pid() int       { return d.cmd.Process.Pid }

func (d *daemon) end() error {
	return errors.Join(d.cmd.Process.Signal(syscall.SIGTERM), wait(d.cmd))
}

func (d *daemon) get(path, token string) (string, error) {
	req, err := http.NewRequest(http.MethodGet, "http://"+d.console+path, nil)
	if err != nil {
		return "", err
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return "", err
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if err == nil && res.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s: %s", path, res.Status)
	}
	return string(body), err
}

// token makes an account and a token, as a person would.
func (d *daemon) token(ctx context.Context) (string, error) {
	user := func(in string, args ...string) (string, error) {
		cmd := exec.CommandContext(ctx, d.s.program, append(append([]string{"user"}, args...), "--data", d.data)...)
		cmd.Stdin = strings.NewReader(in)
		out, err := cmd.Output()
		return string(out), err
	}
	password := filepath.Join(d.conf, "password")
	if err := os.WriteFile(password, []byte("a password for the race\n"), 0o600); err != nil {
		return "", err
	}
	if _, err := user("a password for the race\n", "add", "race-desk", "--role", "administer", "--password-file", password); err != nil {
		return "", fmt.Errorf("make an account: %w", err)
	}
	out, err := user("", "token", "race-desk", "--for", "race", "--role", "administer", "--days", "1")
	if err != nil {
		return "", fmt.Errorf("make a token: %w", err)
	}
	lines := strings.Fields(out)
	for _, f := range lines {
		if len(f) > 30 && !strings.ContainsAny(f, ".,:") {
			return f, nil
		}
	}
	return "", fmt.Errorf("no token in %q", out)
}

// heard is how many datagrams became records, by what the control socket's
// neighbour, the page of metrics, says; it needs a token.
func (m *measured) heard() (uint64, error) {
	text, err := m.get("/metrics", m.pass)
	if err != nil {
		return 0, err
	}
	var n float64
	for lines := bufio.NewScanner(strings.NewReader(text)); lines.Scan(); {
		line := lines.Text()
		if strings.HasPrefix(line, "standwatch_datagrams_ended_total") && strings.Contains(line, `fate="matched"`) {
			v, err := strconv.ParseFloat(line[strings.LastIndexByte(line, ' ')+1:], 64)
			if err != nil {
				return 0, err
			}
			n += v
		}
	}
	return uint64(n) - m.before, nil
}

// measured is a daemon that can be asked what it counted since it was begun with.
type measured struct {
	*daemon
	pass   string
	before uint64
}

func startMeasured(ctx context.Context, s settings, data string, room int) (*measured, error) {
	d, err := startDaemon(ctx, s, data, room)
	if err != nil {
		return nil, err
	}
	m := &measured{daemon: d}
	if m.pass, err = d.token(ctx); err != nil {
		return nil, errors.Join(err, d.end())
	}
	return m, nil
}
