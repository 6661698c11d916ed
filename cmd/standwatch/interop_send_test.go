//go:build interop

package main

import (
	"bytes"
	endian "encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net"
	"net/http"
	"net/http/httptest"
	netmail "net/mail"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-smtp"
)

// sendFiles raise one alarm by themselves: nobody is on call in a roster that
// has its turns in another century.
var sendFiles = map[string]string{
	"people.yaml": `
people: {desk: {reach: [{gateway: out, to: "${env:TRIAL_TO}"}]}}
rosters: {empty: {turns: [{people: desk, start: 2999-01-05, hand-over: "08:00", every: week}]}}
ladders: {one: {rungs: [{tell: [{person: desk}], wait: 1h}]}}
routes: [{name: holes, sites: self, points: roster, ladder: one}, {name: rest, board-only: yes}]
`,
	"sites/sites.yaml": "sites: {tern-point: {points: {mains: {alarm: Mains failed, severity: major}}}}\n",
}

// sendDaemon has its one gateway appended.
const sendDaemon = `
centre: {name: Crash trial}
traps: {listeners: {field: {address: "127.0.0.1:0"}}}
console: {listen: "${env:TRIAL_CONSOLE}"}
`

// deed is what a gateway does with the first message that it is given.
type deed int

const (
	acceptNow deed = iota
	refuseNow      // with an answer that asks to try again
	killFirst      // the daemon dies while it waits
	killAfter      // the daemon dies once it is answered
)

// sendTrial is a daemon in a process of its own and a gateway in ours.
type sendTrial struct {
	testing.TB
	dir, console, to string
	cmd              *exec.Cmd

	mu    sync.Mutex // guards what follows
	texts []handedOver
	first deed
	came  chan struct{}
}

// handedOver is a message as the gateway got it: what makes it the same
// message, and its text or subject.
type handedOver struct{ ref, text string }

// newSendTrial writes a configuration whose only gateway, out, is as said.
func newSendTrial(t *testing.T, first deed, gateway func(*sendTrial) (config, to string)) *sendTrial {
	s := &sendTrial{TB: t, dir: t.TempDir(), console: loopbackPort(t), first: first, came: make(chan struct{}, 100)}
	config, to := gateway(s)
	s.to = to
	files := maps.Clone(sendFiles)
	files["standwatch.yaml"] = sendDaemon + "gateways: {out: " + config + "}\n"
	for name, text := range files {
		path := filepath.Join(s.dir, "config", name)
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return s
}

// took notes a message and says what to do with it.
func (s *sendTrial) took(ref, text string) deed {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.texts = append(s.texts, handedOver{ref, text})
	first := s.first
	s.first = acceptNow
	return first
}

// bySMS is a gateway that takes HTTP requests.
func bySMS(s *sendTrial) (config, to string) {
	gateway := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var m map[string]string
		body, err := io.ReadAll(r.Body)
		if err == nil {
			err = json.Unmarshal(body, &m)
		}
		if err != nil {
			s.Errorf("the gateway got %v", err)
			return
		}
		switch do := s.took(m["ref"], m["text"]); do {
		case refuseNow:
			w.WriteHeader(http.StatusServiceUnavailable)
		case killFirst:
			s.kill()
		case acceptNow, killAfter:
			fmt.Fprint(w, `{"id":"g1"}`)
			if err := http.NewResponseController(w).Flush(); err != nil {
				s.Error(err)
			}
			if do == killAfter {
				s.kill()
			}
		}
		s.came <- struct{}{}
	}))
	s.Cleanup(gateway.Close)
	return fmt.Sprintf(`{sms-http: {url: %q, body: '{"ref":"${id}","to":"${to}","text":"${text}"}', id-path: id}}`, gateway.URL), "+13035550111"
}

// byMail is a mail server.
func byMail(s *sendTrial) (config, to string) {
	at, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		s.Fatal(err)
	}
	server := smtp.NewServer(mailTrial{s})
	server.Domain = "mail.example.net"
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		_ = server.Serve(at) // its end is Close
	}()
	s.Cleanup(func() {
		_ = server.Close() // of a test that has ended
		<-ended
	})
	return fmt.Sprintf("{mail: {host: 127.0.0.1, port: %d, tls: none, from: standwatch@example.net}}", at.Addr().(*net.TCPAddr).Port), "desk@example.net"
}

type mailTrial struct{ s *sendTrial }

func (m mailTrial) NewSession(*smtp.Conn) (smtp.Session, error) { return &mailSession{s: m.s}, nil }

type mailSession struct {
	s    *sendTrial
	then func() // once the end of data is answered
}

func (*mailSession) Mail(string, *smtp.MailOptions) error { return nil }
func (*mailSession) Rcpt(string, *smtp.RcptOptions) error { return nil }
func (*mailSession) Logout() error                        { return nil }

func (m *mailSession) Reset() {
	if m.then != nil {
		m.then()
		m.then = nil
	}
}

func (m *mailSession) Data(r io.Reader) error {
	mail, err := netmail.ReadMessage(r)
	if err != nil {
		return err
	}
	told := func() { m.s.came <- struct{}{} }
	m.then = told
	switch m.s.took(mail.Header.Get("Message-ID"), mail.Header.Get("Subject")) {
	case refuseNow:
		return &smtp.SMTPError{Code: 451, EnhancedCode: smtp.EnhancedCode{4, 3, 0}, Message: "come again"}
	case killFirst:
		m.s.kill()
	case killAfter:
		m.then = func() {
			m.s.kill()
			told()
		}
	case acceptNow:
	}
	return nil
}

// bySMPP is a service centre: as much of SMPP 3.4 as a send needs (sections
// 4.1.5, 4.4 and 4.11 with table 5-1's command_ids).
func bySMPP(s *sendTrial) (config, to string) {
	at, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		s.Fatal(err)
	}
	var sessions sync.WaitGroup
	sessions.Go(func() {
		for {
			conn, err := at.Accept()
			if err != nil {
				return
			}
			sessions.Go(func() { s.centre(conn) })
		}
	})
	s.Cleanup(func() {
		_ = at.Close() // of a test that has ended
		s.kill()       // ends the sessions
		sessions.Wait()
	})
	return fmt.Sprintf("{smpp: {host: 127.0.0.1, port: %d, tls: none, system-id: kestrel, password: \"${env:TRIAL_SMPP}\", from: KESTREL}}", at.Addr().(*net.TCPAddr).Port), "+13035550111"
}

func (s *sendTrial) centre(conn net.Conn) {
	defer conn.Close()
	const enquireLink, bindTransceiver, submitSM, unbind, answer = 0x15, 0x09, 0x04, 0x06, 0x8000_0000
	for {
		head := make([]byte, 16)
		if _, err := io.ReadFull(conn, head); err != nil {
			return
		}
		body := make([]byte, endian.BigEndian.Uint32(head)-16)
		if _, err := io.ReadFull(conn, body); err != nil {
			return
		}
		command, status, reply := endian.BigEndian.Uint32(head[4:]), uint32(0), []byte(nil)
		do := acceptNow
		switch command {
		case bindTransceiver:
			reply = []byte("centre\x00")
		case submitSM:
			reply = []byte("g1\x00")
			// The text is the last mandatory field, after its length.
			_, text, _ := bytes.Cut(body, []byte("13035550111\x00"))
			do = s.took("", string(text[10:]))
			if do == refuseNow {
				status, reply = 0x08, nil // ESME_RSYSERR
			}
			if do == killFirst {
				s.kill()
			}
		case enquireLink, unbind:
		default:
			continue
		}
		out := endian.BigEndian.AppendUint32(nil, uint32(16+len(reply)))
		out = endian.BigEndian.AppendUint32(out, command|answer)
		out = endian.BigEndian.AppendUint32(out, status)
		out = append(append(out, head[12:]...), reply...)
		_, err := conn.Write(out)
		if command != submitSM {
			if err != nil {
				return
			}
			continue
		}
		if do == killAfter {
			s.kill()
		}
		s.came <- struct{}{}
	}
}

func (s *sendTrial) start() {
	s.Helper()
	s.cmd = exec.CommandContext(s.Context(), "standwatch", "serve", "--config", filepath.Join(s.dir, "config"), "--data", filepath.Join(s.dir, "data"), "--log-level", "error")
	s.cmd.Env = append(os.Environ(), "TRIAL_CONSOLE="+s.console, "TRIAL_TO="+s.to, "TRIAL_SMPP=s3cret")
	s.cmd.Stderr = os.Stderr
	if err := s.cmd.Start(); err != nil {
		s.Fatal(err)
	}
}

// kill ends the daemon with SIGKILL, wherever it is.
func (s *sendTrial) kill() {
	// A process that has ended already is what is wanted.
	_ = s.cmd.Process.Kill()
	_ = s.cmd.Wait()
}

func (s *sendTrial) request() {
	s.Helper()
	select {
	case <-s.came:
	case <-time.After(time.Minute):
		s.Fatal("the gateway was not asked within a minute")
	}
}

// accepted waits until the outbox shows the message as accepted, and returns
// its attempts.
func (s *sendTrial) accepted() int {
	s.Helper()
	tick := time.NewTicker(200 * time.Millisecond)
	defer tick.Stop()
	for end := time.After(time.Minute); ; {
		var out struct {
			Message []struct {
				State   string
				Attempt []struct{ Outcome string }
			}
		}
		if s.outbox(&out) == nil && len(out.Message) == 1 && out.Message[0].State == "accepted" {
			return len(out.Message[0].Attempt)
		}
		select {
		case <-tick.C:
		case <-end:
			s.Fatalf("the message is not accepted within a minute: %+v", out)
		}
	}
}

// outbox asks the daemon for its outbox.
func (s *sendTrial) outbox(into any) error {
	token, err := askToken(s.Context(), filepath.Join(s.dir, "data"))
	if err != nil {
		return err
	}
	req, err := http.NewRequestWithContext(s.Context(), http.MethodGet, "http://"+s.console+"/api/v1/outbox", nil)
	if err != nil {
		return err
	}
	req.Header.Set("Authorization", "Bearer "+token)
	r, err := http.DefaultClient.Do(req)
	if err != nil {
		return err
	}
	defer r.Body.Close()
	return json.NewDecoder(r.Body).Decode(into)
}

// TestInteropSendSurvivesKill kills the daemon at every step of a send by
// every kind of way out that has steps: before the gateway can be reached, while it
// is being asked, just after it took the message, and after that was recorded. The
// message always arrives, under one ID; a second copy comes only where it must,
// marked as one.
func TestInteropSendSurvivesKill(t *testing.T) {
	gateways := []struct {
		name string
		make func(*sendTrial) (config, to string)
	}{{"sms-http", bySMS}, {"mail", byMail}, {"smpp", bySMPP}}
	steps := []struct {
		name   string
		first  deed
		until  func(s *sendTrial)
		copies int // the gateway is asked so often in all, at most
	}{
		{"queued, refused for now", refuseNow, (*sendTrial).request, 2},
		{"while being asked", killFirst, (*sendTrial).request, 2},
		{"taken, not yet recorded", killAfter, (*sendTrial).request, 2},
		{"recorded", acceptNow, func(s *sendTrial) { s.request(); s.accepted() }, 1},
	}
	copies, kills := 0, 0
	for _, gateway := range gateways {
		for _, step := range steps {
			t.Run(gateway.name+", "+step.name, func(t *testing.T) {
				s := newSendTrial(t, step.first, gateway.make)
				s.start()
				step.until(s)
				s.kill()
				kills++
				s.start()
				defer s.kill()
				attempts := s.accepted()
				s.mu.Lock()
				defer s.mu.Unlock()
				if len(s.texts) > step.copies || attempts < 1 {
					t.Errorf("asked %d times, %d attempts on record", len(s.texts), attempts)
				}
				original := s.texts[0]
				for i, m := range s.texts {
					text, marked := strings.CutPrefix(m.text, "COPY ")
					if m.ref != original.ref || text != original.text || (i == 0 && marked) {
						t.Errorf("text %d: %q, the first %q", i, m, original)
					}
					if i > 0 {
						copies++
						if step.first != refuseNow && !marked {
							t.Errorf("a second copy is not marked: %q", m)
						}
					}
				}
			})
		}
	}
	t.Logf("%d second copies over %d kills", copies, kills)
}
