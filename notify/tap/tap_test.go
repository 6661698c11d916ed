package tap

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
	"example.net/standwatch/notify/tty"
)

var note = correlate.Message{ID: "m17-0", Address: "5551234", Body: "SITE 7 GEN FAIL"}

var _ notify.Wide = (*Channel)(nil)

// TestChecksum: the worked values of the project's collection of facts.
func TestChecksum(t *testing.T) {
	for block, want := range map[string]string{"\x02123\rABC\r\x03": "17;", "\x025551234\rSITE 7 GEN FAIL\r\x03": "54:"} {
		if got := checksum(block); got != want {
			t.Errorf("%q: %s, want %s", block, got, want)
		}
	}
}

// step is what a terminal waits for, and what it says then.
type step struct{ wait, say string }

// newTerminal plays one call for each script, by TCP.
func newTerminal(t testing.TB, scripts ...[]step) Options {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var group sync.WaitGroup
	group.Go(func() {
		for _, script := range scripts {
			conn, err := ln.Accept()
			if err != nil {
				return
			}
			group.Go(func() { play(conn, script) })
		}
	})
	t.Cleanup(func() { ln.Close(); group.Wait() })
	return Options{Line: tty.Options{Device: "tcp:" + ln.Addr().String()}, Timeout: 3 * time.Second, Answer: 200 * time.Millisecond}
}

// play follows a script and then keeps the line open until the caller ends it.
func play(conn net.Conn, script []step) {
	defer conn.Close()
	var have []byte
	buf := make([]byte, 512)
	for _, s := range script {
		if s.wait == "cut" {
			return
		}
		for !bytes.Contains(have, []byte(s.wait)) {
			n, err := conn.Read(buf)
			if err != nil {
				return
			}
			have = append(have, buf[:n]...)
		}
		have = have[bytes.Index(have, []byte(s.wait))+len(s.wait):]
		if _, err := io.WriteString(conn, s.say); err != nil {
			return
		}
	}
	_, _ = io.Copy(io.Discard, conn) // until the caller closes
}

const block7 = "\x025551234\rSITE 7 GEN FAIL\r\x0354:\r"

var (
	hello  = step{"\r", "ID="}
	logOn  = step{"\x1bPG1\r", "114 Welcome\r\x06\r\x1b[p\r"}
	taken  = step{block7, "211 Page accepted\r\x06\r"}
	resend = step{block7, "\x15\r"}
	leave  = step{"\x04\r", "115 Goodbye\r\x1b\x04\r"}
)

func send(t *testing.T, o Options, m correlate.Message) notify.Result {
	t.Helper()
	c, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return c.Send(t.Context(), m)
}

// TestCalls: calls that go well and calls that do not.
func TestCalls(t *testing.T) {
	for name, c := range map[string]struct {
		script []step
		want   notify.Result
	}{
		"taken":          {[]step{hello, logOn, taken, leave}, notify.Result{Outcome: correlate.Accepted, Answer: "ACK 211 Page accepted"}},
		"second try":     {[]step{hello, logOn, resend, taken, leave}, notify.Result{Outcome: correlate.Accepted, Answer: "ACK 211 Page accepted"}},
		"never whole":    {[]step{hello, logOn, resend, resend, resend}, notify.Result{Outcome: correlate.Temporary, Answer: "the terminal did not get the block whole (NAK)"}},
		"unknown pager":  {[]step{hello, logOn, {block7, "510 No such pager\r\x1e\r"}}, notify.Result{Outcome: correlate.Permanent, Answer: "the terminal abandons the page (RS): 510 No such pager"}},
		"hangs up":       {[]step{hello, logOn, {block7, "\x1b\x04\r"}}, notify.Result{Outcome: correlate.Temporary, Answer: "the terminal hangs up:"}},
		"login refused":  {[]step{hello, {"\x1bPG1\r", "no entry\r\x1b\x04\r"}}, notify.Result{Outcome: correlate.Temporary, Answer: "the terminal does not log us on: no entry"}},
		"login not read": {[]step{hello, {"\x1bPG1\r", "\x15\rID="}, {"\x1bPG1\r", "\x15\rID="}, logOn, taken, leave}, notify.Result{}},
		"cut":            {[]step{hello, {"cut", ""}}, notify.Result{Outcome: correlate.Temporary, Answer: "log on: the line was cut"}},
		"cut at the end": {[]step{hello, logOn, {block7, ""}, {"cut", ""}}, notify.Result{Outcome: correlate.Temporary, Answer: "the line was cut; it may have been taken"}},
		"silent":         {[]step{hello, logOn, {block7, ""}}, notify.Result{Outcome: correlate.Temporary, Answer: "no answer in time; it may have been taken"}},
		"nobody":         {nil, notify.Result{Outcome: correlate.Temporary, Answer: "no paging terminal answers"}},
		"babble":         {[]step{{"\r", strings.Repeat("x", 5000)}}, notify.Result{Outcome: correlate.Temporary, Answer: "what is heard is no paging terminal"}},
		"parity":         {[]step{hello, {"\x1bPG1\r", "\x86\r\x9b\xdb\xf0\r"}, {block7, "\x86\r"}, leave}, notify.Result{Outcome: correlate.Accepted, Answer: "ACK"}},
	} {
		t.Run(name, func(t *testing.T) {
			if name == "login not read" {
				c.want = notify.Result{Outcome: correlate.Permanent, Answer: "the terminal does not take the login"}
			}
			c.want.InDoubt = strings.HasSuffix(c.want.Answer, "it may have been taken")
			if got := send(t, newTerminal(t, c.script), note); got != c.want {
				t.Errorf("got  %+v\nwant %+v", got, c.want)
			}
		})
	}
}

// TestDial: the modem's results.
func TestDial(t *testing.T) {
	o := newTerminal(t, []step{{"ATDT5550199\r", "\r\nCONNECT 1200\r\n"}, hello, {"\x1bPG1abc123\r", "\x06\r\x1b[p\r"}, taken, leave}, []step{{"ATDT5550199\r", "\r\nBUSY\r\n"}})
	o.Dial, o.Password = "ATDT5550199", "abc123"
	c, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	if r := c.Send(t.Context(), note); r.Outcome != correlate.Accepted {
		t.Errorf("got %+v", r)
	}
	if r := c.Send(t.Context(), note); r != (notify.Result{Outcome: correlate.Temporary, Answer: "the modem: BUSY"}) {
		t.Errorf("got %+v", r)
	}
}

func TestRefuses(t *testing.T) {
	bad := note
	bad.Address = "555 1234"
	if r := send(t, Options{Line: tty.Options{Device: "/dev/ttyS0"}}, bad); r.Outcome != correlate.Permanent {
		t.Errorf("got %+v", r)
	}
	for want, o := range map[string]Options{
		"a line needs a device such as /dev/ttyUSB0, or tcp:host:port": {},
		"a password has at most 6 characters of ASCII":                 {Line: tty.Options{Device: "/dev/ttyS0"}, Password: "seven77"},
		"dial begins with AT, such as ATDT5550147":                     {Line: tty.Options{Device: "/dev/ttyS0"}, Dial: "5550147"},
		"longest is 20 to 220 characters":                              {Line: tty.Options{Device: "/dev/ttyS0"}, Longest: 500},
	} {
		if _, err := New(o); err == nil || err.Error() != want {
			t.Errorf("got %v, want %s", err, want)
		}
	}
}

// pipe is a line whose other end says what the fuzzer wants.
type pipe struct{ says []byte }

func (p *pipe) Read(b []byte) (int, error) {
	if len(p.says) == 0 {
		return 0, errors.New("the end")
	}
	n := copy(b, p.says)
	p.says = p.says[n:]
	return n, nil
}

func (p *pipe) Write(b []byte) (int, error) { return len(b), nil }
func (p *pipe) Close() error                { return nil }

// FuzzTalk: whatever a terminal says, the call ends.
func FuzzTalk(f *testing.F) {
	f.Add([]byte("ID=\x06\r\x1b[p\r\x06\r"))
	f.Add([]byte("ID=\x15\x1b\x04"))
	f.Fuzz(func(t *testing.T, says []byte) {
		c, err := New(Options{Line: tty.Options{Device: "/dev/null"}, Timeout: 20 * time.Millisecond, Answer: 5 * time.Millisecond})
		if err != nil {
			t.Fatal(err)
		}
		talk := &talk{o: &c.o, line: &pipe{says}, heard: make(chan []byte, 64)}
		var listener sync.WaitGroup
		listener.Go(talk.listen)
		ctx := context.Background()
		if talk.knock(ctx) == nil && talk.logOn(ctx) == nil {
			if _, err := talk.hand(ctx, block7); err == nil && !bytes.Contains(says, []byte("\x06")) && !bytes.Contains(says, []byte("\x86")) {
				t.Error("accepted without ACK")
			}
		}
		listener.Wait()
	})
}
