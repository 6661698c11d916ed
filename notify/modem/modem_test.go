package modem

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
	"example.net/standwatch/notify/tty"
)

var note = correlate.Message{ID: "m17-0", Address: "+12025550147", Body: "hello"}

// check that the channel is what the runner takes it for.
var (
	_ notify.Line = (*Channel)(nil)
	_ notify.Wide = (*Channel)(nil)
)

// inbox notes what it is told.
type inbox struct {
	mu    sync.Mutex // guards fails and late
	fails int
	late  int // receipts that are unknown yet
	heard chan string
}

func newInbox() *inbox { return &inbox{heard: make(chan string, 1000)} }

func (i *inbox) Text(_ context.Context, from, text string) error {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.fails > 0 {
		i.fails--
		return errors.New("disk full")
	}
	i.heard <- from + ": " + text
	return nil
}

func (i *inbox) Receipt(_ context.Context, id string, outcome correlate.Outcome, answer string) error {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.late > 0 {
		i.late--
		return notify.ErrUnknownReceipt
	}
	i.heard <- fmt.Sprintf("%s %s: %s", id, outcome, answer)
	return nil
}

func (i *inbox) await(t *testing.T, want string) {
	t.Helper()
	select {
	case got := <-i.heard:
		if got != want {
			t.Errorf("heard %q, want %q", got, want)
		}
	case <-time.After(time.Minute):
		t.Fatalf("never heard %q", want)
	}
}

func up(t *testing.T, f *fake, in notify.Inbox, change func(*Options)) *Channel {
	t.Helper()
	o := Options{Line: tty.Options{Device: f.device}, Receipts: true, Timeout: 2 * time.Second, Answer: 200 * time.Millisecond, Look: time.Minute, FirstWait: 10 * time.Millisecond, LongestWait: 100 * time.Millisecond}
	if change != nil {
		change(&o)
	}
	c, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { c.Run(ctx, in); close(done) }()
	t.Cleanup(func() { stop(); <-done })
	return c
}

// TestSend in PDU mode: the set-up, the unit and the answer.
func TestSend(t *testing.T) {
	f := newFake(t)
	c := up(t, f, newInbox(), func(o *Options) { o.Centre = "+12025550100" })
	r := c.Send(t.Context(), note)
	if want := (notify.Result{Outcome: correlate.Accepted, Answer: "accepted as 1, signal -71 dBm", GatewayID: "1"}); r != want {
		t.Errorf("got %+v", r)
	}
	f.set(func() {
		want := "AT ATE0 AT+CMEE=1 AT+CPIN? AT+CMGF=0 AT+CSCA=\"+12025550100\",145 AT+CNMI=2,1,0,1,0 AT+CREG? AT+CSQ AT+CMGL=4 AT+CMGS=18"
		if got := strings.Join(f.heard, " "); got != want {
			t.Errorf("the modem heard\n%s, want\n%s", got, want)
		}
		// SUBMIT with report, 11 digits international, 5 septets "hello"
		if got, want := f.texts[0], "AT+CMGS=18 0021000B912120550541F7000005E8329BFD06"; got != want {
			t.Errorf("got %s, want %s", got, want)
		}
	})
	long := note
	long.Body = strings.Repeat("a", 161)
	if r := c.Send(t.Context(), long); r.Outcome != correlate.Accepted || r.GatewayID != "3" || !strings.Contains(r.Answer, "in 2 parts") {
		t.Errorf("got %+v", r)
	}
	f.set(func() {
		if len(f.texts) != 3 || !strings.Contains(f.texts[1], " 0041") || !strings.Contains(f.texts[2], " 0061") {
			t.Errorf("got %q: only the last part wants a report", f.texts)
		}
	})
	if c.Trouble() != "" {
		t.Errorf("trouble %q", c.Trouble())
	}
}

// TestTextMode: the GSM alphabet bare, and what it cannot carry as UCS-2.
func TestTextMode(t *testing.T) {
	f := newFake(t)
	f.set(func() {
		f.memory[4] = "+CMGR: \"REC UNREAD\",\"+12025550147\",,\"26/11/14,09:05:50+00\"\r\nK7M3P"
	})
	in := newInbox()
	c := up(t, f, in, func(o *Options) { o.TextMode = true })
	in.await(t, "+12025550147: K7M3P")
	f.await("AT+CMGD=4")
	if r := c.Send(t.Context(), note); r.Outcome != correlate.Accepted {
		t.Errorf("got %+v", r)
	}
	m := note
	m.Body = "[я]"
	if r := c.Send(t.Context(), m); r.Outcome != correlate.Accepted {
		t.Errorf("got %+v", r)
	}
	f.set(func() {
		if f.texts[0] != `AT+CMGS="+12025550147" hello` {
			t.Errorf("got %s", f.texts[0])
		}
		if want := `AT+CMGS="002B00310032003000320035003500350030003100340037" 005B044F005D`; f.texts[1] != want {
			t.Errorf("got %s, want %s", f.texts[1], want)
		}
		if all := strings.Join(f.heard, " "); !strings.HasSuffix(all, `AT+CSCS="GSM" AT+CSMP=17,167,0,0`) {
			t.Errorf("the character set was not set back: %s", all)
		}
	})
	m.Address = "north\rcrew"
	if r := c.Send(t.Context(), m); r.Outcome != correlate.Permanent {
		t.Errorf("got %+v", r)
	}
}

// TestErrors: what a modem's errors mean for the message.
func TestErrors(t *testing.T) {
	f := newFake(t)
	c := up(t, f, newInbox(), nil)
	for result, want := range map[string]notify.Result{
		"+CMS ERROR: 1":       {Outcome: correlate.Permanent, Answer: "+CMS ERROR: 1, the number does not exist"},
		"+CMS ERROR: 38":      {Outcome: correlate.Temporary, Answer: "+CMS ERROR: 38, the network is out of order"},
		"+CMS ERROR: 42":      {Outcome: correlate.Temporary, Answer: "+CMS ERROR: 42, the network is congested"},
		"+CMS ERROR: 500":     {Outcome: correlate.Temporary, Answer: "+CMS ERROR: 500, an unknown error"},
		"+CMS ERROR: 999":     {Outcome: correlate.Temporary, Answer: "+CMS ERROR: 999"},
		"+CME ERROR: nothing": {Outcome: correlate.Temporary, Answer: "+CME ERROR"},
		"ERROR":               {Outcome: correlate.Temporary, Answer: "ERROR"},
	} {
		f.set(func() { f.result = result })
		if got := c.Send(t.Context(), note); got != want {
			t.Errorf("%s: got %+v", result, got)
		}
	}
	f.set(func() { f.answers["AT+CMGS"] = "+CMS ERROR: 304" })
	if got := c.Send(t.Context(), note); got.Outcome != correlate.Permanent {
		t.Errorf("no prompt: got %+v", got)
	}
	bad := note
	bad.Address = "north crew"
	if got := c.Send(t.Context(), bad); got.Outcome != correlate.Permanent {
		t.Errorf("no number: got %+v", got)
	}
}

// TestIncoming: texts that lay in the memory, that are announced, in parts,
// that cannot be kept at first; and reports.
func TestIncoming(t *testing.T) {
	const stamp = "62114190500500"
	text := "000407 81550541F70000" + stamp + "05E8329BFD06"
	place := func(unit string) string {
		unit = strings.ReplaceAll(unit, " ", "")
		return fmt.Sprintf("+CMGR: 0,,%d\r\n%s", len(unit)/2-1, unit)
	}
	f := newFake(t)
	f.set(func() {
		f.memory[2] = place(text)
		f.memory[3] = "+CMGR: 0,,3\r\nNOT HEX"
		f.memory[5] = "+CMGR: 3,,3\r\n010203" // one that was sent: none of ours
	})
	in := newInbox()
	in.fails = 1
	up(t, f, in, func(o *Options) { o.Look = 100 * time.Millisecond })
	in.await(t, "5550147: hello") // at the second look
	f.await("AT+CMGD=2")
	f.set(func() {
		f.memory[7] = place("0044 0781550541F7 0000" + stamp + "0F 0500032A0202 C2E170381C0E8701")
		f.memory[8] = place("0044 0781550541F7 0000" + stamp + "0F 0500032A0201 C2E170381C0E8701")
		f.say("\r\n+CMTI: \"SM\",7\r\n")
		f.say("\r\n+CMTI: \"SM\",8\r\n")
	})
	in.await(t, "5550147: aaaaaaaaaaaaaaaa")
	in.mu.Lock()
	in.late = 2
	in.mu.Unlock()
	f.set(func() { f.say("\r\n+CDS: 25\r\n0006110781550541F7" + stamp + stamp + "00\r\n") })
	in.await(t, "17 delivered: report: delivered")
	f.set(func() { f.say("\r\n+CDS: 25\r\n0006120781550541F7" + stamp + stamp + "46\r\n") })
	in.await(t, "18 permanent: report: not delivered, status 0x46")
	f.set(func() {
		f.memory[9] = place("0006130781550541F7" + stamp + stamp + "00")
		f.say("\r\nRING\r\n\r\n+CDSI: \"SR\",9\r\n")
	})
	in.await(t, "19 delivered: report: delivered")
	f.await("AT+CMGD=9")
	f.set(func() {
		if f.memory[3] != "" || f.memory[5] == "" {
			t.Errorf("memory %v", f.memory)
		}
	})
}

// TestHang: a modem that takes a text and says nothing is woken by an escape
// and set up anew; the message may have gone.
func TestHang(t *testing.T) {
	f := newFake(t)
	c := up(t, f, newInbox(), func(o *Options) { o.Timeout = 200 * time.Millisecond })
	f.set(func() { f.noText = true })
	if r := c.Send(t.Context(), note); r.Outcome != correlate.Temporary || !r.InDoubt || r.Answer != "no answer in time; it may have been taken" {
		t.Errorf("got %+v", r)
	}
	f.set(func() { f.noText = false })
	f.await("escape")
	if r := c.Send(t.Context(), note); r.Outcome != correlate.Accepted {
		t.Errorf("after the hang: got %+v", r)
	}
}

// TestDead: a modem that says nothing at all is trouble; the line is opened
// again until it speaks.
func TestDead(t *testing.T) {
	f := newFake(t)
	f.set(func() {
		f.mute = true
	})
	c := up(t, f, newInbox(), nil)
	for range 4 {
		f.await("unanswered AT") // three tries, then the line is opened anew
	}
	if !strings.Contains(c.Trouble(), "does not answer") {
		t.Errorf("trouble %q", c.Trouble())
	}
	short, stop := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer stop()
	if r := c.Send(short, note); r.Outcome != correlate.Temporary || !strings.Contains(r.Answer, "does not answer") {
		t.Errorf("got %+v", r)
	}
	f.set(func() { f.mute = false })
	if r := c.Send(t.Context(), note); r.Outcome != correlate.Accepted {
		t.Errorf("got %+v", r)
	}
}

// TestRegistration: no network is trouble, with the signal in it.
func TestRegistration(t *testing.T) {
	f := newFake(t)
	f.set(func() {
		f.answers["AT+CREG?"] = "+CREG: 0,2"
		f.answers["AT+CSQ"] = "+CSQ: 3,99"
	})
	c := up(t, f, newInbox(), func(o *Options) { o.Look = 50 * time.Millisecond })
	f.await("AT+CMGL=4")
	if want := "the modem has no network: searching for a network, signal -107 dBm"; c.Trouble() != want {
		t.Errorf("trouble %q, want %q", c.Trouble(), want)
	}
	f.set(func() { f.answers["AT+CREG?"] = "+CREG: 2,5,\"00C3\",\"00A1\"" })
	for c.Trouble() != "" {
		f.await("AT+CMGL=4")
	}
}

// TestPIN: it is given once; a wrong one is never tried again.
func TestPIN(t *testing.T) {
	f := newFake(t)
	f.set(func() {
		f.answers["AT+CPIN?"] = "+CPIN: SIM PIN"
		f.answers[`AT+CPIN="1234"`] = "+CME ERROR: 16"
	})
	c := up(t, f, newInbox(), func(o *Options) { o.PIN = "1234" })
	f.await(`AT+CPIN="1234"`)
	for range 3 {
		f.await("AT+CPIN?")
	}
	f.set(func() {
		if n := strings.Count(strings.Join(f.heard, " "), `AT+CPIN="1234"`); n != 1 {
			t.Errorf("the PIN was tried %d times", n)
		}
	})
	if got := c.Trouble(); !strings.Contains(got, "not tried again") || strings.Contains(got, "1234") {
		t.Errorf("trouble %q", got)
	}
	f.set(func() { f.answers["AT+CPIN?"] = "+CPIN: READY" })
	if r := c.Send(t.Context(), note); r.Outcome != correlate.Accepted {
		t.Errorf("got %+v", r)
	}
}

func TestNewRefuses(t *testing.T) {
	for want, o := range map[string]Options{
		"a line needs a device such as /dev/ttyUSB0, or tcp:host:port": {},
		"device tcp:nowhere: write tcp:host:port":                      {Line: tty.Options{Device: "tcp:nowhere"}},
		"a PIN has 4 to 8 digits":                                      {Line: tty.Options{Device: "/dev/ttyUSB0"}, PIN: "12"},
		"centre is no telephone number":                                {Line: tty.Options{Device: "/dev/ttyUSB0"}, Centre: "north"},
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

// FuzzDialogue: whatever a modem says, the session ends without a panic and
// without waiting for more.
func FuzzDialogue(f *testing.F) {
	f.Add([]byte("OK\r\nOK\r\nOK\r\n+CPIN: READY\r\nOK\r\nOK\r\nOK\r\n+CREG: 0,1\r\nOK\r\n+CSQ: 9,99\r\nOK\r\n+CMGL: 1,0,,5\r\n0004\r\nOK\r\n+CMGR: 0,,5\r\n0004\r\nOK\r\nOK\r\n"), false)
	f.Add([]byte("> \r\n+CMS ERROR: 3\r\n+CDS: 4\r\n00\r\n+CMTI: \"SM\",3\r\n"), true)
	f.Fuzz(func(t *testing.T, says []byte, textMode bool) {
		c, err := New(Options{Line: tty.Options{Device: "/dev/null"}, TextMode: textMode, Receipts: true, PIN: "1234"})
		if err != nil {
			t.Fatal(err)
		}
		d := newDialogue(&pipe{says: says}, c.o.Answer)
		in := newInbox()
		in.heard = make(chan string, len(says)+1)
		var listener sync.WaitGroup
		listener.Go(d.listen)
		s := &session{c: c, o: &c.o, d: d, in: in}
		ctx, stop := context.WithTimeout(t.Context(), 20*time.Millisecond)
		defer stop()
		if s.awake(ctx) == nil {
			if _, err := s.send(ctx, note); err == nil {
				s.collect(ctx)
			}
		}
		listener.Wait()
	})
}
