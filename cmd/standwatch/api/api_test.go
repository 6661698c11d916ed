package api

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/cmd/standwatch/api/apitest"
	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store/accounts"

	"github.com/google/go-cmp/cmp"
	"github.com/rs/zerolog"
)

// stage is the API over a real ledger and store.
type stage struct {
	*apitest.Centre
	server  *server
	handler http.Handler
	closing chan struct{}
	zone    *time.Location
}

func newStage(t *testing.T) *stage {
	t.Helper()
	c := apitest.Open(t)
	st := &stage{Centre: c, closing: make(chan struct{}), zone: time.FixedZone("centre", 3600)}
	st.server = newServer(Options{
		Board: c.Ledger, Journal: c.Store, Archive: c.Store, Upkeep: keptHere, Submit: c.Submit, Intake: books(c), OnCall: onCall, Shifts: func() []configs.Shift {
			return []configs.Shift{{Name: "day", From: 7 * 60, To: 19 * 60}, {Name: "night", From: 19 * 60, To: 7 * 60}}
		}, Plan: c.Plan(t), Sentence: func() Sentence { return Sentence{Text: "Nothing stands.", Standing: 0, Untaken: 0} },
		Actor: func(*http.Request) string { return "tester" }, Zone: st.zone, Now: c.Now, Closing: st.closing, Log: zerolog.Nop(), Version: `1.0 "test"`,
	})
	st.handler = access.As(accounts.Who{Name: "tester", Role: accounts.Administer}, st.server.handler())
	return st
}

func books(c *apitest.Centre) func() Intake {
	return func() Intake {
		return Intake{
			Since:     c.Now(),
			Listeners: []Books{{Name: "main", Address: "192.0.2.1:162", Arrived: 10, Accepted: map[string]uint64{"matched": 6, "unmatched": 1}, Refused: map[string]uint64{"wrong-community": 2}, InFlight: 1, Newest: c.Now()}},
			Kept:      []Kept{{At: c.Now(), From: "203.0.113.7:4000", Listener: "main", Reason: "wrong-community", Size: 40, Head: []byte("secret")}},
		}
	}
}

func onCall(at time.Time) []Duty {
	return []Duty{{Roster: "north", Name: "north crew", People: []Person{{"n1", "North crew on call"}}, Until: at.Add(time.Hour)}, {Roster: "south", Name: "south crew"}}
}

func (st *stage) ask(method, path, body string, header ...string) *http.Response {
	r := httptest.NewRequest(method, path, strings.NewReader(body))
	if body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	st.handler.ServeHTTP(w, r)
	return w.Result()
}

func decode[T any](t *testing.T, r *http.Response) T {
	t.Helper()
	var v T
	body, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	dec := json.NewDecoder(strings.NewReader(string(body)))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&v); err != nil {
		t.Fatalf("status %d, body %s: %v", r.StatusCode, body, err)
	}
	return v
}

// The life of RFC 8632 appendix C: raised major, cleared, raised major again,
// acknowledged. The same alarm throughout; changes newest first; last-changed
// is the operator's action.
func TestAlarmFollowsRFC8632AppendixC(t *testing.T) {
	st := newStage(t)
	first := st.Now()
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", ""))
	st.Step(4 * time.Minute)
	st.Trap(t, apitest.Clear("harrow-knoll", "mains"))
	st.Step(4 * time.Minute)
	again := st.Now()
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", ""))
	st.Step(10 * time.Second)
	if r := st.ask("POST", "/api/v1/alarms/harrow-knoll:mains/acknowledge", `{"text":"Will investigate"}`); r.StatusCode != 200 {
		t.Fatalf("acknowledge answered %d", r.StatusCode)
	}

	list := decode[AlarmList](t, st.ask("GET", "/api/v1/alarms", ""))
	if list.Number != 1 || len(list.Alarms) != 1 {
		t.Fatalf("got %d alarms, want the same one", list.Number)
	}
	a := list.Alarms[0]
	in := func(d time.Time) string { return d.In(st.zone).Format(time.RFC3339) }
	got := []string{a.Resource, a.TypeID, a.TypeQualifier, a.TimeCreated.Format(time.RFC3339), a.LastRaised.Format(time.RFC3339), a.LastChanged.Format(time.RFC3339), a.Severity.String(), strconv.FormatBool(a.IsCleared)}
	want := []string{"harrow-knoll", "standwatch:point-alarm", "mains", in(first), in(again), in(st.Now()), "major", "false"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("alarm (-want +got):\n%s", diff)
	}
	var changes []string
	for _, c := range a.StatusChanges {
		changes = append(changes, c.Time.Format("15:04:05")+" "+c.Severity.String())
	}
	if diff := cmp.Diff([]string{"07:08:00 major", "07:04:00 cleared", "07:00:00 major"}, changes); diff != "" {
		t.Errorf("status-change (-want +got):\n%s", diff)
	}
	op := a.OperatorChanges
	if len(op) != 1 || op[0].State != "ack" || op[0].Operator != "tester" || op[0].Text != "Will investigate" || op[0].Via != "api" {
		t.Errorf("operator-state-change = %+v", op)
	}
}

func TestAlarmsFilter(t *testing.T) {
	st := newStage(t)
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", ""), apitest.Raise("harrow-knoll", "door", ""))
	st.Trap(t, apitest.Raise("sallow-fen", "tower-light", ""), apitest.Raise("sallow-fen", "door", ""))
	st.Trap(t, apitest.Clear("sallow-fen", "door"))
	for _, tt := range []struct {
		query string
		want  []correlate.AlarmID
	}{
		{"", []correlate.AlarmID{"sallow-fen:tower-light", "harrow-knoll:mains", "harrow-knoll:door"}},
		{"?site=harrow-knoll", []correlate.AlarmID{"harrow-knoll:mains", "harrow-knoll:door"}},
		{"?severity=major", []correlate.AlarmID{"sallow-fen:tower-light", "harrow-knoll:mains"}},
		{"?state=cleared", []correlate.AlarmID{"sallow-fen:door"}},
		{"?state=all&site=sallow-fen", []correlate.AlarmID{"sallow-fen:tower-light", "sallow-fen:door"}},
		{"?state=shelved", nil},
	} {
		list := decode[AlarmList](t, st.ask("GET", "/api/v1/alarms"+tt.query, ""))
		var got []correlate.AlarmID
		for _, a := range list.Alarms {
			got = append(got, a.ID)
		}
		if diff := cmp.Diff(tt.want, got); diff != "" {
			t.Errorf("%q (-want +got):\n%s", tt.query, diff)
		}
	}
}

func TestEntityTagChangesWithTheAlarmsOnly(t *testing.T) {
	st := newStage(t)
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", ""))
	tag := st.ask("GET", "/api/v1/alarms", "").Header.Get("ETag")
	st.Trap(t, correlate.Observation{Key: apitest.Key("sallow-fen", "heard"), What: correlate.AliveSign})
	if r := st.ask("GET", "/api/v1/alarms", "", "If-None-Match", `"other", W/`+tag); r.StatusCode != http.StatusNotModified {
		t.Errorf("unchanged alarms answered %d, want 304", r.StatusCode)
	}
	st.Trap(t, apitest.Raise("harrow-knoll", "door", ""))
	if r := st.ask("GET", "/api/v1/alarms", "", "If-None-Match", tag); r.StatusCode != http.StatusOK {
		t.Errorf("changed alarms answered %d, want 200", r.StatusCode)
	}
}

func TestRequestsThatCannotBeDone(t *testing.T) {
	st := newStage(t)
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", ""))
	const alarm = "/api/v1/alarms/harrow-knoll:mains"
	soon, late := st.Now().Add(time.Hour).Format(time.RFC3339), st.Now().Add(8*24*time.Hour).Format(time.RFC3339)
	for _, tt := range []struct {
		name, method, path, body string
		header                   []string
		status                   int
		detail                   string
	}{
		{"note without text", "POST", alarm + "/note", `{}`, nil, 422, "a note needs a text"},
		{"note of control characters", "POST", alarm + "/note", `{"text":"\u0000\r\n"}`, nil, 422, "a note needs a text"},
		{"note too long", "POST", alarm + "/note", `{"text":"` + strings.Repeat("x", MaxText+1) + `"}`, nil, 422, "longer than 2000"},
		{"shelve without reason", "POST", alarm + "/shelve", `{"until":"` + soon + `"}`, nil, 422, "needs a reason"},
		{"shelve without end", "POST", alarm + "/shelve", `{"text":"works"}`, nil, 422, "still to come"},
		{"shelve for too long", "POST", alarm + "/shelve", `{"text":"works","until":"` + late + `"}`, nil, 422, "within 7 days"},
		{"unshelve what is not shelved", "POST", alarm + "/unshelve", ``, nil, 409, ""},
		{"no such alarm", "POST", "/api/v1/alarms/harrow-knoll:door/acknowledge", ``, nil, 404, "no such alarm"},
		{"no alarm ID", "GET", "/api/v1/alarms/..%2f..%2fetc", ``, nil, 404, "no such alarm"},
		{"unknown member", "POST", alarm + "/note", `{"text":"a","actor":"somebody else"}`, nil, 400, "unknown field"},
		{"two values", "POST", alarm + "/note", `{"text":"a"}{}`, nil, 400, "more than one"},
		{"form instead of JSON", "POST", alarm + "/acknowledge", `text=a`, []string{"Content-Type", "application/x-www-form-urlencoded"}, 415, "application/json"},
		{"too large", "POST", alarm + "/note", `{"text":"` + strings.Repeat("x", MaxBody) + `"}`, nil, 413, "65536"},
		{"another origin", "POST", alarm + "/acknowledge", ``, []string{"Sec-Fetch-Site", "cross-site"}, 403, "another origin"},
		{"another origin, older browser", "POST", alarm + "/acknowledge", ``, []string{"Origin", "https://evil.example.net"}, 403, "another origin"},
		{"unknown filter", "GET", "/api/v1/alarms?colour=red", ``, nil, 400, "not a parameter"},
		{"unknown severity", "GET", "/api/v1/alarms?severity=bad", ``, nil, 400, "severity"},
		{"bad time", "GET", "/api/v1/history?from=yesterday", ``, nil, 400, "RFC 3339"},
		{"bad limit", "GET", "/api/v1/history?limit=100000", ``, nil, 400, "1 to 1000"},
		{"bad kind", "GET", "/api/v1/history?kind=nonsense", ``, nil, 400, "no kind of event"},
		{"no such site", "GET", "/api/v1/sites/nowhere", ``, nil, 404, "no site"},
		{"no such roster", "GET", "/api/v1/rosters/nobody", ``, nil, 404, "no roster"},
		{"no such address", "GET", "/api/v1/nothing", ``, nil, 404, "nothing at this address"},
		{"wrong method", "DELETE", alarm, ``, nil, 405, "answers GET"},
		{"bad Last-Event-ID", "GET", "/api/v1/stream", ``, []string{"Last-Event-ID", "seven"}, 400, "not a record number"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := st.ask(tt.method, tt.path, tt.body, tt.header...)
			if kind := r.Header.Get("Content-Type"); kind != "application/problem+json" {
				t.Errorf("content type %q, want a problem document", kind)
			}
			p := decode[Problem](t, r)
			if r.StatusCode != tt.status || p.Status != tt.status || p.Title != http.StatusText(tt.status) || !strings.Contains(p.Detail, tt.detail) {
				t.Errorf("answered %d %+v, want %d with %q", r.StatusCode, p, tt.status, tt.detail)
			}
			if tt.status == 405 && r.Header.Get("Allow") != "GET" {
				t.Errorf("Allow = %q", r.Header.Get("Allow"))
			}
		})
	}
}

func TestInternalErrorsStayInside(t *testing.T) {
	st := newStage(t)
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", ""))
	st.server.Submit = func(context.Context, correlate.Input) ([]correlate.Event, error) {
		return nil, errors.New("disk /dev/secret is full")
	}
	p := decode[Problem](t, st.ask("POST", "/api/v1/alarms/harrow-knoll:mains/acknowledge", ""))
	if p.Status != 500 || strings.Contains(p.Detail, "secret") {
		t.Errorf("got %+v", p)
	}
}

func TestPlainText(t *testing.T) {
	for in, want := range map[string]string{
		"a\r\nSet-Cookie: b":  "a Set-Cookie: b",
		"  two\t words ":      "two words",
		"bell\a and \x1b[31m": "bell and [31m",
		"right\u202eleft":     "rightleft",
		"bad \xff octet":      "bad \uFFFD octet",
		"Grüße":               "Grüße",
	} {
		if got := PlainText(in); got != want {
			t.Errorf("PlainText(%q) = %q, want %q", in, got, want)
		}
	}
}

func TestHistoryPagesCoverTheJournalOnce(t *testing.T) {
	st := newStage(t)
	for i := range 23 {
		st.Trap(t, apitest.Raise("harrow-knoll", "mains", fmt.Sprintf("try %d", i)))
		st.Step(time.Second)
	}
	var seqs []correlate.Seq
	for path, pages := "/api/v1/history?limit=5", 0; path != ""; pages++ {
		if pages > 10 {
			t.Fatal("the pages do not end")
		}
		page := decode[HistoryPage](t, st.ask("GET", path, ""))
		for _, r := range page.Records {
			seqs = append(seqs, r.Seq)
		}
		path = ""
		if page.Next != 0 {
			path = fmt.Sprintf("/api/v1/history?limit=5&before=%d", page.Next)
		}
	}
	var want []correlate.Seq
	for seq := st.Store.Last(); seq > 0; seq-- {
		want = append(want, seq)
	}
	if diff := cmp.Diff(want, seqs); diff != "" {
		t.Errorf("records (-want +got):\n%s", diff)
	}
}

// serve starts a real server whose connections are unbuffered pipes, so that
// a reader that does not read holds its writer up at once.
func (st *stage) serve(t *testing.T) *http.Client {
	t.Helper()
	l := &pipeListener{conns: make(chan net.Conn), done: make(chan struct{})}
	srv := &http.Server{Handler: st.handler, ReadHeaderTimeout: time.Second}
	ended := make(chan error, 1)
	go func() { ended <- srv.Serve(l) }()
	transport := &http.Transport{DialContext: l.dial}
	t.Cleanup(func() {
		transport.CloseIdleConnections()
		_ = srv.Close() // it ends whatever is left; Serve's error is looked at
		if err := <-ended; !errors.Is(err, http.ErrServerClosed) {
			t.Errorf("server: %v", err)
		}
	})
	return &http.Client{Transport: transport, Timeout: 20 * time.Second}
}

type pipeListener struct {
	conns chan net.Conn
	done  chan struct{}
}

func (l *pipeListener) dial(ctx context.Context, _, _ string) (net.Conn, error) {
	here, there := net.Pipe()
	select {
	case l.conns <- there:
		return here, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

func (l *pipeListener) Accept() (net.Conn, error) {
	select {
	case c := <-l.conns:
		return c, nil
	case <-l.done:
		return nil, net.ErrClosed
	}
}

func (l *pipeListener) Close() error   { close(l.done); return nil }
func (l *pipeListener) Addr() net.Addr { return &net.UnixAddr{Name: "pipe", Net: "unix"} }

type event struct{ Name, ID, Data string }

// events reads n events of a stream and leaves.
func events(t *testing.T, c *http.Client, path, last string, n int) []event {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, "GET", "http://master"+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	if last != "" {
		r.Header.Set("Last-Event-ID", last)
	}
	resp, err := c.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if got := resp.Header.Get("Content-Type"); got != "text/event-stream" {
		t.Fatalf("status %d, content type %q", resp.StatusCode, got)
	}
	return readEvents(t, resp.Body, n)
}

func readEvents(t *testing.T, body io.Reader, n int) []event {
	t.Helper()
	var out []event
	var e event
	lines := bufio.NewScanner(body)
	lines.Buffer(nil, 1<<20)
	for len(out) < n && lines.Scan() {
		name, value, _ := strings.Cut(lines.Text(), ": ")
		switch name {
		case "event":
			e.Name = value
		case "id":
			e.ID = value
		case "data":
			e.Data = value
		case "":
			if e != (event{}) && e.Name != "" {
				out = append(out, e)
			}
			e = event{}
		}
	}
	if len(out) < n {
		t.Fatalf("the stream ended after %d of %d events: %v", len(out), n, lines.Err())
	}
	return out
}

// A reader of some sites gets what happened there and nothing else, goes on
// where it was, and is told in between how far the journal is.
func TestStreamOfSomeSites(t *testing.T) {
	st := newStage(t)
	client := st.serve(t)
	for i := range 2*streamBatch + 10 { // over the bounds of a batch
		st.Trap(t, apitest.Raise("sallow-fen", "mains", fmt.Sprintf("try %d", i)))
		if i%100 == 0 {
			st.Trap(t, apitest.Raise("harrow-knoll", "mains", fmt.Sprintf("try %d", i)))
		}
	}
	got := events(t, client, "/api/v1/stream?after=0&site=harrow-knoll&site=not-there-yet", "", 4)
	got = append(got, events(t, client, "/api/v1/stream?site=harrow-knoll", got[3].ID, 2)...)
	var told []string
	for _, e := range got {
		var r Record
		if err := json.Unmarshal([]byte(e.Data), &r); err != nil {
			t.Fatal(err)
		}
		told = append(told, e.Name+" "+string(r.Events[0].Site)+" "+r.Events[0].Text)
		if len(r.Alarms) != 1 || r.Alarms[0].StatusChanges != nil {
			t.Errorf("record %d has the alarms %+v, not one without its past changes", r.Seq, r.Alarms)
		}
	}
	want := []string{"record harrow-knoll try 0", "record harrow-knoll try 100", "record harrow-knoll try 200", "record harrow-knoll try 300", "record harrow-knoll try 400", "record harrow-knoll try 500"}
	if diff := cmp.Diff(want, told); diff != "" {
		t.Error(diff)
	}
	var out strings.Builder
	w := httptest.NewRecorder()
	w.Body = nil
	f := follower{st.server, NewEventWriter(&plainWriter{ResponseRecorder: w, out: &out}, time.Second), map[correlate.SiteID]bool{"harrow-knoll": true}}
	if err := f.beat(77); err != nil || out.String() != ": beat\nid: 77\n\n" {
		t.Errorf("the sign of life is %q, %v", out.String(), err)
	}
}

// plainWriter writes to a text.
type plainWriter struct {
	*httptest.ResponseRecorder
	out io.Writer
}

func (w *plainWriter) Write(b []byte) (int, error) { return w.out.Write(b) }

// A record of very many events, such as a reload has, names each alarm once.
func TestSubjectsOfARecord(t *testing.T) {
	for _, n := range []int{3, 40} {
		rec := &correlate.Record{}
		var want []correlate.Key
		for i := range n {
			k := correlate.Key{Site: "harrow-knoll", Point: "mains", Instance: strconv.Itoa(i)}
			want = append(want, k)
			rec.Events = append(rec.Events, &correlate.Raised{On: correlate.On{Key: k}}, &correlate.Announced{On: correlate.On{Key: k}})
		}
		if diff := cmp.Diff(want, subjects(rec)); diff != "" {
			t.Error(diff)
		}
	}
}

func TestStreamResumesWithoutGapOrRepeat(t *testing.T) {
	st := newStage(t)
	client := st.serve(t)
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", "<script>alert(1)</script>"))
	got := events(t, client, "/api/v1/stream?after=0", "", 2)
	for i := range 300 { // more than one batch, while nobody listens
		st.Trap(t, apitest.Raise("harrow-knoll", "mains", fmt.Sprintf("try %d\r\nid: 1", i)))
	}
	got = append(got, events(t, client, "/api/v1/stream", got[len(got)-1].ID, 300)...)
	for i, e := range got {
		var r Record
		if err := json.Unmarshal([]byte(e.Data), &r); err != nil {
			t.Fatal(err)
		}
		if want := strconv.Itoa(i + 1); e.Name != "record" || e.ID != want || r.Seq != correlate.Seq(i+1) {
			t.Fatalf("event %d is %s %s with record %d", i, e.Name, e.ID, r.Seq)
		}
		if i > 0 && (len(r.Alarms) != 1 || r.Alarms[0].Seq < r.Seq) {
			t.Fatalf("record %d carries alarms %+v", r.Seq, r.Alarms)
		}
	}
}

func TestStreamBeginsNowAndWakes(t *testing.T) {
	st := newStage(t)
	client := st.serve(t)
	st.Trap(t, apitest.Raise("harrow-knoll", "door", ""))
	resp, err := client.Get("http://master/api/v1/stream")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", ""))
	if e := readEvents(t, resp.Body, 1)[0]; e.ID != strconv.Itoa(int(st.Store.Last())) || !strings.Contains(e.Data, "harrow-knoll:mains") {
		t.Errorf("first event is %+v", e)
	}
}

func TestStreamSaysWhenItsReaderKnewAnotherJournal(t *testing.T) {
	st := newStage(t)
	if e := events(t, st.serve(t), "/api/v1/stream", "99999", 1)[0]; e.Name != "gap" || e.ID != strconv.Itoa(int(st.Store.Last())) {
		t.Errorf("got %+v, want a gap", e)
	}
}

func TestStreamsAreBounded(t *testing.T) {
	st := newStage(t)
	st.server.streams = make(chan struct{}, 1)
	client := st.serve(t)
	resp, err := client.Get("http://master/api/v1/stream")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if r := st.ask("GET", "/api/v1/stream", ""); r.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("one stream too many answered %d", r.StatusCode)
	}
	close(st.closing)
	if _, err := io.ReadAll(resp.Body); err != nil {
		t.Errorf("a stream ended by closing: %v", err)
	}
}

func TestSlowReaderIsCutOff(t *testing.T) {
	st := newStage(t)
	st.server.writeTimeout = 100 * time.Millisecond
	client := st.serve(t)
	resp, err := client.Get("http://master/api/v1/stream?after=0")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	for range 20 {
		st.Trap(t, apitest.Raise("harrow-knoll", "mains", strings.Repeat("long ", 400)))
	}
	// Nobody reads. The stream's place comes free only when its handler ends.
	deadline := time.After(time.Minute)
	for taken := 0; taken < cap(st.server.streams); taken++ {
		select {
		case st.server.streams <- struct{}{}:
		case <-deadline:
			t.Fatal("the slow reader still holds its stream")
		}
	}
}
