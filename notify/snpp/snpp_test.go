package snpp

import (
	"bufio"
	"fmt"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
)

var note = correlate.Message{ID: "m17-0", Address: "5550147", Body: "CRITICAL Harrow Knoll: Mains failed, 23 °C — K7M3P"}

// terminal is a paging terminal that answers by script: a command's first word
// to a reply; "" closes the connection, "hang" says nothing.
type terminal struct {
	mu      sync.Mutex // guards what follows
	answers map[string]string
	heard   []string
}

func newTerminal(t testing.TB, answers map[string]string) (*terminal, Options) {
	t.Helper()
	all := map[string]string{"hello": "220 paging terminal ready", "LOGI": "250 hello", "PAGE": "250 pager known", "MESS": "250 text taken", "SEND": "250 sent", "QUIT": "221 bye"}
	for k, v := range answers {
		all[k] = v
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &terminal{answers: all}
	var group sync.WaitGroup
	group.Go(func() {
		for {
			conn, err := ln.Accept()
			if err != nil {
				return
			}
			group.Go(func() { p.serve(conn) })
		}
	})
	t.Cleanup(func() { ln.Close(); group.Wait() })
	return p, Options{Host: "127.0.0.1", Port: ln.Addr().(*net.TCPAddr).Port, Timeout: 500 * time.Millisecond}
}

func (p *terminal) serve(conn net.Conn) {
	defer conn.Close()
	in := bufio.NewScanner(conn)
	word := "hello"
	for {
		p.mu.Lock()
		answer := p.answers[word]
		p.mu.Unlock()
		switch answer {
		case "":
			return
		case "hang":
		default:
			fmt.Fprintf(conn, "%s\r\n", answer)
		}
		if !in.Scan() {
			return
		}
		p.mu.Lock()
		p.heard = append(p.heard, in.Text())
		p.mu.Unlock()
		word = in.Text()[:min(4, len(in.Text()))]
	}
}

func send(t *testing.T, o Options, m correlate.Message) notify.Result {
	t.Helper()
	c, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return c.Send(t.Context(), m)
}

// TestPage: the commands of RFC 1861 in their order.
func TestPage(t *testing.T) {
	p, o := newTerminal(t, map[string]string{"SEND": "250-first line\r\n250 page 77 taken"})
	o.Username, o.Password = "standwatch", "s3cret"
	if r := send(t, o, note); r != (notify.Result{Outcome: correlate.Accepted, Answer: "250 page 77 taken"}) {
		t.Errorf("got %+v", r)
	}
	want := "LOGI standwatch s3cret|PAGE 5550147|MESS CRITICAL Harrow Knoll: Mains failed, 23 C - K7M3P|SEND|QUIT"
	if got := strings.Join(p.heard, "|"); got != want {
		t.Errorf("heard %s, want %s", got, want)
	}
}

func TestFits(t *testing.T) {
	p, o := newTerminal(t, nil)
	o.Longest = 40
	if r := send(t, o, note); r.Outcome != correlate.Accepted {
		t.Errorf("got %+v", r)
	}
	if got, want := p.heard[1], "MESS CRITICAL Harrow Knoll: Mains failed..."; got != want {
		t.Errorf("heard %q, want %q", got, want)
	}
}

// TestAnswers: what each reply means, and that no secret is in it.
func TestAnswers(t *testing.T) {
	const taken = "; it may have been taken"
	for name, c := range map[string]struct {
		answers map[string]string
		want    correlate.Outcome
		answer  string
	}{
		"unknown pager":  {map[string]string{"PAGE": "550 invalid pager"}, correlate.Permanent, "PAGE: 550 invalid pager"},
		"login":          {map[string]string{"LOGI": "550 access denied"}, correlate.Permanent, "LOGI: 550 access denied"},
		"text":           {map[string]string{"MESS": "550 too long"}, correlate.Permanent, "MESS: 550 too long"},
		"not understood": {map[string]string{"MESS": "500 what"}, correlate.Permanent, "MESS: 500 what"},
		"closing":        {map[string]string{"hello": "421 too busy"}, correlate.Temporary, "greeting: 421 too busy"},
		"full":           {map[string]string{"PAGE": "552 enough"}, correlate.Temporary, "PAGE: 552 enough"},
		"technical":      {map[string]string{"SEND": "554 the transmitter is down"}, correlate.Temporary, "SEND: 554 the transmitter is down"},
		"two-way":        {map[string]string{"SEND": "960 queued"}, correlate.Accepted, "960 queued"},
		"two-way failed": {map[string]string{"SEND": "750 no answer"}, correlate.Temporary, "SEND: 750 no answer"},
		"cut":            {map[string]string{"PAGE": ""}, correlate.Temporary, "EOF"},
		"cut at the end": {map[string]string{"SEND": ""}, correlate.Temporary, "EOF" + taken},
		"hangs":          {map[string]string{"SEND": "hang"}, correlate.Temporary, "no answer in time" + taken},
		"no greeting":    {map[string]string{"hello": "hang"}, correlate.Temporary, "no answer in time"},
		"nonsense":       {map[string]string{"PAGE": "yes"}, correlate.Temporary, "the reply is no reply of SNPP"},
		"long line":      {map[string]string{"PAGE": "250 " + strings.Repeat("x", 5000)}, correlate.Temporary, "a line of the reply is too long"},
		"no end":         {map[string]string{"PAGE": strings.Repeat("250-x\r\n", 70)}, correlate.Temporary, "the reply has no end"},
		"no farewell":    {map[string]string{"QUIT": ""}, correlate.Accepted, "250 sent"},
	} {
		t.Run(name, func(t *testing.T) {
			_, o := newTerminal(t, c.answers)
			o.Username, o.Password = "standwatch", "s3cret"
			if r := send(t, o, note); r.Outcome != c.want || r.Answer != c.answer || r.InDoubt != strings.HasSuffix(c.answer, taken) {
				t.Errorf("got %+v, want %s %q", r, c.want, c.answer)
			}
		})
	}
}

func TestRefuses(t *testing.T) {
	_, o := newTerminal(t, nil)
	bad := note
	bad.Address = "5550147 1234\r\nSEND"
	if r := send(t, o, bad); r.Outcome != correlate.Permanent {
		t.Errorf("got %+v", r)
	}
	for want, o := range map[string]Options{
		"a paging terminal needs a host":        {},
		"a password needs a user name":          {Host: "pager.example.net", Password: "x"},
		"longest is 20 to 900 characters":       {Host: "pager.example.net", Longest: 5},
		"user name and password have no blanks": {Host: "pager.example.net", Username: "a b"},
	} {
		if _, err := New(o); err == nil || err.Error() != want {
			t.Errorf("got %v, want %s", err, want)
		}
	}
}

// FuzzReply: whatever a terminal says is a reply or an error.
func FuzzReply(f *testing.F) {
	for _, s := range []string{"250 ok\r\n", "214-help\r\n", "", "99", "-12 x", "250-", "2é0 x"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, line string) {
		r, more, err := parse(line)
		if err == nil && (r.code < 100 || r.code > 999) {
			t.Errorf("%q: %+v %v", line, r, more)
		}
		if o := r.outcome(); o != correlate.Temporary && o != correlate.Permanent {
			t.Errorf("%q means %s", line, o)
		}
	})
}
