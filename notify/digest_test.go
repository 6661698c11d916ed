package notify_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
)

// manySites returns a world of n sites with a mains point each; the first
// site's explains rectifiers at all others.
func manySites(t testing.TB, n int, change func(*notify.Book)) *world {
	t.Helper()
	var sites []*correlate.Site
	for i := range n {
		s := &correlate.Site{ID: correlate.SiteID(fmt.Sprintf("site-%04d", i)), Name: fmt.Sprintf("Site %d", i), Points: map[correlate.PointID]*correlate.Point{
			"mains":     {ID: "mains", Kind: correlate.Discrete, Name: "Mains", AlarmWord: "Mains failed", NormalWord: "Mains present", Severity: correlate.Major},
			"fire":      {ID: "fire", Kind: correlate.Discrete, Name: "Fire panel", AlarmWord: "Fire", NormalWord: "No fire", Severity: correlate.Critical},
			"rectifier": {ID: "rectifier", Kind: correlate.Discrete, Name: "Rectifier", AlarmWord: "Rectifier failed", NormalWord: "Rectifier back", Severity: correlate.Major},
		}}
		s.Points["rectifier"].ExplainedBy = []correlate.Ref{{Site: s.ID, Point: "mains"}}
		sites = append(sites, s)
	}
	net, err := correlate.NewNetwork(sites, nil, "h")
	if err != nil {
		t.Fatal(err)
	}
	b := book()
	b.Routes = []notify.Route{{Name: "all", Ladder: "one"}}
	b.Ladders = []notify.Ladder{{Name: "one", TellTaken: true, Rungs: []notify.Rung{{Whom: []notify.Target{{Person: "north"}}, Wait: 30 * time.Minute}, {Whom: []notify.Target{{Person: "chief"}}, Wait: time.Hour}}}}
	if change != nil {
		change(&b)
	}
	plan, problems := notify.NewPlan(b, notify.Options{Network: net})
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	return &world{TB: t, engine: correlate.NewEngine(net, correlate.NewState()), plan: plan, at: night}
}

func (w *world) at1(site int, point correlate.PointID, what correlate.What) []string {
	w.Helper()
	return w.apply(&correlate.Notice{Source: "test", Observations: []correlate.Observation{{Key: correlate.Key{Site: correlate.SiteID(fmt.Sprintf("site-%04d", site)), Point: point}, What: what}}})
}

// sent lists the messages of the last record.
func (w *world) sent() (out []correlate.Message) {
	for _, ev := range w.log[len(w.log)-1].Events {
		if q, ok := ev.(*correlate.MessageQueued); ok {
			out = append(out, q.Message)
		}
	}
	return out
}

// TestBudget: beyond the budget messages are bundled and none is dropped;
// critical ones go out at once all the same; the digest's code takes all.
func TestBudget(t *testing.T) {
	w := manySites(t, 10, func(b *notify.Book) { b.People[0].Budget = 3 })
	for i := range 3 {
		w.at1(i, "mains", correlate.Raise)
		if len(w.sent()) != 1 {
			t.Fatalf("message %d is not sent", i)
		}
		w.after(11 * time.Minute)
	}
	w.at1(3, "mains", correlate.Raise)
	if got := w.sent(); len(got) != 0 {
		t.Fatalf("beyond the budget: %+v", got)
	}
	w.after(time.Minute).at1(4, "fire", correlate.Raise)
	if got := w.sent(); len(got) != 1 || got[0].Severity != correlate.Critical {
		t.Fatalf("critical: %+v", got)
	}
	w.after(time.Minute).at1(5, "mains", correlate.Raise)
	w.at1(6, "mains", correlate.Raise)
	w.at1(6, "mains", correlate.Clear) // before anybody was told
	if o := w.engine.State().CallOuts["c6"]; o == nil || !o.Due.Equal(night.Add(33*time.Minute+10*time.Minute+30*time.Minute)) {
		t.Errorf("the wait does not begin with the digest: %+v", o)
	}
	w.after(8 * time.Minute).tick()
	got := slices.DeleteFunc(w.sent(), func(m correlate.Message) bool { return m.Person != "north" })
	if len(got) != 1 || len(got[0].Covers) != 2 || got[0].Code == "" || len(w.engine.State().Piles) != 0 {
		t.Fatalf("got %+v", got)
	}
	if want := "2 alarms, worst MAJOR: Site 3: Mains failed; Site 5: Mains failed 09:57. All: " + got[0].Code; got[0].Body != want {
		t.Errorf("got  %q\nwant %q", got[0].Body, want)
	}
	w.answer(got[0].ID, correlate.Accepted, 0)
	said, in := w.hear("sms", "+12025550101", got[0].Code)
	if len(in.Acts) != 2 || said != "You have taken all 2 of "+got[0].Code+"." {
		t.Errorf("said %q for %+v", said, in)
	}
	for _, site := range []correlate.SiteID{"site-0003", "site-0005"} {
		if a := w.engine.State().Alarms[correlate.Key{Site: site, Point: "mains"}]; a.AckBy != "north" {
			t.Errorf("%s is not taken", site)
		}
	}
	// Who was told by a digest hears of the end by one.
	w.at1(3, "mains", correlate.Clear)
	w.at1(5, "mains", correlate.Clear)
	if got := w.sent(); len(got) != 0 {
		t.Errorf("one by one: %+v", got)
	}
	w.after(time.Minute).tick()
	w.after(10 * time.Minute).tick()
	if bodies := w.bodies(); !slices.ContainsFunc(bodies, func(s string) bool {
		return strings.HasPrefix(s, "News of 2 alarms: Site 3: CLEARED Mains present; Site 5: CLEARED")
	}) {
		t.Errorf("got %q", bodies)
	}
}

func (w *world) bodies() (out []string) {
	for _, r := range w.log {
		for _, ev := range r.Events {
			if q, ok := ev.(*correlate.MessageQueued); ok {
				out = append(out, q.Message.Body)
			}
		}
	}
	return out
}

// TestDigestFails: a digest that no channel takes goes on to the next rung for
// each of its alarms.
func TestDigestFails(t *testing.T) {
	w := manySites(t, 10, func(b *notify.Book) { b.People[0].Budget = 1 })
	for i := range 3 {
		w.at1(i, "mains", correlate.Raise)
	}
	w.after(10 * time.Minute).tick()
	first := w.sent()[0]
	w.answer(first.ID, correlate.Permanent, 0)
	second := w.sent()
	if len(second) != 1 || second[0].Channel != "mail" || string(second[0].ID) != string(first.ID)+".2" || second[0].Code != first.Code || len(second[0].Covers) != 2 {
		t.Fatalf("got %+v", second)
	}
	if !strings.Contains(second[0].Body, "Site 1: Mains failed") {
		t.Errorf("got %q", second[0].Body)
	}
	w.answer(second[0].ID, correlate.Permanent, 0)
	chief := 0
	for _, o := range w.engine.State().CallOuts {
		if o.Rung == 1 {
			chief++
		}
	}
	if chief != 2 {
		t.Errorf("%d call-outs went on, want 2", chief)
	}
}

// TestFloodDigest: the eleventh alarm begins a flood; from there on a person
// gets digests, causes first, and nothing one by one.
func TestFloodDigest(t *testing.T) {
	w := manySites(t, 60, nil)
	single := 0
	for i := range 50 {
		w.at1(i, "mains", correlate.Raise)
		single += len(w.sent())
		w.at1(i, "rectifier", correlate.Raise)
		single += len(w.sent())
		w.after(time.Second)
	}
	if single != 10 {
		t.Errorf("%d messages one by one, want the 10 before the flood", single)
	}
	w.after(time.Minute).tick()
	got := w.sent()
	if len(got) != 1 || !strings.HasPrefix(got[0].Body, "40 alarms, worst MAJOR: Site 10: Mains failed +1; Site 11: Mains failed +1; ") || !strings.Contains(got[0].Body, " more ") {
		t.Fatalf("got %+v", got)
	}
	if n := len(got[0].Body); n > 155 {
		t.Errorf("%d characters", n)
	}
}

// TestCriticalInFlood is told within seconds, in a digest.
func TestCriticalInFlood(t *testing.T) {
	w := manySites(t, 60, nil)
	for i := range 12 {
		w.at1(i, "mains", correlate.Raise)
	}
	w.at1(13, "fire", correlate.Raise)
	if len(w.sent()) != 0 {
		t.Errorf("got %+v", w.sent())
	}
	w.after(20 * time.Second).tick()
	if got := w.sent(); len(got) != 1 || !strings.HasPrefix(got[0].Body, "3 alarms, worst CRITICAL: ") || got[0].Severity != correlate.Critical {
		t.Errorf("got %+v", got)
	}
}

// BenchmarkDigest: the digests of a storm of 5,000 alarms are built in one go.
func BenchmarkDigest(b *testing.B) {
	w := manySites(b, 5000, nil)
	for i := range 5000 {
		r := &correlate.Record{Seq: correlate.Seq(i + 1), At: night, Input: &correlate.Notice{Observations: []correlate.Observation{{
			Key: correlate.Key{Site: correlate.SiteID(fmt.Sprintf("site-%04d", i)), Point: "mains"}, What: correlate.Raise}}}}
		w.engine.Apply(r)
		w.engine.Extend(r, w.plan.Climb(r, w.engine.State(), nil))
	}
	r := &correlate.Record{Seq: 6000, At: night.Add(time.Hour), Input: &correlate.Tick{}}
	b.ReportAllocs()
	for b.Loop() {
		if events := w.plan.Climb(r, w.engine.State(), []correlate.CallOutID{correlate.PileID("north")}); len(events) != 2 {
			b.Fatalf("%d events", len(events))
		}
	}
}

// TestFloodPace: while a flood lasts a person's digests come ever more seldom,
// each says by when the next one comes, and that is kept; what is critical
// never waits for the longer steps; the end of the flood tells at once what is
// left, and the next flood begins anew.
func TestFloodPace(t *testing.T) {
	minutes := func(n ...int) (out []time.Duration) {
		for _, m := range n {
			out = append(out, time.Duration(m)*time.Minute)
		}
		return out
	}
	w := manySites(t, 100, func(b *notify.Book) {
		b.People = b.People[:1]
		b.Rosters, b.Routes = nil, []notify.Route{{Name: "all", Ladder: "one"}}
		b.Ladders = []notify.Ladder{{Name: "one", Rungs: []notify.Rung{{Whom: []notify.Target{{Person: "north"}}, Wait: 48 * time.Hour}}}}
		b.Flood = notify.FloodPace{Digests: minutes(1, 5, 10, 20), Critical: minutes(1, 2)}
	})
	site := 0
	var digests []time.Time
	var promised time.Time
	look := func() {
		t.Helper()
		for _, m := range w.sent() {
			if len(m.Covers) == 0 {
				continue
			}
			if !promised.IsZero() && m.Queued.After(promised) {
				t.Errorf("promised by %s, came at %s", promised, m.Queued)
			}
			digests, promised = append(digests, m.Queued), time.Time{}
			if _, next, said := strings.Cut(m.Body, "Next by "); said {
				// The reader's zone is UTC, and the story stays within a day.
				at, err := time.ParseInLocation("2006-01-02 15:04", m.Queued.UTC().Format("2006-01-02 ")+next, time.UTC)
				if err != nil {
					t.Fatal(err)
				}
				promised = at.Add(time.Minute) // the seconds are not said
			} else if w.engine.State().Flood.On() {
				t.Errorf("a digest of the flood does not say when the next comes: %q", m.Body)
			}
		}
	}
	tick := func(d time.Duration) {
		t.Helper()
		for end := w.at.Add(d); w.at.Before(end); {
			next := end
			if due, ok := w.engine.NextDue(); ok && due.After(w.at) && due.Before(end) {
				next = due
			}
			w.after(next.Sub(w.at)).tick()
			look()
		}
	}
	raise := func(point correlate.PointID) {
		t.Helper()
		w.at1(site, point, correlate.Raise)
		look()
		site++
	}
	for range 12 {
		raise("mains")
	}
	for len(digests) < 5 && site < 100 {
		tick(90 * time.Second)
		raise("mains")
	}
	var gaps []time.Duration
	for i := 1; i < len(digests); i++ {
		gaps = append(gaps, digests[i].Sub(digests[i-1]))
	}
	if want := minutes(5, 10, 20, 20); !slices.Equal(gaps, want) {
		t.Errorf("digests came %v after each other, want %v", gaps, want)
	}
	// Something critical soon after a digest: two minutes after it, and not twenty.
	raise("fire")
	tick(3 * time.Minute)
	if n := len(digests); n != 6 || digests[5].Sub(digests[4]) > 2*time.Minute {
		t.Errorf("critical: %v", digests[4:])
	}
	// The last ones of the flood wait for nothing once it has ended.
	raise("mains")
	raise("mains")
	n := len(digests)
	if len(w.engine.State().Piles) == 0 {
		t.Fatal("nothing was gathered")
	}
	for w.engine.State().Flood.On() {
		tick(5 * time.Second)
	}
	if len(digests) != n+1 || len(w.engine.State().Piles) != 0 || len(w.engine.State().Flood.Told) != 0 {
		t.Errorf("after the flood: %d digests, %d piles, %+v", len(digests)-n, len(w.engine.State().Piles), w.engine.State().Flood.Told)
	}
	// The next flood begins with the first step.
	w.after(2 * time.Hour)
	promised = time.Time{}
	n = len(digests)
	for range 12 {
		raise("mains")
	}
	tick(time.Minute)
	if len(digests) != n+1 {
		t.Errorf("the next flood begins with %d digests", len(digests)-n)
	}
}

// TestFloodPaceIsChecked: steps that are none are named.
func TestFloodPaceIsChecked(t *testing.T) {
	for _, f := range []notify.FloodPace{
		{Digests: []time.Duration{time.Second}},
		{Digests: []time.Duration{10 * time.Minute, 5 * time.Minute}},
		{Digests: []time.Duration{3 * time.Hour}},
		{Digests: make([]time.Duration, 13)},
		{Critical: []time.Duration{20 * time.Second, 11 * time.Minute}},
	} {
		b := book()
		b.Flood = f
		net, err := correlate.NewNetwork(nil, nil, "h")
		if err != nil {
			t.Fatal(err)
		}
		_, problems := notify.NewPlan(b, notify.Options{Network: net})
		if !slices.ContainsFunc(problems, func(p notify.Problem) bool { return strings.HasPrefix(p.What, "flood: ") && p.Mend != "" }) {
			t.Errorf("%+v: %v", f, problems)
		}
	}
}
