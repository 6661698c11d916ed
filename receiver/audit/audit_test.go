package audit

import (
	"context"
	"fmt"
	"math"
	"net"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/audit/responder"
	"example.net/standwatch/receiver/rules"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

const contactState = "1.3.6.1.4.1.32473.10.2.1.2"

// contacts are specs that read the contacts of the invented remote.
func contacts() Spec {
	return Spec{Name: "contacts", Read: "kestrelContactState", Observe: []rules.Observe{{
		PointBy: &rules.Choice{Of: "kestrelContactState.index", Lookup: "number"},
		WhatBy:  &rules.Choice{Of: "kestrelContactState", Map: map[string]string{"alarm": "raise", "normal": "clear"}}}}}
}

func book(tb testing.TB, specs ...Spec) *Book {
	tb.Helper()
	b, problems := Compile(specs, rules.Options{})
	for _, p := range problems {
		tb.Fatal(p)
	}
	return b
}

// place is a site with contacts 1 to 9.
func place() rules.Where {
	site := &correlate.Site{ID: "tern-point", Name: "Tern Point", Points: map[correlate.PointID]*correlate.Point{}}
	for n := 1; n < 10; n++ {
		id := correlate.PointID(fmt.Sprintf("contact-%d", n))
		site.Points[id] = &correlate.Point{ID: id, Number: n}
	}
	site.Points["list"] = &correlate.Point{ID: "list"}
	return rules.Where{Site: site, Agent: &correlate.Agent{ID: "tern-point-remote", Site: site.ID}}
}

// tree has n contacts, the odd ones in alarm, and an uptime.
func tree(n int) []snmp.Varbind {
	out := []snmp.Varbind{snmp.Unsigned(snmp.MustOID(sysUpTime), snmp.TagTimeTicks, 4711)}
	for i := 1; i <= n; i++ {
		out = append(out, snmp.Integer(snmp.MustOID(fmt.Sprintf("%s.%d", contactState, i)), int32(2-i%2)))
	}
	return out
}

// serve runs a responder until the test ends.
func serve(tb testing.TB, o responder.Options) netip.AddrPort {
	tb.Helper()
	o.Address, o.Now = netip.MustParseAddrPort("127.0.0.1:0"), time.Now
	r, err := responder.New(o)
	if err != nil {
		tb.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- r.Run(ctx) }()
	tb.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			tb.Error(err)
		}
	})
	return r.Addr()
}

func target(b *Book, at ...netip.AddrPort) *Target {
	return &Target{Agent: "tern-point-remote", Addresses: at, Version: snmp.V2c, Community: "trial", Questions: b.list,
		Timeout: 2 * time.Second, Retries: 1, Repetitions: 4}
}

func read(tb testing.TB, t *Target) *correlate.Audit {
	tb.Helper()
	return NewAsker(time.Now).Ask(tb.Context(), t, place(), correlate.Key{}, Source{}).Audit
}

func said(in *correlate.Audit) string {
	var out []string
	for _, f := range in.Findings {
		out = append(out, f.Observation.What.String()+" "+string(f.Observation.Key.Point))
	}
	return strings.Join(out, ", ")
}

// TestEveryVersionAndSecurity asks the same agent in v1, v2c and in v3 at every
// level with every protocol that a configuration can name.
func TestEveryVersionAndSecurity(t *testing.T) {
	b := book(t, contacts())
	const want = "raise contact-1, clear contact-2, raise contact-3, clear contact-4, raise contact-5"
	var users []usm.User
	for auth := usm.NoAuth; auth <= usm.SHA512; auth++ {
		for priv := usm.NoPriv; priv <= usm.AES256C; priv++ {
			if priv != usm.NoPriv && auth == usm.NoAuth || priv != usm.NoPriv && auth != usm.SHA256 && priv != usm.AES128 {
				continue
			}
			u := usm.User{Name: fmt.Sprintf("u-%s-%s", auth, priv), Auth: auth, Priv: priv}
			if auth != usm.NoAuth {
				u.AuthPass = "invented authentication"
			}
			if priv != usm.NoPriv {
				u.PrivPass = "invented privacy"
			}
			users = append(users, u)
		}
	}
	engine := []byte("\x80\x00\x7e\xd9\x04tern-point")
	at := serve(t, responder.Options{Communities: []string{"trial"}, Users: users, EngineID: engine, Boots: 7, Tree: func() []snmp.Varbind { return tree(5) }})
	for _, version := range []snmp.Version{snmp.V1, snmp.V2c} {
		to := target(b, at)
		to.Version = version
		if in := read(t, to); said(in) != want || in.Failure != "" || in.Uptime != 4711 || in.From != at.String() || len(in.Trouble) > 0 {
			t.Errorf("%s: %q, failure %q, trouble %q", version, said(in), in.Failure, in.Trouble)
		}
	}
	for i := range users {
		to := target(b, at)
		to.Version, to.User, to.EngineIDs = snmp.V3, &users[i], [][]byte{engine}
		if in := read(t, to); said(in) != want || in.Failure != "" {
			t.Errorf("%s: %q, failure %q, trouble %q", users[i].Name, said(in), in.Failure, in.Trouble)
		}
	}
	keys := users[len(users)-1]
	k, err := usm.NewKeys(keys, engine)
	if err != nil || k.Level() != usm.AuthPriv {
		t.Fatal(err)
	}
}

// TestFailuresSayWhatToDo: each way not to get an answer has words of its own.
func TestFailuresSayWhatToDo(t *testing.T) {
	b := book(t, contacts())
	user := usm.User{Name: "kestrel", Auth: usm.SHA256, AuthPass: "invented authentication", Priv: usm.AES128, PrivPass: "invented privacy"}
	at := serve(t, responder.Options{Communities: []string{"trial"}, Users: []usm.User{user}, EngineID: []byte("\x80\x00\x7e\xd9\x04tern"), Boots: 1, Tree: func() []snmp.Varbind { return tree(2) }})
	free, err := net.ListenUDP("udp", net.UDPAddrFromAddrPort(netip.MustParseAddrPort("127.0.0.1:0")))
	if err != nil {
		t.Fatal(err)
	}
	closed := free.LocalAddr().(*net.UDPAddr).AddrPort()
	if err := free.Close(); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name   string
		change func(*Target)
		want   string
	}{
		{"community", func(t *Target) { t.Community = "wrong" }, "let this machine ask with that community?"},
		{"closed port", func(t *Target) { t.Addresses = []netip.AddrPort{closed} }, "nothing listens at"},
		{"unknown user", func(t *Target) { u := user; u.Name = "nobody"; t.Version, t.User = snmp.V3, &u }, "does not know the user nobody"},
		{"wrong secret", func(t *Target) { u := user; u.AuthPass = "another passphrase"; t.Version, t.User = snmp.V3, &u }, "the authentication secret or protocol differs"},
		{"wrong privacy", func(t *Target) { u := user; u.PrivPass = "another passphrase"; t.Version, t.User = snmp.V3, &u }, "the privacy secret or protocol"},
		{"other engine", func(t *Target) {
			t.Version, t.User, t.EngineIDs = snmp.V3, &user, [][]byte{[]byte("\x80\x00\x7e\xd9\x04other")}
		}, "not among the agent's engine-id"},
	} {
		t.Run(c.name, func(t *testing.T) {
			to := target(b, at)
			to.Timeout, to.Retries = 200*time.Millisecond, 0
			c.change(to)
			in := read(t, to)
			if !strings.Contains(in.Failure, c.want) || len(in.Findings) > 0 {
				t.Errorf("failure %q, want %q in it", in.Failure, c.want)
			}
			if strings.Contains(in.Failure, "passphrase") || strings.Contains(in.Failure, "trial") {
				t.Errorf("a secret shows in %q", in.Failure)
			}
		})
	}
	t.Run("second address", func(t *testing.T) {
		to := target(b, closed, at)
		to.Timeout = 200 * time.Millisecond
		if in := read(t, to); in.Failure != "" || in.From != at.String() || len(in.Findings) != 2 {
			t.Errorf("failure %q, from %s, %d findings", in.Failure, in.From, len(in.Findings))
		}
	})
}

// hostile is an agent of a responder's answers, changed on the way.
func hostile(tb testing.TB, values func() []snmp.Varbind, change func(question, answer []byte) [][]byte) netip.AddrPort {
	tb.Helper()
	r, err := responder.New(responder.Options{Address: netip.MustParseAddrPort("127.0.0.1:0"), Communities: []string{"trial"}, Tree: values, Now: time.Now})
	if err != nil {
		tb.Fatal(err)
	}
	conn, err := net.ListenUDP("udp", net.UDPAddrFromAddrPort(netip.MustParseAddrPort("127.0.0.1:0")))
	if err != nil {
		tb.Fatal(err)
	}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		buf := make([]byte, 65536)
		for {
			n, from, err := conn.ReadFromUDPAddrPort(buf)
			if err != nil {
				return
			}
			answer, ok := r.Answer(buf[:n])
			if !ok {
				continue
			}
			for _, out := range change(buf[:n], answer) {
				if _, err := conn.WriteToUDPAddrPort(out, from); err != nil {
					return
				}
			}
		}
	}()
	tb.Cleanup(func() {
		_ = conn.Close() // ends the loop
		<-ended
		_ = r.Close() // never run
	})
	return conn.LocalAddr().(*net.UDPAddr).AddrPort()
}

// TestHostileAnswers: whatever comes beside the true answer is dropped, and the
// true answer counts.
func TestHostileAnswers(t *testing.T) {
	b := book(t, contacts())
	huge := []byte("\x30\x22\x02\x01\x01\x04\x05trial\xa2\x16\x02\x01\x01\x02\x01\x00\x02\x01\x00\x30\x8b\x7f\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff")
	var late []byte
	for _, c := range []struct {
		name    string
		change  func(q, a []byte) [][]byte
		dropped bool
	}{
		{"another request-id first", func(_, a []byte) [][]byte { return [][]byte{renumbered(t, a, 5), a} }, true},
		{"request-id 0 first", func(_, a []byte) [][]byte { return [][]byte{renumbered(t, a, 0), a} }, true},
		{"the answer before last first", func(_, a []byte) [][]byte {
			out := [][]byte{a}
			if late != nil {
				out = [][]byte{late, a}
			}
			late = slices.Clone(a)
			return out
		}, true},
		{"the question back first", func(q, a []byte) [][]byte { return [][]byte{slices.Clone(q), a} }, true},
		{"a length beyond all bounds first", func(_, a []byte) [][]byte { return [][]byte{huge, a} }, true},
		{"seven octets first", func(_, a []byte) [][]byte { return [][]byte{[]byte("\x30\x05\x02\x01\x03\x04\x00"), a} }, true},
		{"every truncation first", func(_, a []byte) (out [][]byte) {
			for n := range a {
				out = append(out, a[:n])
			}
			return append(out, a)
		}, true},
		{"twice", func(_, a []byte) [][]byte { return [][]byte{a, a} }, false},
		{"octets after it", func(_, a []byte) [][]byte { return [][]byte{append(slices.Clone(a), 1, 2, 3)} }, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			asker := NewAsker(time.Now)
			to := target(b, hostile(t, func() []snmp.Varbind { return tree(9) }, c.change))
			in := asker.Ask(t.Context(), to, place(), correlate.Key{}, Source{}).Audit
			if in.Failure != "" || len(in.Findings) != 9 || len(in.Trouble) > 0 {
				t.Errorf("failure %q, trouble %q, %d findings", in.Failure, in.Trouble, len(in.Findings))
			}
			if c.dropped && asker.Dropped() == 0 {
				t.Error("nothing was dropped")
			}
		})
	}
}

// renumbered changes the request-id of a v2c message, keeping its size.
func renumbered(tb testing.TB, a []byte, id byte) []byte {
	tb.Helper()
	out := slices.Clone(a)
	_, body, _, _ := take(out)
	_, _, body, _ = take(body)
	_, _, body, _ = take(body)
	_, pdu, _, ok := take(body)
	_, octets, _, ok2 := take(pdu)
	if !ok || !ok2 {
		tb.Fatal("not an answer")
	}
	clear(octets) // aliases out
	octets[len(octets)-1] = id
	return out
}

// TestTablesEnd: loops and tables without end are left with a word.
func TestTablesEnd(t *testing.T) {
	b := book(t, contacts())
	t.Run("loop", func(t *testing.T) {
		count := atomic.Int64{}
		values := func() []snmp.Varbind { return tree(9) }
		at := hostile(t, values, func(_, a []byte) [][]byte {
			count.Add(1)
			return [][]byte{backwards(a)}
		})
		in := read(t, target(b, at))
		if len(in.Findings) > 0 || !slices.ContainsFunc(in.Trouble, func(s string) bool { return strings.Contains(s, "loops") }) || count.Load() > 8 {
			t.Errorf("findings %d, trouble %q after %d questions", len(in.Findings), in.Trouble, count.Load())
		}
	})
	t.Run("too long", func(t *testing.T) {
		long := tree(maxRows + 1)
		to := target(b, serve(t, responder.Options{Communities: []string{"trial"}, Tree: func() []snmp.Varbind { return long }}))
		to.Repetitions = 200
		in := read(t, to)
		if len(in.Findings) > 0 || !slices.ContainsFunc(in.Trouble, func(s string) bool { return strings.Contains(s, "more than 4096 rows") }) {
			t.Errorf("findings %d, trouble %q", len(in.Findings), in.Trouble)
		}
	})
	t.Run("too large", func(t *testing.T) {
		large := tree(0)
		for i := range 1000 {
			large = append(large, snmp.Octets(snmp.MustOID(fmt.Sprintf("%s.%d", contactState, i+1)), make([]byte, 1250)))
		}
		to := target(b, serve(t, responder.Options{Communities: []string{"trial"}, Tree: func() []snmp.Varbind { return large }}))
		in := read(t, to)
		if !slices.ContainsFunc(in.Trouble, func(s string) bool { return strings.Contains(s, "more than 1048576 octets") }) {
			t.Errorf("trouble %q", in.Trouble)
		}
	})
}

// backwards turns the last arc of every contact in an answer into 1, so that
// names do not increase.
func backwards(a []byte) []byte {
	out := slices.Clone(a)
	column := string(snmp.MustOID(contactState))
	for i := 0; ; {
		at := strings.Index(string(out[i:]), column)
		if at < 0 {
			return out
		}
		i += at + len(column)
		out[i] = 1
	}
}

// TestRestartWhileRead: what was read before and after a restart does not
// belong together.
func TestRestartWhileRead(t *testing.T) {
	ticks := atomic.Uint64{}
	ticks.Store(1000)
	at := serve(t, responder.Options{Communities: []string{"trial"}, Tree: func() []snmp.Varbind {
		out := tree(3)
		out[0] = snmp.Unsigned(snmp.MustOID(sysUpTime), snmp.TagTimeTicks, ticks.Load())
		ticks.Store(10)
		return out
	}})
	res := NewAsker(time.Now).Ask(t.Context(), target(book(t, contacts()), at), place(), correlate.Key{}, Source{})
	if !res.Again || len(res.Audit.Findings) > 0 || len(res.Audit.Trouble) != 1 {
		t.Errorf("again %v, %d findings, trouble %q", res.Again, len(res.Audit.Findings), res.Audit.Trouble)
	}
}

// TestPanicOfTheLibraryIsContained: whatever the library does, asking fails
// with a word.
func TestPanicOfTheLibraryIsContained(t *testing.T) {
	s, err := open(t.Context(), target(book(t, contacts()), netip.MustParseAddrPort("127.0.0.1:9")), netip.MustParseAddrPort("127.0.0.1:9"), new(atomic.Uint64))
	if err != nil {
		t.Fatal(err)
	}
	defer s.close()
	s.lib = nil
	if _, err := s.get(t.Context(), snmp.MustOID(sysUpTime)); err == nil || !strings.Contains(err.Error(), "broke the decoder") {
		t.Errorf("got %v", err)
	}
}

// TestReadNow reads one point by GET of its row, once its row is known.
func TestReadNow(t *testing.T) {
	var kinds []byte
	var mu sync.Mutex // guards kinds
	at := hostile(t, func() []snmp.Varbind { return tree(9) }, func(q, a []byte) [][]byte {
		mu.Lock()
		defer mu.Unlock()
		_, body, _, _ := take(q)
		_, _, body, _ = take(body)
		_, _, body, _ = take(body)
		kinds = append(kinds, body[0])
		return [][]byte{a}
	})
	to := target(book(t, contacts()), at)
	asker := NewAsker(time.Now)
	all := asker.Ask(t.Context(), to, place(), correlate.Key{}, Source{})
	key := correlate.Key{Site: "tern-point", Point: "contact-3"}
	mu.Lock()
	kinds = nil
	mu.Unlock()
	res := asker.Ask(t.Context(), to, place(), key, all.Sources[key])
	mu.Lock()
	defer mu.Unlock()
	if said(res.Audit) != "raise contact-3" || res.Audit.Only != key || slices.Contains(kinds, snmp.KindGetBulk) {
		t.Errorf("said %q with questions % x", said(res.Audit), kinds)
	}
}

// TestSensorReading computes readings by RFC 3433 section 4: columns are type,
// scale, precision, value, status.
func TestSensorReading(t *testing.T) {
	for _, c := range []struct {
		raw  [5]int64
		want float64
		why  bool
	}{
		{[5]int64{8, 9, 1, 234, 1}, 23.4, false},      // 23.4 degrees
		{[5]int64{8, 9, 0, -7, 1}, -7, false},         // whole degrees
		{[5]int64{4, 8, 0, 53900, 1}, 53.9, false},    // millivolts
		{[5]int64{4, 8, 2, 5390000, 1}, 53.9, false},  // hundredths of millivolts
		{[5]int64{6, 10, 3, 4250, 1}, 4250, false},    // kilowatts with three decimals
		{[5]int64{7, 11, 0, 450, 1}, 450e6, false},    // megahertz
		{[5]int64{5, 9, -2, 17, 1}, 17, false},        // two exact digits move nothing
		{[5]int64{12, 9, 0, 1, 1}, 1, false},          // true
		{[5]int64{8, 9, 0, 1000000000, 1}, 0, true},   // overflow
		{[5]int64{8, 9, 0, -1000000000, 1}, 0, true},  // underflow
		{[5]int64{8, 18, 0, 1, 1}, 0, true},           // no such scale
		{[5]int64{8, 9, 0, 1, 3}, 0, true},            // broken
		{[5]int64{4, 1, 0, 1000000, 1}, 1e-18, false}, // yocto
		{[5]int64{4, 17, 9, 1000000, 1}, 1e21, false}, // yotta with nine decimals
	} {
		got, why := sensorReading(c.raw)
		if (why != "") != c.why || !c.why && math.Abs(got-c.want) > 1e-12*math.Abs(c.want) {
			t.Errorf("%v: %g (%q), want %g", c.raw, got, why, c.want)
		}
	}
}

// TestProblems: every mistake of a question is said.
func TestProblems(t *testing.T) {
	raise := []rules.Observe{{Point: "list", What: "raise"}}
	for _, c := range []struct {
		spec Spec
		want string
	}{
		{Spec{Name: "a", Observe: raise}, "reads 0 objects"},
		{Spec{Name: "A b", Read: "ifOperStatus", Observe: raise}, "needs a name"},
		{Spec{Name: "a", Read: "ifOperStatu", Observe: raise}, `no object named "ifOperStatu"`},
		{Spec{Name: "a", Read: "ifOperStatus"}, "does not say what a row means"},
		{Spec{Name: "a", Read: "ifOperStatus", Observe: raise, Cases: []Case{{Observe: raise}}}, "both observe and cases"},
		{Spec{Name: "a", Read: "upsAlarmDescr", Observe: raise, Absent: "list"}, "an empty table looks like one"},
		{Spec{Name: "a", Read: "upsAlarmDescr", Observe: raise, Absent: "list", Proof: "sysUpTime", Count: "upsAlarmsPresent"}, "both proof and count"},
		{Spec{Name: "a", Read: "ifOperStatus", Observe: []rules.Observe{{Point: "list", What: "event"}}}, "what is read is a state"},
		{Spec{Name: "a", Read: "ifOperStatus", Observe: []rules.Observe{{Point: "list", WhatBy: &rules.Choice{Of: "ifOperStatus", Map: map[string]string{"upp": "clear"}}}}}, `no word "upp"`},
	} {
		_, problems := Compile([]Spec{c.spec}, rules.Options{})
		if !slices.ContainsFunc(problems, func(p rules.Problem) bool { return strings.Contains(p.What, c.want) }) {
			t.Errorf("%+v: %v, want %q", c.spec, problems, c.want)
		}
	}
	if _, problems := Compile([]Spec{contacts(), contacts()}, rules.Options{}); len(problems) != 1 || !strings.Contains(problems[0].What, "there twice") {
		t.Errorf("twice: %v", problems)
	}
}

// lab is a runner over one agent whose answers stand in for the ledger's.
type lab struct {
	*Runner
	audits chan *correlate.Audit
	late   atomic.Int64 // answers to be called late
}

func newLab(t *testing.T, to *Target) *lab {
	t.Helper()
	l := &lab{audits: make(chan *correlate.Audit, 100)}
	var err error
	l.Runner, err = NewRunner(RunnerOptions{Now: time.Now, Log: zerolog.Nop(), Targets: []*Target{to},
		Where: func(correlate.AgentID) rules.Where { return place() },
		Submit: func(_ context.Context, in *correlate.Audit) ([]correlate.Event, error) {
			l.audits <- in
			return []correlate.Event{&correlate.Audited{Agent: in.Agent, Failure: in.Failure, Late: int(l.late.Load())}}, nil
		}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- l.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	return l
}

// next waits for the next audit.
func (l *lab) next(t *testing.T) *correlate.Audit {
	t.Helper()
	select {
	case in := <-l.audits:
		return in
	case <-time.After(time.Minute):
		t.Fatal("no audit came")
		return nil
	}
}

// TestRunnerAsksAndMerges: a person is asked for at once, requests are merged,
// and the state of the plan can be seen.
func TestRunnerAsksAndMerges(t *testing.T) {
	hold, began := make(chan struct{}), make(chan struct{}, 100)
	at := hostile(t, func() []snmp.Varbind { return tree(3) }, func(_, a []byte) [][]byte {
		began <- struct{}{}
		<-hold
		return [][]byte{a}
	})
	to := target(book(t, contacts()), at)
	to.Timeout = 10 * time.Second
	l := newLab(t, to)
	if err := l.Ask(Request{Agent: "nobody"}); err == nil {
		t.Error("an agent that is asked nothing was taken")
	}
	key := correlate.Key{Site: "tern-point", Point: "contact-1"}
	for _, q := range []Request{{Agent: to.Agent, Why: WhyRestart}, {Agent: to.Agent, Why: WhyAsked, Actor: "operator", Only: key}} {
		if err := l.Ask(q); err != nil {
			t.Fatal(err)
		}
	}
	<-began
	for range 50 { // while it runs: one more, whatever how often it is asked for
		if err := l.Ask(Request{Agent: to.Agent, Why: WhyGap, Actor: "operator"}); err != nil {
			t.Fatal(err)
		}
	}
	if st := l.Status(to.Agent); !st.Running || !st.Waiting || len(st.Questions) != 1 {
		t.Errorf("status %+v", st)
	}
	close(hold)
	if in := l.next(t); in.Actor != "operator" || in.Why != WhyAsked || !in.Only.IsZero() || len(in.Findings) != 3 {
		t.Errorf("merged to %+v", in)
	}
	if in := l.next(t); in.Why != WhyGap {
		t.Errorf("then %+v", in)
	}
	if tally := l.Tally(); tally.Answered < 1 || tally.Failed != 0 {
		t.Errorf("tally %+v", tally)
	}
	if len(l.audits) != 0 {
		t.Errorf("%d audits too many", len(l.audits))
	}
}

// TestRunnerKeepsItsDistance: what the program itself gives cause for is not
// asked more often than causeGap allows; failures are tried again later and
// later.
func TestRunnerKeepsItsDistance(t *testing.T) {
	now := time.Date(2026, 11, 25, 6, 0, 0, 0, time.UTC)
	a := &asked{target: &Target{Agent: "a", Every: time.Hour}, began: now}
	r := &Runner{}
	for _, c := range []struct {
		q    Request
		want time.Duration
	}{
		{Request{Agent: "a", Why: WhyRestart}, causeGap},
		{Request{Agent: "a", Why: WhyAsked, Actor: "operator"}, personGap},
		{Request{Agent: "a", Why: WhyLate}, settle},
	} {
		if got := r.notBefore(a, &c.q, now).Sub(now); got != c.want {
			t.Errorf("%+v: after %v, want %v", c.q, got, c.want)
		}
	}
	a.lates = lateMost
	if got := r.notBefore(a, &Request{Agent: "a", Why: WhyLate}, now).Sub(now); got != causeGap {
		t.Errorf("late for the %dth time: after %v", lateMost, got)
	}
	for n, want := range map[int]time.Duration{1: time.Minute, 2: 2 * time.Minute, 3: 4 * time.Minute, 60: time.Hour} {
		if got := retryAfter(n, 0); got != want {
			t.Errorf("failure %d: after %v, want %v", n, got, want)
		}
	}
	if got := retryAfter(9, 5*time.Minute); got != 5*time.Minute {
		t.Errorf("later than the schedule: %v", got)
	}
	if at := r.schedule(a, now); !at.After(now) || at.Sub(now) > time.Hour || !r.schedule(a, at).Equal(at.Add(time.Hour)) {
		t.Errorf("schedule %v", at)
	}
}

// TestWatch reads causes out of records.
func TestWatch(t *testing.T) {
	site := &correlate.Site{ID: "s", Points: map[correlate.PointID]*correlate.Point{"alive": {ID: "alive", Kind: correlate.Alive}}, Agents: []correlate.AgentID{"a"}}
	network, err := correlate.NewNetwork([]*correlate.Site{site}, []*correlate.Agent{{ID: "a", Site: "s", Point: "alive", Heartbeat: time.Minute}}, "h")
	if err != nil {
		t.Fatal(err)
	}
	count := func(n uint32) *correlate.Arrival {
		return &correlate.Arrival{Agent: "a", Sequence: n, HasSequence: true}
	}
	v3 := func(boots uint32) *correlate.Arrival {
		return &correlate.Arrival{Agent: "a", Version: "v3", EngineID: []byte("e"), Boots: boots}
	}
	w := NewWatch(map[string]*correlate.EngineClock{"e": {EngineID: []byte("e"), Boots: 3}})
	cleared := &correlate.AlarmCleared{On: correlate.On{Key: correlate.Key{Site: "s", Point: "alive"}}}
	for i, c := range []struct {
		in     correlate.Input
		events []correlate.Event
		want   string
	}{
		{&correlate.Start{}, nil, WhyStart},
		{count(1), nil, ""},
		{count(2), nil, ""},
		{count(4), nil, WhyGap},
		{count(3), nil, ""}, // the missing one came after all
		{count(5), nil, ""},
		{count(5), nil, ""}, // a duplicate
		{&correlate.Arrival{Agent: "a", Restart: true, Sequence: 1, HasSequence: true}, nil, WhyRestart},
		{count(2), nil, ""},
		{&correlate.Arrival{Agent: "a", Sequence: 9, HasSequence: true, RunAgain: 7}, nil, ""},
		{&correlate.Arrival{Sequence: 9, HasSequence: true}, nil, ""},
		{v3(3), nil, ""},
		{v3(4), nil, WhyRestart},
		{v3(4), nil, ""},
		{v3(3), nil, ""},
		{count(3), []correlate.Event{cleared}, WhySilence},
		{&correlate.Audit{}, []correlate.Event{&correlate.AlarmCleared{On: cleared.On, Audit: true}}, ""},
		{&correlate.Audit{}, []correlate.Event{&correlate.Audited{Agent: "a", Late: 1}}, WhyLate},
	} {
		got := ""
		for _, cause := range w.Causes(&correlate.Record{Input: c.in, Events: c.events}, network) {
			got += cause.Why
		}
		if got != c.want {
			t.Errorf("%d %T: cause %q, want %q", i, c.in, got, c.want)
		}
	}
	w = NewWatch(nil)
	w.Causes(&correlate.Record{Input: count(math.MaxUint32)}, network)
	if got := w.Causes(&correlate.Record{Input: count(0)}, network); len(got) != 0 {
		t.Errorf("a count that wraps: %v", got)
	}
}

// FuzzGuard: no datagram gets the guard to panic, and what passes has the form
// that the library relies on.
func FuzzGuard(f *testing.F) {
	var d snmp.Decoder
	question, err := (&snmp.Build{Version: snmp.V2c, Community: "trial", TrapOID: snmp.MustOID("1.3.6.1.6.3.1.1.5.1"), RequestID: 77}).Append(nil)
	if err != nil {
		f.Fatal(err)
	}
	if _, err := d.Parse(question); err != nil {
		f.Fatal(err)
	}
	answer := slices.Clone(question)
	answer[slices.Index(answer, 0xa7)] = tagResponse
	f.Add(answer)
	f.Add(question)
	f.Add([]byte("\x30\x05\x02\x01\x03\x04\x00"))
	f.Add([]byte("\x30\x3e\x02\x01\x03\x30\x11\x02\x04\x00\x00\x00\x4d\x02\x03\x00\xff\xe3\x04\x01\x00\x02\x01\x03\x04\x10\x30\x0e\x04\x00\x02\x01\x00\x02\x01\x00\x04\x00\x04\x00\x04\x00\x30\x14\x04\x00\x04\x00\xa8\x0e\x02\x01\x00\x02\x01\x00\x02\x01\x00\x30\x03\x30\x01\x00"))
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, level := range []usm.Level{0, usm.NoAuthNoPriv, usm.AuthPriv} {
			g := &guard{level: level, dropped: new(atomic.Uint64), open: []int64{77}}
			size, ok := g.answers(b)
			if !ok {
				continue
			}
			if id, has := number(b); !has || id != 77 || size > len(b) || size < 10 {
				t.Errorf("passed % x with number %d and size %d", b, id, size)
			}
		}
	})
}
