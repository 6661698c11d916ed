package smpp

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
)

var note = correlate.Message{ID: "m17-0", Address: "+12025550147", Body: "CRITICAL Harrow Knoll: Mains failed 02:14. K7M3P"}

// check that the channel is what the runner takes it for.
var (
	_ notify.Line = (*Channel)(nil)
	_ notify.Wide = (*Channel)(nil)
)

func TestSend(t *testing.T) {
	c := newCentre(t, nil)
	ch := up(t, c.options(), newInbox())
	r := ch.Send(t.Context(), note)
	if want := (notify.Result{Outcome: correlate.Accepted, Answer: "accepted as A1", GatewayID: "A1"}); r != want {
		t.Errorf("got %+v", r)
	}
	want := message{from: address{5, 0, "KESTREL"}, to: address{1, 1, "12025550147"}, registered: 1, text: []byte(note.Body)}
	if d := cmp.Diff(want, c.got[0], cmp.AllowUnexported(message{}, address{}, parameter{})); d != "" {
		t.Error(d)
	}
	if ch.Trouble() != "" {
		t.Errorf("trouble %q", ch.Trouble())
	}
}

// TestLong: a text of two parts, joined in each way; the receipt is asked for
// once.
func TestLong(t *testing.T) {
	m := note
	m.Body = strings.Repeat("a", 153) + "€uro zone"
	for join, check := range map[Join]func(t *testing.T, got []message){
		JoinHeader: func(t *testing.T, got []message) {
			if len(got) != 2 || got[0].class != 0x40 || got[0].text[0] != 5 || !bytes.Equal(got[1].text[4:], []byte("\x02\x02\x1beuro zone")) {
				t.Errorf("got %+v", got)
			}
		},
		JoinSAR: func(t *testing.T, got []message) {
			if len(got) != 2 || got[0].class != 0 || len(got[0].text) != 153 || string(got[1].parameter(tagSARSeq)) != "\x02" || string(got[1].parameter(tagSARTotal)) != "\x02" {
				t.Errorf("got %+v", got)
			}
		},
		JoinPayload: func(t *testing.T, got []message) {
			if len(got) != 1 || len(got[0].text) != 0 || len(got[0].parameter(tagPayload)) != 153+10 {
				t.Errorf("got %+v", got)
			}
		},
	} {
		t.Run(string(join), func(t *testing.T) {
			c := newCentre(t, nil)
			o := c.options()
			o.Join, o.Keep = join, 90*time.Minute
			r := up(t, o, newInbox()).Send(t.Context(), m)
			if r.Outcome != correlate.Accepted {
				t.Fatalf("got %+v", r)
			}
			check(t, c.got)
			asked := 0
			for _, g := range c.got {
				asked += int(g.registered)
				if g.validity != "000000013000000R" {
					t.Errorf("validity %q", g.validity)
				}
			}
			if asked != 1 {
				t.Errorf("%d receipts were asked for", asked)
			}
		})
	}
}

func TestWide(t *testing.T) {
	c := newCentre(t, nil)
	m := note
	m.Body = "Насос"
	if r := up(t, c.options(), newInbox()).Send(t.Context(), m); r.Outcome != correlate.Accepted {
		t.Fatalf("got %+v", r)
	}
	if got := c.got[0]; got.coding != 8 || string(got.text) != "\x04\x1d\x04\x30\x04\x41\x04\x3e\x04\x41" {
		t.Errorf("got %+v", got)
	}
}

// TestAnswers: what each answer means for the message.
func TestAnswers(t *testing.T) {
	c := newCentre(t, nil)
	ch := up(t, c.options(), newInbox())
	for s, want := range map[status]correlate.Outcome{
		0x0b: correlate.Permanent, 0x0a: correlate.Permanent, 0x50: correlate.Permanent, 0x51: correlate.Permanent, 0x65: correlate.Permanent,
		0x01: correlate.Permanent, 0x43: correlate.Permanent, 0x08: correlate.Temporary, 0x64: correlate.Temporary, 0x04: correlate.Temporary,
		0x45: correlate.Temporary, 0xff: correlate.Temporary, 0x0400: correlate.Temporary,
	} {
		c.set(func() { c.answers = []status{s} })
		if r := ch.Send(t.Context(), note); r.Outcome != want || r.Answer != s.String() || r.GatewayID != "" {
			t.Errorf("%s: got %+v", s, r)
		}
	}
	bad := note
	bad.Address = "north crew"
	if r := ch.Send(t.Context(), bad); r.Outcome != correlate.Permanent {
		t.Errorf("no number: got %+v", r)
	}
	bad = note
	bad.Body = strings.Repeat("a", 2000)
	if r := ch.Send(t.Context(), bad); r.Outcome != correlate.Permanent {
		t.Errorf("too long: got %+v", r)
	}
}

// TestThrottled: when the centre asks to slow down, everything is held back, for
// longer each time, until it takes messages again.
func TestThrottled(t *testing.T) {
	c := newCentre(t, nil)
	o := c.options()
	o.FirstWait, o.LongestWait = 100*time.Millisecond, 10*time.Second
	ch := up(t, o, newInbox())
	c.set(func() { c.answers = []status{throttled, queueFull} })
	r := ch.Send(t.Context(), note)
	if r.Outcome != correlate.Temporary || r.RetryAfter != 100*time.Millisecond || !strings.Contains(r.Answer, "ESME_RTHROTTLED (0x58)") {
		t.Fatalf("got %+v", r)
	}
	short, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	if r := ch.Send(short, note); r.Outcome != correlate.Temporary || !strings.HasPrefix(r.Answer, "held back") || r.RetryAfter <= 0 {
		t.Errorf("held back: got %+v", r)
	}
	began := time.Now()
	if r := ch.Send(t.Context(), note); r.RetryAfter != 200*time.Millisecond || time.Since(began) < 50*time.Millisecond {
		t.Errorf("the second time: got %+v after %s", r, time.Since(began))
	}
	if r := ch.Send(t.Context(), note); r.Outcome != correlate.Accepted {
		t.Errorf("then: got %+v", r)
	}
	if ch.throttles != 0 {
		t.Error("an acceptance did not end the throttling")
	}
}

// TestWindow: never more messages unanswered than the window has.
func TestWindow(t *testing.T) {
	c := newCentre(t, nil)
	c.mute = true
	o := c.options()
	o.Window = 3
	ch := up(t, o, newInbox())
	ctx, cancel := context.WithCancel(t.Context())
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() {
			if r := ch.Send(ctx, note); r.Outcome != correlate.Temporary {
				t.Errorf("got %+v", r)
			}
		})
	}
	for range 3 {
		c.await("submit")
	}
	// Nobody was answered, so a fourth would have come by now or never.
	c.set(func() {
		if len(c.got) != 3 {
			t.Errorf("%d unanswered", len(c.got))
		}
	})
	cancel()
	all.Wait()
}

// TestLinkDrops: the link breaks in mid-window; what was sent may have been
// taken, the link is made anew, and sending goes on.
func TestLinkDrops(t *testing.T) {
	c := newCentre(t, nil)
	c.mute, c.dropAt = true, 5
	o := c.options()
	o.Window = 5
	ch := up(t, o, newInbox())
	var all sync.WaitGroup
	for range 5 {
		all.Go(func() {
			if r := ch.Send(t.Context(), note); r.Outcome != correlate.Temporary || !r.InDoubt || !strings.HasSuffix(r.Answer, "it may have been taken") {
				t.Errorf("got %+v", r)
			}
		})
	}
	all.Wait()
	c.set(func() { c.mute = false })
	if r := ch.Send(t.Context(), note); r.Outcome != correlate.Accepted {
		t.Errorf("after the break: got %+v", r)
	}
	if len(c.conns) != 2 {
		t.Errorf("%d connections", len(c.conns))
	}
}

// TestNoAnswer: a centre that takes and says nothing; one that says nothing at
// all is left by the sign of life it owes.
func TestNoAnswer(t *testing.T) {
	c := newCentre(t, nil)
	c.mute = true
	o := c.options()
	o.Timeout, o.Enquire = 100*time.Millisecond, 50*time.Millisecond
	ch := up(t, o, newInbox())
	if r := ch.Send(t.Context(), note); r.Outcome != correlate.Temporary || r.Answer != "no answer in time; it may have been taken" || !r.InDoubt {
		t.Errorf("got %+v", r)
	}
	c.await("enquire")
	c.set(func() { c.dead = true })
	for {
		c.mu.Lock()
		n := len(c.conns)
		c.mu.Unlock()
		if n > 1 {
			break
		}
		select {
		case <-t.Context().Done():
			t.Fatal("the dead link was kept")
		case <-time.After(10 * time.Millisecond):
		}
	}
}

// TestRefusedBind: wrong credentials fail messages for good, with a sentence
// that has no secret in it, and the right ones mend it.
func TestRefusedBind(t *testing.T) {
	c := newCentre(t, nil)
	c.bind = badPassword
	ch := up(t, c.options(), newInbox())
	r := ch.Send(t.Context(), note)
	if r.Outcome != correlate.Permanent || !strings.Contains(r.Answer, "ESME_RINVPASWD (0x0e): wrong password") || strings.Contains(r.Answer, "s3cret") {
		t.Errorf("got %+v", r)
	}
	if !strings.Contains(ch.Trouble(), "wrong password") {
		t.Errorf("trouble %q", ch.Trouble())
	}
	c.set(func() { c.bind = ok })
	for ch.Trouble() != "" {
		select {
		case <-t.Context().Done():
			t.Fatal("the bind was not tried again")
		case <-time.After(10 * time.Millisecond):
		}
	}
	if r := ch.Send(t.Context(), note); r.Outcome != correlate.Accepted {
		t.Errorf("got %+v", r)
	}
}

// TestNobodyThere: a centre that does not listen is trouble, and temporary.
func TestNobodyThere(t *testing.T) {
	c := newCentre(t, nil)
	o := c.options()
	c.ln.Close()
	ch := up(t, o, newInbox())
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	if r := ch.Send(ctx, note); r.Outcome != correlate.Temporary || !strings.Contains(r.Answer, "connection refused") {
		t.Errorf("got %+v", r)
	}
}

// TestReceipts in both forms, early, twice, and for messages of others.
func TestReceipts(t *testing.T) {
	c := newCentre(t, nil)
	in := newInbox()
	ch := up(t, c.options(), in)
	text := func(id, stat, err string) message {
		return message{class: classReceipt, text: []byte("id:" + id + " sub:001 dlvrd:001 submit date:2611140905 done date:2611140906 stat:" + stat + " err:" + err + " Text:CRITICAL id:x")}
	}
	for range 2 {
		if r := ch.Send(t.Context(), note); r.Outcome != correlate.Accepted {
			t.Fatalf("got %+v", r)
		}
	}
	c.deliver(text("A1", "DELIVRD", "000")) // not on record yet
	c.await("reply 80000005 " + ok.String())
	in.know("A1")
	in.know("A2")
	in.await(t, "A1 delivered: receipt DELIVRD")
	c.deliver(text("A1", "delivrd", "000"))
	in.await(t, "A1 delivered: receipt DELIVRD")
	c.deliver(text("A2", "ENROUTE", "000"))
	c.deliver(text("A2", "UNDELIV", "006"))
	in.await(t, "A2 permanent: receipt UNDELIV, error 006")
	c.deliver(message{class: classReceipt, optional: []parameter{{tagReceiptedID, []byte("A2\x00")}, {tagState, []byte{2}}}})
	in.await(t, "A2 delivered: receipt DELIVRD")
	c.deliver(message{class: classReceipt, text: []byte("nothing to be read")})
	c.deliver(text("B9", "DELIVRD", "000"))
	c.deliver(message{class: 0x20, text: []byte("id:A1 stat:DELIVRD")}) // an intermediate notice
	c.deliver(text("A1", "EXPIRED", "000"))
	in.await(t, "A1 permanent: receipt EXPIRED")
}

// TestTexts that people send: alphabets, parts, and an inbox that cannot take
// one.
func TestTexts(t *testing.T) {
	c := newCentre(t, nil)
	in := newInbox()
	in.fails = 1
	up(t, c.options(), in)
	c.await("bind")
	from := address{ton: 1, npi: 1, digits: "12025550147"}
	c.deliver(message{from: from, text: []byte("K7M3P")})
	c.await("reply 80000005 " + notNow.String())
	c.deliver(message{from: from, text: []byte("K7M3P")})
	in.await(t, "+12025550147: K7M3P")
	c.deliver(message{from: address{digits: "12025550147"}, coding: 8, text: []byte("\x00K\x00\x37")})
	in.await(t, "+12025550147: K7")
	c.deliver(message{from: address{digits: "5550147"}, coding: 3, text: []byte("caf\xe9")})
	in.await(t, "5550147: café")
	c.deliver(message{from: from, class: classHeader, text: []byte("\x05\x00\x03\x09\x02\x02 part")})
	c.deliver(message{from: from, class: classHeader, text: []byte("\x05\x00\x03\x09\x02\x01second")})
	in.await(t, "+12025550147: second part")
	sar := func(seq byte, text string) message {
		return message{from: from, text: []byte(text), optional: []parameter{{tagSARRef, []byte{0, 9}}, {tagSARTotal, []byte{2}}, {tagSARSeq, []byte{seq}}}}
	}
	c.deliver(sar(1, "one "))
	c.deliver(sar(2, "two"))
	in.await(t, "+12025550147: one two")
	c.deliver(message{from: from, optional: []parameter{{tagPayload, []byte("in the payload")}}})
	in.await(t, "+12025550147: in the payload")
}

// TestMalformed: a body that cannot be read is refused and the link goes on; a
// length that cannot be ends it; an unknown command is answered.
func TestMalformed(t *testing.T) {
	c := newCentre(t, nil)
	in := newInbox()
	ch := up(t, c.options(), in)
	c.await("bind")
	c.raw(0, 0, 0, 18, 0, 0, 0, 5, 0, 0, 0, 0, 0, 0, 0, 77, 'x', 'y')
	c.await("reply 80000000 " + badField.String())
	c.raw(0, 0, 0, 16, 0, 0, 1, 3, 0, 0, 0, 0, 0, 0, 0, 78)
	c.await("reply 80000000 " + badCommand.String())
	c.raw(0, 0, 0, 16, 0x80, 0, 0, 4, 0, 0, 0, 0, 0, 0, 0, 79) // an answer to nothing
	if r := ch.Send(t.Context(), note); r.Outcome != correlate.Accepted {
		t.Errorf("got %+v", r)
	}
	c.raw(0xff, 0xff, 0xff, 0xff, 0, 0, 0, 5, 0, 0, 0, 0, 0, 0, 0, 80)
	c.await("reply 80000000 " + badLength.String())
	c.await("bind")
	if r := ch.Send(t.Context(), note); r.Outcome != correlate.Accepted {
		t.Errorf("after the end: got %+v", r)
	}
	c.raw(0, 0, 0, 16, 0, 0, 0, 6, 0, 0, 0, 0, 0, 0, 0, 81) // the centre takes its leave
	c.await("reply 80000006 " + ok.String())
	c.await("bind")
}

// TestLeave: at the end what is under way is waited for, and leave is taken.
func TestLeave(t *testing.T) {
	c := newCentre(t, nil)
	ch, err := New(c.options())
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { ch.Run(ctx, newInbox()); close(done) }()
	if r := ch.Send(t.Context(), note); r.Outcome != correlate.Accepted {
		t.Errorf("got %+v", r)
	}
	stop()
	c.await("unbind")
	<-done
}

func TestTLS(t *testing.T) {
	host := httptest.NewUnstartedServer(nil)
	host.StartTLS() // for its certificate
	defer host.Close()
	c := newCentre(t, &tls.Config{Certificates: host.TLS.Certificates, MinVersion: tls.VersionTLS12})
	o := c.options()
	o.TLS = true
	stranger := up(t, o, newInbox())
	ctx, cancel := context.WithTimeout(t.Context(), 500*time.Millisecond)
	defer cancel()
	if r := stranger.Send(ctx, note); r.Outcome != correlate.Temporary || !strings.Contains(r.Answer, "certificate") {
		t.Errorf("unknown issuer: got %+v", r)
	}
	o.RootCAs = x509.NewCertPool()
	o.RootCAs.AddCert(host.Certificate())
	if r := up(t, o, newInbox()).Send(t.Context(), note); r.Outcome != correlate.Accepted {
		t.Errorf("known issuer: got %+v", r)
	}
}

func TestNewRefuses(t *testing.T) {
	good := Options{Host: "smsc.example.net", SystemID: "standwatch", Password: "s3cret"}
	for want, change := range map[string]func(*Options){
		"a service centre needs a host":                   func(o *Options) { o.Host = "" },
		"system-id has 1 to 15 characters":                func(o *Options) { o.SystemID = strings.Repeat("x", 16) },
		"a password of SMPP 3.4 has at most 8 characters": func(o *Options) { o.Password = "far too long" },
		"from is a number, or at most 11 letters":         func(o *Options) { o.From = "KESTRELBASIN" },
		"join is none of udh, sar, payload":               func(o *Options) { o.Join = "glue" },
		"the window is 1 to 1000":                         func(o *Options) { o.Window = 2000 },
		"a time is out of range":                          func(o *Options) { o.Keep = 100 * 24 * time.Hour },
	} {
		o := good
		change(&o)
		if _, err := New(o); err == nil || err.Error() != want {
			t.Errorf("got %v, want %s", err, want)
		}
	}
	if _, err := New(good); err != nil {
		t.Error(err)
	}
}

// TestHexReceipt: some centres answer in hexadecimal and report in decimal.
func TestHexReceipt(t *testing.T) {
	c := newCentre(t, nil)
	o := c.options()
	o.HexReceipt = true
	if r := up(t, o, newInbox()).Send(t.Context(), note); r.GatewayID != "161" {
		t.Errorf("A1 became %q", r.GatewayID)
	}
}

// FuzzPDU: whatever a peer sends is read or refused, in memory bounded by what
// came, and what is read is written the same again.
func FuzzPDU(f *testing.F) {
	m := message{from: addressOf("+12025550147"), to: addressOf("KESTREL"), class: classReceipt, text: []byte("id:A1 stat:DELIVRD err:000"),
		optional: []parameter{{tagState, []byte{2}}}}
	f.Add(pdu{command: deliverSM, seq: 1, body: m.marshal()}.marshal())
	f.Add(pdu{command: enquireLink, seq: 2}.marshal())
	f.Add([]byte{0xff, 0xff, 0xff, 0xff, 0, 0, 0, 5})
	f.Fuzz(func(t *testing.T, octets []byte) {
		p, err := readPDU(bytes.NewReader(octets))
		if err != nil {
			return
		}
		if again := p.marshal(); !bytes.Equal(again, octets[:len(again)]) {
			t.Errorf("%x became %x", octets, again)
		}
		m, err := parseMessage(p.body)
		if err != nil {
			return
		}
		if again := m.marshal(); !bytes.Equal(again, p.body) {
			t.Errorf("%x became %x", p.body, again)
		}
		readText(&m)
		if r, ok := readReceipt(&m); ok && (r.id == "" || r.state == "") {
			t.Errorf("half a receipt: %+v", r)
		}
	})
}

// BenchmarkWindow: messages through one window against the peer in this
// process.
func BenchmarkWindow(b *testing.B) {
	c := newCentre(b, nil)
	o := c.options()
	o.Window = 32
	ch := up(b, o, newInbox())
	go func() {
		for range c.events {
			continue
		}
	}()
	through(b, ch)
}

// through sends messages as fast as the window lets them.
func through(b *testing.B, ch *Channel) {
	b.Helper()
	ctx := context.Background()
	if r := ch.Send(ctx, note); r.Outcome != correlate.Accepted {
		b.Fatalf("got %+v", r)
	}
	var all sync.WaitGroup
	work := make(chan struct{})
	for range ch.o.Window {
		all.Go(func() {
			for range work {
				if r := ch.Send(ctx, note); r.Outcome != correlate.Accepted {
					b.Errorf("got %+v", r)
				}
			}
		})
	}
	for b.Loop() {
		work <- struct{}{}
	}
	close(work)
	all.Wait()
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "messages/s")
}
