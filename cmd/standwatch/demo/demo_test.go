package demo

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/netip"
	"net/smtp"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"example.net/standwatch/cmd/standwatch/demo/wire"
	"example.net/standwatch/cmd/standwatch/demo/wire/wiretest"
	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/snmp"
)

// TestMain fails the run when anything that was started goes on.
func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// run starts a stand-in and stops it at the end of the test.
func run(t *testing.T, serve func(context.Context) error) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- serve(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
}

func TestMailbox(t *testing.T) {
	box, err := NewMailbox("127.0.0.1:0", time.Now, nil)
	if err != nil {
		t.Fatal(err)
	}
	run(t, box.Run)
	send := func() error {
		body := "From: master@example.net\r\nSubject: =?utf-8?q?Mains_failed_=E2=80=93_Harrow_Knoll?=\r\n\r\nhello\r\n"
		return smtp.SendMail(box.Addr(), nil, "master@example.net", []string{"north-crew@example.net"}, []byte(body))
	}
	if err := send(); err != nil {
		t.Fatal(err)
	}
	got := box.Mails()
	if len(got) != 1 || got[0].Subject != "Mains failed – Harrow Knoll" || got[0].To[0] != "north-crew@example.net" {
		t.Errorf("caught %+v", got)
	}
	box.Fail(Busy)
	if err := send(); err == nil || !strings.HasPrefix(err.Error(), "451") {
		t.Errorf("busy: got %v, want a 451", err)
	}
	box.Fail(Rejecting)
	if err := send(); err == nil || !strings.HasPrefix(err.Error(), "550") {
		t.Errorf("rejecting: got %v, want a 550", err)
	}
	box.Fail(Working)
	if err := send(); err != nil || len(box.Mails()) != 2 {
		t.Errorf("working again: %v, %d mails, want 2", err, len(box.Mails()))
	}
}

func TestPhones(t *testing.T) {
	phones, err := NewPhones("127.0.0.1:0", time.Now, nil)
	if err != nil {
		t.Fatal(err)
	}
	run(t, phones.Run)
	t.Cleanup(http.DefaultClient.CloseIdleConnections)
	post := func(body string) (int, map[string]string) {
		t.Helper()
		res, err := http.Post("http://"+phones.Addr()+"/messages", "application/json", strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		var out map[string]string
		if err := json.NewDecoder(res.Body).Decode(&out); err != nil {
			t.Fatal(err)
		}
		return res.StatusCode, out
	}
	const message = `{"to":"+12025550143","text":"Mains failed","ref":"m1"}`
	for range 2 { // the same reference twice is one message
		if status, out := post(message); status != 202 || out["id"] != "text-1" {
			t.Errorf("got %d %v, want 202 text-1", status, out)
		}
	}
	if got := phones.Texts(); len(got) != 1 || got[0].Body != "Mains failed" || got[0].To != "+12025550143" {
		t.Errorf("caught %+v", got)
	}
	if status, _ := post(`{"to":"north crew","text":"x"}`); status != 400 {
		t.Errorf("a number that is none: got %d, want 400", status)
	}
	phones.Fail(Busy)
	if status, _ := post(message); status != 503 {
		t.Errorf("busy: got %d, want 503", status)
	}
}

// smallNetwork has two sites with what the tests' scripts name.
func smallNetwork(t *testing.T) *correlate.Network {
	t.Helper()
	point := func(id correlate.PointID, kind correlate.Kind, number int) *correlate.Point {
		return &correlate.Point{ID: id, Kind: kind, Name: string(id), Number: number}
	}
	site := &correlate.Site{ID: harrow, Points: map[correlate.PointID]*correlate.Point{
		"mains": point("mains", correlate.Discrete, 7), "battery-voltage": point("battery-voltage", correlate.Analog, 201),
	}}
	net, err := correlate.NewNetwork([]*correlate.Site{site}, []*correlate.Agent{{ID: "harrow-remote", Site: harrow}}, "test")
	if err != nil {
		t.Fatal(err)
	}
	return net
}

func TestSilentRemoteSaysNothing(t *testing.T) {
	m := wiretest.Listen(t, 0)
	a, err := newActor(Remote{Agent: "a", Address: netip.MustParseAddr("127.9.8.13"), Version: snmp.V2c, Community: "c"}, m.Addr(), time.Now())
	if err != nil {
		t.Fatal(err)
	}
	defer a.wire.Close()
	for _, silent := range []bool{true, false} {
		a.silent.Store(silent)
		if err := a.say(t.Context(), time.Now(), func(seq uint32) wire.Notification { return heartbeat(seq, 0) }); err != nil {
			t.Fatal(err)
		}
	}
	if got := m.Next(t); got.Varbinds[1] != "1.3.6.1.4.1.32473.10.1.1.0=2" || a.sent.Load() != 1 {
		t.Errorf("the first that was heard is %q of %d sent, want number 2 of 1", got.Varbinds, a.sent.Load())
	}
}

func TestStoryIsToldAndPlayedInOrder(t *testing.T) {
	m := wiretest.Listen(t, 0)
	var out bytes.Buffer
	var waits []time.Duration
	script := []Beat{
		{At: 20 * time.Second, Ahead: 20 * time.Second, Say: "the mains fail", Look: "a bar", acts: []act{{do: closes, site: harrow, point: "mains"}}},
		{At: 60 * time.Second, Ahead: 10 * time.Second, Say: "the mains return", acts: []act{{do: opens, site: harrow, point: "mains"}}},
		{At: 30 * time.Second, acts: []act{{do: reads, site: harrow, point: "battery-voltage", value: 48.25}}},
	}
	d, err := New(Options{
		Out: &out, Master: m.Addr(), Network: smallNetwork(t), Script: script, Pace: 10, Now: time.Now,
		Remotes: []Remote{{Agent: "harrow-remote", Site: harrow, Address: netip.MustParseAddr("127.9.8.14"), Version: snmp.V2c, Community: "c"}},
		Wait:    func(ctx context.Context, d time.Duration) error { waits = append(waits, d); return ctx.Err() },
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	got := []wiretest.Heard{m.Next(t), m.Next(t), m.Next(t)}
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	for i, want := range []string{
		"1.3.6.1.4.1.32473.10.2.1.2.7=1", "1.3.6.1.4.1.32473.10.3.1.2.201=483", "1.3.6.1.4.1.32473.10.2.1.2.7=2",
	} {
		if got[i].Varbinds[1] != want {
			t.Errorf("notification %d says %q, want %s", i+1, got[i].Varbinds, want)
		}
	}
	if fmt.Sprint(waits) != "[0s 2s 1s 2s 1s]" {
		t.Errorf("waited %v at ten times the pace", waits)
	}
	for _, line := range []string{"In 2 s the mains fail.", "Now the mains fail. Look for: a bar.", "In 1 s the mains return."} {
		if !strings.Contains(out.String(), line) {
			t.Errorf("the story lacks %q:\n%s", line, out.String())
		}
	}
}

func TestNewRefuses(t *testing.T) {
	m := wiretest.Listen(t, 0)
	base := Options{Out: &bytes.Buffer{}, Master: m.Addr(), Network: smallNetwork(t), Now: time.Now, Script: []Beat{},
		Remotes: []Remote{{Agent: "harrow-remote", Site: harrow, Address: netip.MustParseAddr("127.9.8.15"), Version: snmp.V2c}}}
	for name, c := range map[string]struct {
		change func(*Options)
		want   string
	}{
		"a master elsewhere": {func(o *Options) { o.Master = netip.MustParseAddrPort("192.0.2.1:162") }, "no loopback address"},
		"a remote elsewhere": {func(o *Options) { o.Remotes = []Remote{{Agent: "x", Address: netip.MustParseAddr("192.0.2.9")}} }, "no loopback address"},
		"a remote that cannot speak": {func(o *Options) {
			o.Remotes = []Remote{{Agent: "x", Address: netip.MustParseAddr("127.0.0.9"), Version: snmp.V3}}
		}, "needs a user name"},
		"a site without a remote":   {func(o *Options) { o.Script = []Beat{{acts: []act{{do: hushes, site: tern}}}} }, `site "tern-point" has no remote`},
		"a point that is not there": {func(o *Options) { o.Script = []Beat{{acts: []act{{do: closes, site: harrow, point: "door"}}}} }, `no point "door"`},
		"an address that is taken":  {func(o *Options) { o.MailAddr = "127.0.0.1:1:1" }, "listen for mail"},
	} {
		t.Run(name, func(t *testing.T) {
			o := base
			c.change(&o)
			d, err := New(o)
			if err == nil {
				d.Close()
				t.Fatal("want an error")
			}
			if !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %q, want it to say %q", err, c.want)
			}
		})
	}
}

// TestScriptTakesMinutes holds the story to a length that a visitor watches.
func TestScriptTakesMinutes(t *testing.T) {
	script := Script()
	last := time.Duration(0)
	for _, b := range script {
		last = max(last, b.At)
		if b.Ahead > b.At {
			t.Errorf("%q is announced before the story begins", b.Say)
		}
	}
	if last < 4*time.Minute || last > 6*time.Minute {
		t.Errorf("the story takes %v, want 4 to 6 minutes", last)
	}
}
