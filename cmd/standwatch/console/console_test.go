package console

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/cmd/standwatch/api/apitest"
	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/mib"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/store/accounts"

	"github.com/rs/zerolog"
	"golang.org/x/net/html"
)

// stage is the console over a real ledger and store.
type stage struct {
	*apitest.Centre
	server  *server
	handler http.Handler
	closing chan struct{}
	zone    *time.Location
	trouble string
}

func newStage(t *testing.T) *stage {
	t.Helper()
	c := apitest.Open(t)
	st := &stage{Centre: c, closing: make(chan struct{}), zone: time.FixedZone("centre", 3600)}
	st.server = newServer(Options{
		Board: c.Ledger, Journal: c.Store, Archive: c.Store, Submit: c.Submit, OnCall: onCall, Shifts: func() []configs.Shift {
			return []configs.Shift{{Name: "day", From: 7 * 60, To: 19 * 60}, {Name: "night", From: 19 * 60, To: 7 * 60}}
		}, Plan: c.Plan(t), Zone: st.zone, Now: c.Now, Closing: st.closing, Log: zerolog.Nop(),
		Actor: func(*http.Request) string { return "tester" }, Names: mib.Standard(), Centre: "Kestrel Basin", Banner: "Demonstration",
		Trouble: func() string { return st.trouble }, Intake: func() api.Intake { return intake(c.Now()) },
	})
	st.handler = access.As(accounts.Who{Name: "tester", Role: accounts.Administer}, st.server.handler())
	return st
}

func onCall(at time.Time) []api.Duty {
	return []api.Duty{{Roster: "north", Name: "north crew", People: []api.Person{{ID: "n1", Name: "North crew on call"}}, Until: at.Add(time.Hour)}, {Roster: "south", Name: "the south crew"}}
}

const hostile = `<script>alert(1)</script><img src=x onerror=alert(2)>" onmouseover="alert(3)`

func intake(at time.Time) api.Intake {
	return api.Intake{
		Since:     at,
		Listeners: []api.Books{{Name: "main", Arrived: 10, KernelDropped: 3, Accepted: map[string]uint64{"matched": 6, "unmatched": 1}, Refused: map[string]uint64{"wrong-community": 2}, InFlight: 1, Newest: at}},
		Agents:    []api.Books{{Name: "harrow-knoll-rtu", Arrived: 6, Accepted: map[string]uint64{"matched": 5}}},
		Sources:   []api.Books{{Name: "203.0.113.7", Arrived: 2, Refused: map[string]uint64{"wrong-community": 2}}},
		Kept:      []api.Kept{{At: at, From: "203.0.113.7:4000", Listener: "main", Reason: "wrong-community", Why: hostile, Size: 40, Head: []byte("\x30\x26\x02\x01\x01\x04\x0cnot-for-eyes\xa7\x13")}},
	}
}

func (st *stage) get(path string, header ...string) *http.Response {
	r := httptest.NewRequest("GET", path, nil)
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	st.handler.ServeHTTP(w, r)
	return w.Result()
}

func (st *stage) post(path string, form url.Values, header ...string) *http.Response {
	r := httptest.NewRequest("POST", path, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	st.handler.ServeHTTP(w, r)
	return w.Result()
}

// page reads a page that has to be there and returns its tree and its text.
func (st *stage) page(t *testing.T, path string) (*html.Node, string) {
	t.Helper()
	r := st.get(path)
	body, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	if r.StatusCode != http.StatusOK {
		t.Fatalf("%s answered %d: %s", path, r.StatusCode, body)
	}
	tree, err := html.Parse(strings.NewReader(string(body)))
	if err != nil {
		t.Fatal(err)
	}
	return tree, string(body)
}

// nodes lists the elements that pass.
func nodes(root *html.Node, pass func(*html.Node) bool) (out []*html.Node) {
	for n := range root.Descendants() {
		if n.Type == html.ElementNode && pass(n) {
			out = append(out, n)
		}
	}
	return out
}

func attr(n *html.Node, name string) string {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val
		}
	}
	return ""
}

func hasClass(n *html.Node, class string) bool {
	return slices.Contains(strings.Fields(attr(n, "class")), class)
}

func classed(root *html.Node, class string) []*html.Node {
	return nodes(root, func(n *html.Node) bool { return hasClass(n, class) })
}

// text returns what a person reads, with spaces drawn together.
func text(n *html.Node) string {
	var b strings.Builder
	for d := range n.Descendants() {
		if d.Type == html.TextNode && d.Parent.Data != "title" {
			b.WriteString(d.Data + " ")
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

func byID(root *html.Node, id string) *html.Node {
	found := nodes(root, func(n *html.Node) bool { return attr(n, "id") == id })
	if len(found) != 1 {
		return &html.Node{}
	}
	return found[0]
}

// busy brings about what every page has something to show of.
func (st *stage) busy(t *testing.T) {
	t.Helper()
	st.Trap(t, apitest.Raise("tern-point", "trunk", ""))
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", hostile), apitest.Raise("harrow-knoll", "rectifier", ""))
	st.Trap(t, correlate.Observation{Key: apitest.Key("harrow-knoll", "battery"), What: correlate.Value, Value: 46.25})
	st.Trap(t, correlate.Observation{Key: correlate.Key{Site: "sallow-fen", Point: "door", Instance: hostile}, What: correlate.Raise})
	st.Trap(t, apitest.Raise("sallow-fen", "tower-light", ""))
	st.Trap(t, apitest.Raise("quarry-gate", "mains", ""))
	st.Step(time.Minute)
	st.Trap(t, apitest.Clear("quarry-gate", "mains"))
	st.Trap(t)
	st.Do(t, &correlate.Act{Key: apitest.Key("harrow-knoll", "mains"), Action: correlate.ActNote, Actor: hostile, Via: "console", Text: hostile})
	st.Do(t, &correlate.Act{Key: apitest.Key("sallow-fen", "tower-light"), Action: correlate.ActShelve, Actor: "tester", Via: "console", Text: hostile, Until: st.Now().Add(time.Hour)})
	st.server.Board = calledOut{st.server.Board, st.Now()}
}

// calledOut lends the ledger's state with a call-out folded in, since the
// ledger has no climber here.
type calledOut struct {
	api.Board
	at time.Time
}

func (b calledOut) Read(fn func(*correlate.State, *correlate.Network)) {
	b.Board.Read(func(st *correlate.State, net *correlate.Network) {
		k := apitest.Key("harrow-knoll", "mains")
		c := st.Clone()
		m := func(id correlate.MessageID, state correlate.MessageState) correlate.Message {
			return correlate.Message{ID: id, CallOut: "c1", Key: k, Purpose: "raised", Person: "North crew", Channel: "sms", Address: "+12015550123", Body: hostile, Queued: b.at, State: state, Severity: correlate.Major,
				Attempts: []correlate.Attempt{{At: b.at, Outcome: correlate.Temporary, Answer: hostile}}}
		}
		rec := &correlate.Record{Seq: c.Seq, At: b.at, Input: &correlate.Tick{}, Events: []correlate.Event{
			&correlate.CallOutOpened{CallOut: correlate.CallOut{ID: "c1", Key: k, Opened: b.at, Ladder: "north", State: correlate.CallOutOpen, Due: b.at.Add(5 * time.Minute)}},
			&correlate.MessageQueued{Message: m("m1", correlate.MessageWaiting)},
			&correlate.MessageQueued{Message: m("m2", correlate.MessageFailed)},
			&correlate.MessageQueued{Message: m("m3", correlate.MessageDelivered)},
		}}
		c.Fold(rec)
		fn(c, net)
	})
}

var allPages = []string{"/", "/?find=mains&severity=minor&span=24h", "/alarms/harrow-knoll:mains", "/alarms/tern-point:trunk",
	alarmHref(correlate.Key{Site: "sallow-fen", Point: "door", Instance: hostile}.ID()),
	"/sites", "/sites/harrow-knoll", "/sites/harrow-knoll/trend?point=battery", "/wall", "/sites/tern-point", "/sites/self", "/history", "/history?unmatched=1", "/history?kind=raised&severity=major&site=harrow-knoll", "/outbox", "/silences", "/intake", "/keys"}

// No text from outside becomes an element or an attribute of any page, nothing
// runs or is styled inline, and nothing is loaded from another host.
func TestPagesHoldNothingForeign(t *testing.T) {
	st := newStage(t)
	st.busy(t)
	for _, path := range allPages {
		t.Run(path, func(t *testing.T) {
			tree, body := st.page(t, path)
			if strings.Contains(body, "ZgotmplZ") {
				t.Error("the template had to refuse something")
			}
			for n := range tree.Descendants() {
				if n.Type != html.ElementNode {
					continue
				}
				foreign(t, n)
			}
		})
	}
}

func foreign(t *testing.T, n *html.Node) {
	t.Helper()
	switch {
	case n.Data == "script" && (n.FirstChild != nil || !strings.HasPrefix(attr(n, "src"), "/assets/")), n.Data == "style", n.Data == "img", n.Data == "iframe", n.Data == "object":
		t.Errorf("there is a <%s> with %v", n.Data, n.Attr)
	}
	for _, a := range n.Attr {
		outside := strings.Contains(a.Val, "//") && (a.Key == "src" || a.Key == "action" || (n.Data == "link" && a.Key == "href"))
		if strings.HasPrefix(a.Key, "on") || a.Key == "style" || strings.HasPrefix(strings.TrimSpace(strings.ToLower(a.Val)), "javascript:") || outside {
			t.Errorf("<%s> has %s=%q", n.Data, a.Key, a.Val)
		}
	}
}

func TestPagesCarryTheirHeaders(t *testing.T) {
	st := newStage(t)
	for _, path := range append(slices.Clone(allPages[:1]), "/nothing", "/keys") {
		h := st.get(path).Header
		if csp := h.Get("Content-Security-Policy"); !strings.HasPrefix(csp, "default-src 'self';") || strings.Contains(csp, "unsafe") {
			t.Errorf("%s: policy %q", path, csp)
		}
		if h.Get("Cache-Control") != "no-store" || h.Get("X-Content-Type-Options") != "nosniff" || h.Get("Content-Type") != "text/html; charset=utf-8" {
			t.Errorf("%s: headers %v", path, h)
		}
	}
}

// IDs are unique, every field has a name, every page one h1 and a main: what
// WCAG 2.2 asks of structure (1.3.1, 3.3.2, 4.1.2) and a parser can see.
func TestPagesAreWellBuilt(t *testing.T) {
	st := newStage(t)
	st.busy(t)
	for _, path := range allPages {
		tree, _ := st.page(t, path)
		ids := map[string]int{}
		for n := range tree.Descendants() {
			if n.Type != html.ElementNode {
				continue
			}
			if id := attr(n, "id"); id != "" {
				ids[id]++
			}
			field := n.Data == "select" || (n.Data == "input" && attr(n, "type") != "hidden")
			if field && attr(n, "aria-label") == "" && n.Parent.Data != "label" && !labelled(tree, attr(n, "id")) {
				t.Errorf("%s: a field %v has no name", path, n.Attr)
			}
			if n.Data == "svg" && attr(n, "class") == "strip" && attr(n, "aria-label") == "" {
				t.Errorf("%s: a strip says nothing", path)
			}
		}
		for id, n := range ids {
			if n > 1 {
				t.Errorf("%s: id %q is there %d times", path, id, n)
			}
		}
		for _, name := range []string{"h1", "main"} {
			if n := len(nodes(tree, func(n *html.Node) bool { return n.Data == name })); n != 1 {
				t.Errorf("%s: %d <%s>, want one", path, n, name)
			}
		}
	}
}

func labelled(tree *html.Node, id string) bool {
	return id != "" && len(nodes(tree, func(n *html.Node) bool { return n.Data == "label" && attr(n, "for") == id })) > 0
}

// A severity is its word, its count of blocks and its hue, in the design's
// table: critical four, major three, minor two, warning one, indeterminate
// one hollow.
func TestSeverityIsSaidThreeWays(t *testing.T) {
	st := newStage(t)
	tree, _ := st.page(t, "/keys")
	signs := classed(byID(tree, "main"), "sev")
	want := []struct {
		word           string
		filled, hollow int
	}{{"critical", 4, 0}, {"major", 3, 0}, {"minor", 2, 0}, {"warning", 1, 0}, {"indeterminate", 0, 1}}
	if len(signs) != len(want) {
		t.Fatalf("%d signs", len(signs))
	}
	for i, sign := range signs {
		rects := nodes(sign, func(n *html.Node) bool { return n.Data == "rect" })
		hollow := len(classed(sign, "hollow"))
		if text(sign) != want[i].word || !hasClass(sign, "s-"+want[i].word) || len(rects)-hollow != want[i].filled || hollow != want[i].hollow {
			t.Errorf("sign %d: %q, class %q, %d filled, %d hollow", i, text(sign), attr(sign, "class"), len(rects)-hollow, hollow)
		}
	}
}

func TestCommunityIsNeverShown(t *testing.T) {
	st := newStage(t)
	st.busy(t)
	for _, path := range []string{"/alarms/harrow-knoll:mains", "/intake"} {
		_, body := st.page(t, path)
		if strings.Contains(body, "not-for-eyes") || strings.Contains(body, "6e 6f 74 2d") {
			t.Errorf("%s shows the community", path)
		}
		if !strings.Contains(body, "2a 2a 2a") {
			t.Errorf("%s shows no covered octets, so the test looks at nothing", path)
		}
	}
}

func TestMasked(t *testing.T) {
	for _, tt := range []struct{ name, in, want string }{
		{"v2c", "\x30\x0d\x02\x01\x01\x04\x06public\xa7\x00", "\x30\x0d\x02\x01\x01\x04\x06******\xa7\x00"},
		{"long length", "\x30\x81\x0d\x02\x01\x00\x04\x81\x03abc\xa4\x00", "\x30\x81\x0d\x02\x01\x00\x04\x81\x03***\xa4\x00"},
		{"cut off within", "\x30\x0d\x02\x01\x01\x04\x06pub", "\x30\x0d\x02\x01\x01\x04\x06***"},
		{"length beyond the end", "\x30\x0d\x02\x01\x01\x04\x84\xff\xff\xff\xffpub", "\x30\x0d\x02\x01\x01\x04\x84\xff\xff\xff\xff***"},
		{"length that is none", "\x30\x0d\x02\x01\x01\x04\x88public", "\x30\x0d\x02\x01\x01\x04\x88******"},
		{"v3 has none", "\x30\x0d\x02\x01\x03\x30\x03\x02\x01\x07", "\x30\x0d\x02\x01\x03\x30\x03\x02\x01\x07"},
		{"no SNMP", "hello", "hello"},
		{"empty", "", ""},
	} {
		if got := string(masked([]byte(tt.in))); got != tt.want {
			t.Errorf("%s: %q, want %q", tt.name, got, tt.want)
		}
	}
}

func TestAlarmPageShowsTheEvidence(t *testing.T) {
	st := newStage(t)
	st.busy(t)
	tree, _ := st.page(t, "/alarms/harrow-knoll:mains")
	got := text(byID(tree, "a-evidence"))
	for _, want := range []string{"trap v2c from 192.0.2.10:161, listener main", "1.3.6.1.4.1.32473.10.0.1", "rules/remote.yaml:12 contact", "OCTET STRING", "sites/templates.yaml:14"} {
		if !strings.Contains(got, want) {
			t.Errorf("evidence lacks %q: %s", want, got)
		}
	}
	if told := text(byID(tree, "a-told")); !strings.Contains(told, "North crew") || !strings.Contains(told, "temporary") {
		t.Errorf("told: %s", told)
	}
	if facts := text(byID(tree, "a-facts")); !strings.Contains(facts, "Look whether the generator has started") || !strings.Contains(facts, "Harrow Knoll: Rectifier failed") {
		t.Errorf("facts: %s", facts)
	}
}

func TestSealedEvidenceIsSaid(t *testing.T) {
	st := newStage(t)
	in, err := st.Arrival(apitest.Raise("harrow-knoll", "mains", ""))
	if err != nil {
		t.Fatal(err)
	}
	in.Version = "v3"
	st.Do(t, in)
	if _, body := st.page(t, "/alarms/harrow-knoll:mains"); !strings.Contains(body, "its keys are not at hand") {
		t.Error("nothing is said of a sealed datagram")
	}
	st.server.Unseal = func(*correlate.Arrival) (*snmp.Notification, error) {
		return &snmp.Notification{Varbinds: []snmp.Varbind{{Name: []byte(snmp.MustOID("1.3.6.1.2.1.2.2.1.1.7")), Tag: snmp.TagInteger, Value: []byte{7}}}}, nil
	}
	if _, body := st.page(t, "/alarms/harrow-knoll:mains"); !strings.Contains(body, "ifIndex.7") {
		t.Error("the unsealed varbinds are not shown")
	}
}

func TestSitePageSaysDoubt(t *testing.T) {
	st := newStage(t)
	st.Trap(t, correlate.Observation{Key: apitest.Key("harrow-knoll", "battery"), What: correlate.Value, Value: 53.94})
	tree, body := st.page(t, "/sites/harrow-knoll")
	if strings.Contains(body, "in doubt") || !strings.Contains(text(byID(tree, "s-points")), "53.9 V") {
		t.Errorf("a site that was heard: %s", text(byID(tree, "s-points")))
	}
	st.Step(15 * time.Minute)
	st.Do(t, &correlate.Tick{})
	tree, _ = st.page(t, "/sites/harrow-knoll")
	points := text(byID(tree, "s-points"))
	if !strings.Contains(text(byID(tree, "s-facts")), "in doubt") || !strings.Contains(points, "in doubt") || !strings.Contains(points, "53.9 V") {
		t.Errorf("a silent site: %s", points)
	}
	if !strings.Contains(text(byID(tree, "s-agents")), "silent") {
		t.Errorf("agents: %s", text(byID(tree, "s-agents")))
	}
}

func TestIntakeSaysWhetherBooksBalance(t *testing.T) {
	st := newStage(t)
	tree, _ := st.page(t, "/intake")
	got := text(byID(tree, "i-books"))
	if !strings.Contains(got, "10 datagrams have arrived") || !strings.Contains(got, "The books balance") || !strings.Contains(got, "3 more were lost") {
		t.Errorf("books: %s", got)
	}
	if agents := text(byID(tree, "i-agents")); !strings.Contains(agents, "≠ 5") {
		t.Errorf("an agent whose books do not balance: %s", agents)
	}
}

func TestOutboxSortsByWhatNeedsCare(t *testing.T) {
	st := newStage(t)
	st.busy(t)
	tree, _ := st.page(t, "/outbox")
	got := text(byID(tree, "o-all"))
	if !strings.Contains(got, "1 message waits") || !strings.Contains(got, "1 message could not be delivered at all") {
		t.Errorf("outbox: %s", got)
	}
	if strings.Index(got, "m1") > strings.Index(got, "m2") || strings.Index(got, "m2") > strings.Index(got, "m3") {
		t.Errorf("order: %s", got)
	}
}

func TestHistoryPagesThroughACursor(t *testing.T) {
	st := newStage(t)
	for i := range historyLength + 5 {
		st.Trap(t, apitest.Raise("harrow-knoll", "mains", fmt.Sprint("try ", i)))
	}
	tree, _ := st.page(t, "/history?site=harrow-knoll")
	// The same records as a file: the links lead to what the API serves.
	if _, body := st.page(t, "/history?site=harrow-knoll&from=2026-11-25T00:00&kind=raised"); !strings.Contains(body, `href="/api/v1/history.csv?from=2026-11-25T00%3A00%3A00`) || !strings.Contains(body, "kind=raised&amp;site=harrow-knoll") {
		t.Errorf("no way to the records as a file: %s", body)
	}
	older := classed(tree, "older")
	if len(older) != 1 || !strings.Contains(attr(older[0], "href"), "site=harrow-knoll") {
		t.Fatalf("no way to older records: %v", older)
	}
	tree, body := st.page(t, attr(older[0], "href"))
	if len(classed(tree, "older")) != 0 || len(classed(tree, "first")) != 5 || !strings.Contains(body, "To the newest") {
		t.Errorf("the last page has %d records", len(classed(tree, "first")))
	}
}

func TestBadAddressesAreAnswered(t *testing.T) {
	st := newStage(t)
	for path, status := range map[string]int{
		"/nothing": 404, "/alarms/none": 404, "/alarms/harrow-knoll:mains": 404, "/alarms/..%2f..%2fetc%2fpasswd": 404, "/sites/nowhere": 404, "/hand?alarm=x": 404,
		"/assets/console.css": 404, "/assets/..%2fconsole.go": 404, "/?span=9y": 400, "/?severity=awful": 400, "/history?from=soon": 400, "/history?before=0": 400, "/history?kind=x": 400, "/live?span=1": 400,
	} {
		if r := st.get(path); r.StatusCode != status {
			t.Errorf("%s answered %d, want %d", path, r.StatusCode, status)
		}
	}
}

func TestAssetsAreKeptForEver(t *testing.T) {
	st := newStage(t)
	tree, _ := st.page(t, "/keys")
	found := 0
	for _, n := range nodes(tree, func(n *html.Node) bool { return n.Data == "link" || n.Data == "script" }) {
		path := attr(n, "href") + attr(n, "src")
		if attr(n, "rel") == "manifest" {
			continue
		}
		r := st.get(path)
		if r.StatusCode != 200 || !strings.Contains(r.Header.Get("Cache-Control"), "immutable") || strings.HasPrefix(r.Header.Get("Content-Type"), "text/html") {
			t.Errorf("%s: %d %v", path, r.StatusCode, r.Header)
		}
		found++
	}
	if found != 3 {
		t.Errorf("%d assets, want style, script and sign", found)
	}
	if r := st.get(attr(nodes(tree, func(n *html.Node) bool { return n.Data == "body" })[0], "data-sound")); r.StatusCode != 200 || r.Header.Get("Content-Type") != "text/javascript; charset=utf-8" {
		t.Errorf("the script of sound: %d %v", r.StatusCode, r.Header)
	}
}

// A phone finds what it needs to keep the console (W3C Web Application Manifest:
// a name, a start, an icon), and what keeps the pages is asked for anew each time.
func TestConsoleCanBeKeptOnAPhone(t *testing.T) {
	st := newStage(t)
	tree, _ := st.page(t, "/keys")
	links := nodes(tree, func(n *html.Node) bool { return attr(n, "rel") == "manifest" })
	if len(links) != 1 {
		t.Fatalf("%d manifests", len(links))
	}
	r := st.get(attr(links[0], "href"))
	var manifest struct {
		Name    string
		Start   string `json:"start_url"`
		Display string
		Icons   []struct{ Src string }
	}
	if err := json.NewDecoder(r.Body).Decode(&manifest); err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(manifest.Name, "Standwatch") || manifest.Start != "/" || manifest.Display != "standalone" || len(manifest.Icons) != 1 || r.Header.Get("Content-Type") != "application/manifest+json" {
		t.Errorf("%+v %v", manifest, r.Header)
	}
	if icon := st.get(manifest.Icons[0].Src); icon.StatusCode != 200 || !strings.HasPrefix(icon.Header.Get("Content-Type"), "image/svg+xml") {
		t.Errorf("the icon: %d %v", icon.StatusCode, icon.Header)
	}
	if r := st.get("/offline.js"); r.StatusCode != 200 || r.Header.Get("Cache-Control") != "no-cache" || !strings.HasPrefix(r.Header.Get("Content-Type"), "text/javascript") {
		t.Errorf("offline.js: %d %v", r.StatusCode, r.Header)
	}
}

func TestTroubleAndSilenceAreLoud(t *testing.T) {
	st := newStage(t)
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", ""))
	tree, _ := st.page(t, "/history")
	if hidden(byID(tree, "trouble")) != true || hidden(byID(tree, "quiet")) != true {
		t.Error("there is alarm about nothing")
	}
	st.trouble = "Commits have failed since 07:00."
	st.Step(11 * time.Minute)
	tree, _ = st.page(t, "/history")
	if hidden(byID(tree, "trouble")) || text(byID(tree, "trouble")) != st.trouble {
		t.Errorf("trouble: %q", text(byID(tree, "trouble")))
	}
	if hidden(byID(tree, "quiet")) || !strings.Contains(text(byID(tree, "quiet")), "No trap has come for 11 minutes, since 07:00:00") {
		t.Errorf("quiet: %q", text(byID(tree, "quiet")))
	}
}

func hidden(n *html.Node) bool {
	return slices.ContainsFunc(n.Attr, func(a html.Attribute) bool { return a.Key == "hidden" })
}

// ---- actions

func TestFormsAct(t *testing.T) {
	st := newStage(t)
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", ""))
	const alarm = "/alarms/harrow-knoll:mains"
	r := st.post(alarm+"/take", url.Values{"back": {"alarm"}})
	if r.StatusCode != http.StatusSeeOther || r.Header.Get("Location") != alarm {
		t.Fatalf("take answered %d to %q", r.StatusCode, r.Header.Get("Location"))
	}
	st.post(alarm+"/note", url.Values{"text": {"one\r\nSet-Cookie: two\x00"}})
	st.post(alarm+"/shelve", url.Values{"text": {"works"}, "for": {"1h"}})
	st.Ledger.Read(func(s *correlate.State, _ *correlate.Network) {
		a := s.Alarms[apitest.Key("harrow-knoll", "mains")]
		if !a.Acknowledged || a.AckBy != "tester" || a.AckVia != "console" {
			t.Errorf("taken: %v by %q via %q", a.Acknowledged, a.AckBy, a.AckVia)
		}
		if a.Shelf == nil || !a.Shelf.Until.Equal(st.Now().Add(time.Hour)) || a.Shelf.Reason != "works" {
			t.Errorf("shelf: %+v", a.Shelf)
		}
		if note := a.OperatorChanges[1]; note.State != "note" || note.Text != "one Set-Cookie: two" {
			t.Errorf("note: %+v", note)
		}
	})
	if r := st.post(alarm+"/unshelve", nil, "Accept", "application/problem+json"); r.StatusCode != http.StatusNoContent {
		t.Errorf("unshelve by the script answered %d", r.StatusCode)
	}
}

func TestShelfEndsAtALocalTime(t *testing.T) {
	now := time.Date(2026, 11, 25, 6, 0, 0, 0, time.UTC)
	zone := time.FixedZone("centre", 3600)
	if got := until(url.Values{"until": {"2026-11-25T09:30"}}, now, zone); !got.Equal(now.Add(2*time.Hour + 30*time.Minute)) {
		t.Errorf("got %v", got)
	}
	for _, form := range []url.Values{{"until": {"soon"}}, {"for": {"a while"}}, {}} {
		if got := until(form, now, zone); !got.IsZero() {
			t.Errorf("%v gives %v", form, got)
		}
	}
}

func TestNoFormLeadsAway(t *testing.T) {
	key := apitest.Key("harrow-knoll", "mains")
	for _, tt := range []struct{ back, view, want string }{
		{"watch", "", "/"},
		{"watch", "untaken=1&span=24h", "/?span=24h&untaken=1"},
		{"watch", "//evil.example.net", "/?%2F%2Fevil.example.net="},
		{"watch", "a=b\r\nSet-Cookie: c", "/?a=b%0D%0ASet-Cookie%3A+c"},
		{"https://evil.example.net/", "", "/alarms/harrow-knoll:mains"},
		{"//evil.example.net/", "x", "/alarms/harrow-knoll:mains"},
		{"", "", "/alarms/harrow-knoll:mains"},
	} {
		if got := back(url.Values{"back": {tt.back}, "view": {tt.view}}, key); got != tt.want {
			t.Errorf("back %q view %q leads to %q, want %q", tt.back, tt.view, got, tt.want)
		}
	}
}

func TestActionsThatCannotBeDone(t *testing.T) {
	st := newStage(t)
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", ""))
	const alarm = "/alarms/harrow-knoll:mains"
	for _, tt := range []struct {
		name, path string
		form       url.Values
		header     []string
		status     int
		says       string
	}{
		{"note without text", alarm + "/note", url.Values{}, nil, 422, "Not done: the action is not complete: a note needs a text"},
		{"shelf without end", alarm + "/shelve", url.Values{"text": {"x"}, "for": {"for ever"}}, nil, 422, "still to come"},
		{"unshelve what is not", alarm + "/unshelve", nil, nil, 409, "Not done: "},
		{"by the script", alarm + "/note", nil, []string{"Accept", "application/problem+json"}, 422, `"detail":"the action is not complete`},
		{"no such action", alarm + "/delete", nil, nil, 404, "No such alarm"},
		{"no such alarm", "/alarms/harrow-knoll:door/take", nil, nil, 404, "No such alarm"},
		{"too large", alarm + "/note", url.Values{"text": {strings.Repeat("x", api.MaxBody)}}, nil, 413, "larger than"},
		{"another origin", alarm + "/take", nil, []string{"Sec-Fetch-Site", "cross-site"}, 403, "another origin"},
		{"another origin, older browser", alarm + "/take", nil, []string{"Origin", "http://evil.example.net"}, 403, "another origin"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := st.post(tt.path, tt.form, tt.header...)
			body, err := io.ReadAll(r.Body)
			if err != nil {
				t.Fatal(err)
			}
			if r.StatusCode != tt.status || !strings.Contains(string(body), tt.says) {
				t.Errorf("answered %d without %q", r.StatusCode, tt.says)
			}
			if json.Valid(body) != (len(tt.header) == 2 && tt.header[0] == "Accept") {
				t.Errorf("content type %q", r.Header.Get("Content-Type"))
			}
		})
	}
	st.Ledger.Read(func(s *correlate.State, _ *correlate.Network) {
		if a := s.Alarms[apitest.Key("harrow-knoll", "mains")]; a.Acknowledged || a.Shelf != nil || len(a.OperatorChanges) > 0 {
			t.Errorf("something was done: %+v", a)
		}
	})
}

// ---- the live stream

func readFrames(t *testing.T, r io.Reader, n int) []liveFrame {
	t.Helper()
	var out []liveFrame
	buf := make([]byte, 0, 1<<16)
	chunk := make([]byte, 1<<16)
	for len(out) < n {
		got, err := r.Read(chunk)
		buf = append(buf, chunk[:got]...)
		for {
			head, rest, ok := strings.Cut(string(buf), "\n\n")
			if !ok {
				break
			}
			buf = []byte(rest)
			if _, data, ok := strings.Cut(head, "data: "); ok {
				var f liveFrame
				if err := json.Unmarshal([]byte(data), &f); err != nil {
					t.Fatal(err)
				}
				out = append(out, f)
			}
		}
		if err != nil && len(out) < n {
			t.Fatalf("the stream ended after %d of %d frames: %v", len(out), n, err)
		}
	}
	return out
}

func (st *stage) open(t *testing.T, path, last string) io.Reader {
	t.Helper()
	srv := httptest.NewServer(st.handler)
	t.Cleanup(srv.Close)
	r, err := http.NewRequestWithContext(t.Context(), "GET", srv.URL+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	if last != "" {
		r.Header.Set("Last-Event-ID", last)
	}
	resp, err := srv.Client().Do(r)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = resp.Body.Close() }) // only read from
	return resp.Body
}

func TestLivePatchesOnlyWhatChanged(t *testing.T) {
	st := newStage(t)
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", ""))
	st.Trap(t, apitest.Raise("quarry-gate", "door", hostile))
	body := st.open(t, "/live?page=watch", "")
	first := readFrames(t, body, 1)[0]
	if len(first.Rows) != 2 || !slices.Equal(first.Order, []correlate.SiteID{"harrow-knoll", "quarry-gate"}) || first.Title != "2 untaken of 2 standing" {
		t.Fatalf("first frame has rows %d, order %v, title %q", len(first.Rows), first.Order, first.Title)
	}
	if strings.Contains(string(first.Rows["quarry-gate"]), "<img") {
		t.Error("a trap's text became an element")
	}
	st.Trap(t, apitest.Raise("sallow-fen", "tower-light", ""))
	second := readFrames(t, body, 1)[0]
	if len(second.Rows) != 1 || !strings.Contains(string(second.Rows["sallow-fen"]), "Obstruction light failed") || second.Order[0] != "sallow-fen" {
		t.Errorf("second frame has rows %v, order %v", second.Rows, second.Order)
	}
	if !slices.Equal(second.News, []string{"critical: Obstruction light failed, Sallow Fen"}) || !slices.Equal(second.Changed, []correlate.AlarmID{"sallow-fen:tower-light"}) {
		t.Errorf("news %q, changed %q", second.News, second.Changed)
	}
	st.Trap(t, apitest.Clear("harrow-knoll", "mains"))
	third := readFrames(t, body, 1)[0]
	if !slices.Equal(third.Right, []correlate.SiteID{"harrow-knoll"}) || !strings.Contains(string(third.Rows["harrow-knoll"]), "t-clear") {
		t.Errorf("after the clear: right %v, rows %v", third.Right, third.Rows)
	}
	close(st.closing)
	if rest, err := io.ReadAll(body); err != nil || len(rest) > 0 {
		t.Errorf("closing ended the stream with %q, %v", rest, err)
	}
}

func TestLiveTellsWhatWasMissed(t *testing.T) {
	st := newStage(t)
	seq := st.Store.Last()
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", ""))
	st.Trap(t, apitest.Clear("harrow-knoll", "mains"))
	f := readFrames(t, st.open(t, "/live?page=alarm", fmt.Sprint(seq)), 1)[0]
	if !slices.Equal(f.News, []string{"major: Mains failed, Harrow Knoll", "cleared: Mains present, Harrow Knoll"}) {
		t.Errorf("news %q", f.News)
	}
	if !slices.Equal(f.Changed, []correlate.AlarmID{"harrow-knoll:mains"}) || f.Rows != nil || f.Seq != st.Store.Last() {
		t.Errorf("frame %+v", f)
	}
}

func TestLiveIsBounded(t *testing.T) {
	st := newStage(t)
	st.server.streams = make(chan struct{}, 1)
	readFrames(t, st.open(t, "/live", ""), 1)
	if r := st.get("/live"); r.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("one page too many answered %d", r.StatusCode)
	}
}

func TestInternalErrorsStayInside(t *testing.T) {
	st := newStage(t)
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", ""))
	st.server.Submit = func(context.Context, correlate.Input) ([]correlate.Event, error) {
		return nil, errors.New("disk /dev/secret is full")
	}
	r := st.post("/alarms/harrow-knoll:mains/take", nil)
	body, err := io.ReadAll(r.Body)
	if err != nil || r.StatusCode != 500 || strings.Contains(string(body), "secret") {
		t.Errorf("answered %d: %s", r.StatusCode, body)
	}
}
