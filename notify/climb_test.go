package notify_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
	"example.net/standwatch/notify/text"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// night is a Saturday at 02:14:05 in Denver.
var night = time.Date(2026, 1, 10, 9, 14, 5, 0, time.UTC)

func network(t testing.TB) *correlate.Network {
	t.Helper()
	denver, err := time.LoadLocation("America/Denver")
	if err != nil {
		t.Fatal(err)
	}
	point := func(id correlate.PointID, s correlate.Severity) *correlate.Point {
		return &correlate.Point{ID: id, Kind: correlate.Discrete, Name: string(id), AlarmWord: string(id) + " failed", NormalWord: string(id) + " back", Class: "power", Severity: s}
	}
	site := &correlate.Site{ID: "harrow-knoll", Name: "Harrow Knoll", Region: "north", Tags: []string{"hub"}, Zone: denver, Points: map[correlate.PointID]*correlate.Point{}}
	for _, p := range []*correlate.Point{point("mains", correlate.Critical), point("door", correlate.Minor), point("rectifier", correlate.Major), point("quiet", correlate.Major)} {
		site.Points[p.ID] = p
	}
	site.Points["rectifier"].ExplainedBy = []correlate.Ref{{Site: "harrow-knoll", Point: "mains"}}
	site.Points["quiet"].QuietClear = true
	site.Points["battery"] = &correlate.Point{ID: "battery", Kind: correlate.Analog, Name: "Battery", AlarmWord: "Battery low", Severity: correlate.Major, Unit: "V", Decimals: 1,
		Limits: correlate.Limits{Low: &correlate.Limit{At: 46, DeadBand: 1, Severity: correlate.Major}, LowLow: &correlate.Limit{At: 44, DeadBand: 1, Severity: correlate.Critical}}}
	net, err := correlate.NewNetwork([]*correlate.Site{site}, nil, "h")
	if err != nil {
		t.Fatal(err)
	}
	return net
}

func book() notify.Book {
	return notify.Book{
		Gateways: []notify.Gateway{{Name: "sms", Kind: notify.KindSMSHTTP}, {Name: "mail", Kind: notify.KindMail}},
		People: []notify.Person{
			{ID: "north", Name: "North crew on call", Channels: []notify.Address{{Gateway: "sms", To: "+12025550101"}, {Gateway: "mail", To: "north@example.net"}}},
			{ID: "south", Name: "South crew on call", Channels: []notify.Address{{Gateway: "sms", To: "+12025550102"}}},
			{ID: "chief", Name: "Field chief", Zone: "America/Denver", Channels: []notify.Address{{Gateway: "mail", To: "chief@example.net"}},
				Quiet: []notify.Quiet{{From: "22:00", To: "06:00", Below: correlate.Major}}},
		},
		Rosters: []notify.Roster{
			{ID: "crew", Name: "Crews", Zone: "America/Denver", Turns: []notify.Turn{{People: []string{"north", "south"}, Start: "2026-01-05", HandOver: "08:00", Every: "week"}}},
			{ID: "days", Name: "Days only", Zone: "America/Denver", Turns: []notify.Turn{{People: []string{"south"}, Start: "2026-01-05", HandOver: "08:00", Every: "day", Lasts: 10 * time.Hour}}},
		},
		Ladders: []notify.Ladder{
			{Name: "urgent", TellTaken: true, Rounds: 2, Rungs: []notify.Rung{
				{Whom: []notify.Target{{Roster: "crew"}}, Wait: 10 * time.Minute, Repeat: 1},
				{Whom: []notify.Target{{Roster: "days"}}, Wait: time.Hour},
				{Whom: []notify.Target{{Person: "chief"}, {Roster: "crew"}}, Channels: []string{"mail"}, Wait: 15 * time.Minute},
			}},
			{Name: "calm", Rungs: []notify.Rung{{Whom: []notify.Target{{Person: "chief"}}, Wait: 30 * time.Minute}}},
		},
		Routes: []notify.Route{
			{Name: "office", Classes: []string{"power"}, Hours: []notify.Hours{{Days: []string{"mon", "tue", "wed", "thu", "fri"}, From: "08:00", To: "17:00", Zone: "site"}}, BoardOnly: true},
			{Name: "bad", AtLeast: correlate.Major, Ladder: "urgent"},
			{Name: "rest", Ladder: "calm"},
		},
	}
}

// world is an engine with a plan, driven as the ledger drives them.
type world struct {
	testing.TB
	engine *correlate.Engine
	plan   *notify.Plan
	at     time.Time
	seq    correlate.Seq
	log    []*correlate.Record
}

func newWorld(t testing.TB, change func(*notify.Book)) *world {
	t.Helper()
	b := book()
	if change != nil {
		change(&b)
	}
	net := network(t)
	plan, problems := notify.NewPlan(b, notify.Options{Network: net, Centre: "Kestrel Basin Cooperative"})
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	return &world{TB: t, engine: correlate.NewEngine(net, correlate.NewState()), plan: plan, at: night}
}

// apply decides about an input now and returns the climber's events as lines.
func (w *world) apply(in correlate.Input) []string {
	w.Helper()
	w.seq++
	r := &correlate.Record{Seq: w.seq, At: w.at, Input: in}
	w.engine.Apply(r)
	before := w.engine.State().Snapshot()
	events := w.plan.Climb(r, w.engine.State(), w.engine.DueCallOuts())
	if diff := cmp.Diff(before, w.engine.State().Snapshot()); diff != "" {
		w.Fatalf("climbing changed the state: %s", diff)
	}
	if again := w.plan.Climb(r, correlate.Restore(before), w.engine.DueCallOuts()); cmp.Diff(events, again) != "" {
		w.Fatalf("climbing twice differs: %s", cmp.Diff(events, again))
	}
	w.engine.Extend(r, events)
	w.log = append(w.log, r)
	return lines(events)
}

func (w *world) after(d time.Duration) *world { w.at = w.at.Add(d); return w }

func (w *world) tick() []string { w.Helper(); return w.apply(&correlate.Tick{}) }

func (w *world) says(point correlate.PointID, what correlate.What, severity correlate.Severity) []string {
	w.Helper()
	return w.apply(&correlate.Notice{Source: "test", Observations: []correlate.Observation{{Key: key(point), What: what, Severity: severity}}})
}

func (w *world) raise(p correlate.PointID) []string { w.Helper(); return w.says(p, correlate.Raise, 0) }
func (w *world) clear(p correlate.PointID) []string { w.Helper(); return w.says(p, correlate.Clear, 0) }

func (w *world) take(p correlate.PointID, who string) []string {
	w.Helper()
	return w.apply(&correlate.Act{Key: key(p), Action: correlate.ActAcknowledge, Actor: who, Via: "test"})
}

func (w *world) answer(id correlate.MessageID, o correlate.Outcome, notBefore time.Duration) []string {
	w.Helper()
	d := &correlate.Delivery{Message: id, Outcome: o, Answer: "said so"}
	if o == correlate.Temporary {
		d.NotBefore = w.at.Add(notBefore)
	}
	return w.apply(d)
}

func key(p correlate.PointID) correlate.Key { return correlate.Key{Site: "harrow-knoll", Point: p} }

// lines writes events shortly, times as hours and minutes of UTC.
func lines(events []correlate.Event) []string {
	var out []string
	clock := func(at time.Time) string { return at.Format("15:04:05") }
	for _, ev := range events {
		switch e := ev.(type) {
		case *correlate.CallOutOpened:
			out = append(out, fmt.Sprintf("open %s %s told=%d", e.CallOut.ID, e.CallOut.Ladder, len(e.CallOut.Told)))
		case *correlate.RungReached:
			out = append(out, strings.TrimSpace(fmt.Sprintf("step %d/%d due %s %s", e.Rung, e.Round, clock(e.Due), e.Nobody)))
		case *correlate.MessageQueued:
			m := e.Message
			out = append(out, fmt.Sprintf("send %s %s to %s by %s from %s until %s", m.ID, m.Purpose, m.Person, m.Channel, clock(m.NotBefore), clock(m.GiveUp)))
		case *correlate.CallOutEnded:
			out = append(out, strings.TrimSpace(fmt.Sprintf("end %s %s %s", e.CallOut, e.State, e.By)))
		case *correlate.MessageTried:
			out = append(out, fmt.Sprintf("tried %s %s", e.Message, e.State))
		case *correlate.MessageWithdrawn:
			out = append(out, fmt.Sprintf("drop %s %s", e.Message, e.Why))
		default:
			out = append(out, fmt.Sprintf("%T", ev))
		}
	}
	return out
}

func want(t testing.TB, got []string, want ...string) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Fatalf("got\n\t%s\nwant\n\t%s", strings.Join(got, "\n\t"), strings.Join(want, "\n\t"))
	}
}

// TestLadderWalk climbs the urgent ladder with nobody taking it: the crew twice
// ten minutes apart, the day roster (nobody at night: passed at once), the
// chief and the crew's mail, and all of it again.
func TestLadderWalk(t *testing.T) {
	w := newWorld(t, nil)
	want(t, w.raise("mains"), "open c1 urgent told=0", "step 0/0 due 09:24:05", "send m1-0 raised to north by sms from 09:14:05 until 09:19:05")
	want(t, w.answer("m1-0", correlate.Accepted, 0), "tried m1-0 accepted")
	want(t, w.after(10*time.Minute-time.Second).tick())
	want(t, w.after(time.Second).tick(), "step 1/0 due 09:34:05", "send m4-0 raised to north by sms from 09:24:05 until 09:29:05")
	want(t, w.after(10*time.Minute).tick(),
		"step 2/0 due 09:34:05 nobody is on call in roster days",
		"step 3/0 due 09:49:05", "send m5-0 raised to chief by mail from 09:34:05 until 13:34:05", "send m5-1 raised to north by mail from 09:34:05 until 09:41:35")
	want(t, w.after(15*time.Minute).tick(), "step 0/1 due 09:59:05", "drop m4-0 a newer one says it", "send m6-0 raised to north by sms from 09:49:05 until 09:54:05")
	want(t, w.after(10*time.Minute).tick(), "step 1/1 due 10:09:05", "drop m6-0 a newer one says it", "send m7-0 raised to north by sms from 09:59:05 until 10:04:05")
	want(t, w.after(10*time.Minute).tick(),
		"step 2/1 due 10:09:05 nobody is on call in roster days",
		"step 3/1 due 10:24:05", "drop m5-0 a newer one says it", "send m8-0 raised to chief by mail from 10:09:05 until 14:09:05", "drop m5-1 a newer one says it", "send m8-1 raised to north by mail from 10:09:05 until 10:16:35")
	// Only north was reached, so only north hears that it is over.
	want(t, w.after(15*time.Minute).tick(), "end c1 exhausted", "send m9-0 exhausted to north by sms from 10:24:05 until 10:29:05")
	want(t, w.after(time.Hour).tick())
	want(t, w.clear("mains"), "end c1 cleared", "drop m7-0 cleared", "drop m8-0 cleared", "drop m8-1 cleared",
		"send m11-0 cleared to north by sms from 11:24:05 until 11:29:05")
}

func TestTaken(t *testing.T) {
	w := newWorld(t, nil)
	w.raise("mains")
	w.answer("m1-0", correlate.Accepted, 0)
	w.after(20 * time.Minute).tick()
	w.after(10 * time.Minute).tick()
	w.answer("m4-0", correlate.Accepted, 0)
	// The second telling of north still waits; the chief took it, so only
	// north, who was told, hears of it.
	want(t, w.take("mains", "chief"), "end c1 taken chief", "drop m3-0 taken", "drop m4-1 taken",
		"send m6-0 taken to north by sms from 09:44:05 until 09:49:05")
	want(t, w.after(time.Hour).tick())
	want(t, w.after(time.Hour).clear("mains"), "end c1 cleared chief",
		"send m8-0 cleared to north by sms from 11:44:05 until 11:49:05", "send m8-1 cleared to chief by mail from 11:44:05 until 15:44:05")
}

func TestClearedBeforeAnybodyWasTold(t *testing.T) {
	w := newWorld(t, nil)
	w.raise("mains")
	want(t, w.after(time.Second).clear("mains"), "end c1 cleared", "drop m1-0 cleared")
	// The gateway was taking the message while it was withdrawn: it arrived
	// after all, so its person must hear that it is over. Once.
	want(t, w.answer("m1-0", correlate.Accepted, 0), "tried m1-0 accepted", "send m3-0 cleared to north by sms from 09:14:06 until 09:19:06")
	want(t, w.answer("m1-0", correlate.Accepted, 0), "tried m1-0 accepted")
	want(t, w.answer("m1-0", correlate.Temporary, 0), "tried m1-0 accepted")
	// And the next episode is another call-out.
	want(t, w.after(time.Minute).raise("mains"), "open c6 urgent told=0", "step 0/0 due 09:25:06", "send m6-0 raised to north by sms from 09:15:06 until 09:20:06")
}

func TestRefusedAfterItWasWithdrawn(t *testing.T) {
	w := newWorld(t, nil)
	w.raise("mains")
	w.clear("mains")
	want(t, w.answer("m1-0", correlate.Permanent, 0), "tried m1-0 dropped")
}

// TestTakenSilently: the calm ladder does not say who took it.
func TestTakenSilently(t *testing.T) {
	w := newWorld(t, nil)
	w.at = night.Add(12 * time.Hour)
	want(t, w.raise("door"), "open c1 calm told=0", "step 0/0 due 21:44:05", "send m1-0 raised to chief by mail from 21:14:05 until 01:14:05")
	w.answer("m1-0", correlate.Accepted, 0)
	want(t, w.take("door", "operator"), "end c1 taken operator")
}

// TestTwoAtOneRung: the next rung is reached at once only when nobody of this
// one has been told or may yet be, and only for this rung's own failures.
func TestTwoAtOneRung(t *testing.T) {
	w := newWorld(t, func(b *notify.Book) {
		b.Ladders[0] = notify.Ladder{Name: "urgent", Rungs: []notify.Rung{
			{Whom: []notify.Target{{Person: "south"}, {Person: "chief"}}, Wait: 10 * time.Minute},
			{Whom: []notify.Target{{Person: "north"}}, Channels: []string{"sms", "mail"}, Wait: 10 * time.Minute},
			{Whom: []notify.Target{{Person: "chief"}}, Wait: 10 * time.Minute}}}
	})
	want(t, w.raise("mains"), "open c1 urgent told=0", "step 0/0 due 09:24:05",
		"send m1-0 raised to south by sms from 09:14:05 until 13:14:05", "send m1-1 raised to chief by mail from 09:14:05 until 13:14:05")
	want(t, w.answer("m1-0", correlate.Accepted, 0), "tried m1-0 accepted")
	want(t, w.answer("m1-1", correlate.Permanent, 0), "tried m1-1 failed")
	want(t, w.after(10*time.Minute).tick(), "step 1/0 due 09:34:05",
		"send m4-0 raised to north by sms from 09:24:05 until 13:24:05", "send m4-1 raised to north by mail from 09:24:05 until 13:24:05")
	want(t, w.answer("m1-0", correlate.Permanent, 0), "tried m1-0 failed")
	// Both of north's channels are in use: the first to fail has no stand-in.
	want(t, w.answer("m4-0", correlate.Permanent, 0), "tried m4-0 failed")
	want(t, w.answer("m4-1", correlate.Permanent, 0), "tried m4-1 failed", "step 2/0 due 09:34:05", "send m7-0 raised to chief by mail from 09:24:05 until 13:24:05")
}

// TestOutOfDateFailure: an earlier message that fails after its person was
// asked again has no stand-in.
func TestOutOfDateFailure(t *testing.T) {
	w := newWorld(t, nil)
	w.raise("mains")
	w.answer("m1-0", correlate.Accepted, 0)
	w.after(10 * time.Minute).tick()
	want(t, w.answer("m1-0", correlate.Permanent, 0), "tried m1-0 failed")
}

// TestPointRemovedAndBack: what was told of a point that was taken out of the
// configuration has no part in a later episode.
func TestPointRemovedAndBack(t *testing.T) {
	w := newWorld(t, nil)
	w.raise("mains")
	w.answer("m1-0", correlate.Accepted, 0)
	with := w.engine.Network()
	without, err := correlate.NewNetwork(nil, nil, "without")
	if err != nil {
		t.Fatal(err)
	}
	w.engine.Use(without)
	want(t, w.apply(&correlate.Reconfigure{Hash: "without"}), "end c1 withdrawn")
	w.engine.Use(with)
	w.apply(&correlate.Reconfigure{Hash: "with"})
	want(t, w.after(time.Minute).raise("mains"), "open c5 urgent told=0", "step 0/0 due 09:25:05", "send m5-0 raised to north by sms from 09:15:05 until 09:20:05")
}

func TestQuietClear(t *testing.T) {
	w := newWorld(t, nil)
	w.raise("quiet")
	w.answer("m1-0", correlate.Accepted, 0)
	want(t, w.clear("quiet"), "end c1 cleared")
}

// TestFallBack: each failure moves on at once, to the person's next channel and
// then to the next rung.
func TestFallBack(t *testing.T) {
	w := newWorld(t, nil)
	w.raise("mains")
	want(t, w.answer("m1-0", correlate.Temporary, 10*time.Second), "tried m1-0 waiting")
	want(t, w.after(time.Minute).answer("m1-0", correlate.Permanent, 0), "tried m1-0 failed", "send m1-0.2 raised to north by mail from 09:15:05 until 13:15:05")
	want(t, w.answer("m1-0.2", correlate.Permanent, 0), "tried m1-0.2 failed", "step 1/0 due 09:25:05", "send m4-0 raised to north by sms from 09:15:05 until 09:20:05")
	// Too late for its time counts as a failure, now and not later.
	want(t, w.answer("m4-0", correlate.Temporary, 6*time.Minute), "tried m4-0 failed", "send m4-0.2 raised to north by mail from 09:15:05 until 13:15:05")
	want(t, w.answer("m4-0.2", correlate.Accepted, 0), "tried m4-0.2 accepted")
	// The gateway's word that it never arrived comes afterwards.
	want(t, w.answer("m4-0.2", correlate.Permanent, 0), "tried m4-0.2 failed",
		"step 2/0 due 09:15:05 nobody is on call in roster days",
		"step 3/0 due 09:30:05", "send m7-0 raised to chief by mail from 09:15:05 until 13:15:05", "send m7-1 raised to north by mail from 09:15:05 until 09:22:35")
	// Two were told at this rung: one failure alone does not climb.
	want(t, w.answer("m7-0", correlate.Permanent, 0), "tried m7-0 failed")
	want(t, w.answer("m7-1", correlate.Permanent, 0), "tried m7-1 failed", "send m7-1.2 raised to north by sms from 09:15:05 until 13:15:05")
	// The top of a round waits: going round at once would use up the rounds.
	want(t, w.answer("m7-1.2", correlate.Permanent, 0), "tried m7-1.2 failed")
	want(t, w.after(15*time.Minute).tick(), "step 0/1 due 09:40:05", "send m11-0 raised to north by sms from 09:30:05 until 09:35:05")
	// A late failure of an earlier step has no part in this one.
	want(t, w.answer("m1-0", correlate.Permanent, 0), "tried m1-0 failed")
	want(t, w.answer("gone", correlate.Permanent, 0))
}

func TestReceipt(t *testing.T) {
	w := newWorld(t, nil)
	w.raise("mains")
	want(t, w.answer("m1-0", correlate.Delivered, 0), "tried m1-0 delivered")
	want(t, w.answer("m1-0", correlate.Accepted, 0), "tried m1-0 delivered")
	want(t, w.answer("m1-0", correlate.Permanent, 0), "tried m1-0 delivered")
	want(t, w.answer("m1-0", correlate.Temporary, 0), "tried m1-0 delivered")
}

// TestNobody: with nobody on call at any rung the call-out waits at the top of
// each round and does not end within an instant.
func TestNobody(t *testing.T) {
	w := newWorld(t, func(b *notify.Book) {
		b.Ladders[0] = notify.Ladder{Name: "urgent", Rounds: 2, Rungs: []notify.Rung{
			{Whom: []notify.Target{{Roster: "days"}}, Wait: time.Minute}, {Whom: []notify.Target{{Roster: "days"}, {Person: "chief"}}, Channels: []string{"sms"}, Wait: time.Minute}}}
	})
	none := "nobody is on call in roster days"
	want(t, w.raise("mains"), "open c1 urgent told=0", "step 0/0 due 09:14:05 "+none, "step 1/0 due 09:15:05 "+none+"; chief has no address at sms")
	want(t, w.after(time.Minute).tick(), "step 0/1 due 09:15:05 "+none, "step 1/1 due 09:16:05 "+none+"; chief has no address at sms")
	want(t, w.after(time.Minute).tick(), "end c1 exhausted")
}

func TestWorse(t *testing.T) {
	w := newWorld(t, nil)
	want(t, w.raise("door"), "open c1 calm told=0", "step 0/0 due 13:30:00", "send m1-0 raised to chief by mail from 13:00:00 until 17:00:00")
	// Another ladder: the call-out is followed by another that remembers who
	// was told.
	want(t, w.says("door", correlate.Raise, correlate.Major), "end c1 withdrawn", "drop m1-0 it got worse",
		"open c2 urgent told=1", "step 0/0 due 09:24:05", "send m2-0 worse to north by sms from 09:14:05 until 09:19:05")
	w.after(10 * time.Minute).tick()
	// The same ladder: from the bottom again, what waits is out of date.
	want(t, w.says("door", correlate.Raise, correlate.Critical), "drop m3-0 it got worse",
		"step 0/0 due 09:34:05", "send m4-0 worse to north by sms from 09:24:05 until 09:29:05")
	want(t, w.says("door", correlate.Raise, correlate.Minor))
	w.answer("m4-0", correlate.Accepted, 0)
	w.take("door", "north")
	// Taken and worse: it asks anew, and those told before hear of the clear.
	want(t, w.says("door", correlate.Raise, correlate.Critical), "open c8 urgent told=4", "step 0/0 due 09:34:05", "send m8-0 worse to north by sms from 09:24:05 until 09:29:05")
	want(t, w.clear("door"), "end c8 cleared", "drop m8-0 cleared", "send m9-0 cleared to north by sms from 09:24:05 until 09:29:05")
}

func TestShelvedAndBack(t *testing.T) {
	w := newWorld(t, nil)
	w.raise("mains")
	w.answer("m1-0", correlate.Accepted, 0)
	until := w.at.Add(time.Hour)
	want(t, w.apply(&correlate.Act{Key: key("mains"), Action: correlate.ActShelve, Actor: "x", Via: "test", Text: "works", Until: until}), "end c1 withdrawn")
	want(t, w.after(time.Hour).tick(), "open c4 urgent told=1", "step 0/0 due 10:24:05", "send m4-0 raised to north by sms from 10:14:05 until 10:19:05")
}

func TestBoardOnlyInOfficeHours(t *testing.T) {
	w := newWorld(t, nil)
	w.at = time.Date(2026, 1, 12, 23, 59, 59, 0, time.UTC) // Monday 16:59:59 in Denver
	want(t, w.raise("mains"))
	w.clear("mains")
	if got := w.after(time.Second).raise("mains"); len(got) != 3 {
		t.Errorf("17:00: got %q, want a call-out", got)
	}
}

func TestConsequencesAreCounted(t *testing.T) {
	w := newWorld(t, nil)
	w.raise("mains")
	want(t, w.raise("rectifier"))
	w.after(10 * time.Minute).tick()
	m := w.engine.State().Messages["m3-0"]
	if wanted := "CRITICAL Harrow Knoll: mains failed 02:24. "; !strings.HasPrefix(m.Body, wanted) || !strings.HasSuffix(m.Body, ". and 1 more explained") {
		t.Errorf("got %q", m.Body)
	}
}

func TestReading(t *testing.T) {
	w := newWorld(t, nil)
	w.apply(&correlate.Notice{Source: "test", Observations: []correlate.Observation{{Key: key("battery"), What: correlate.Value, Value: 45.04}}})
	m := w.engine.State().Messages["m1-0"]
	if m == nil || !strings.Contains(m.Body, ". 45.0 V") {
		t.Errorf("got %+v", m)
	}
}

// TestLadderGone: a reload took the ladder away; the call-out goes on by the
// route that its alarm takes now.
func TestLadderGone(t *testing.T) {
	w := newWorld(t, nil)
	w.raise("mains")
	w.answer("m1-0", correlate.Accepted, 0)
	b := book()
	b.Ladders[0].Name, b.Routes[1].Ladder = "other", "other"
	plan, problems := notify.NewPlan(b, notify.Options{Network: network(t)})
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	w.plan = plan
	want(t, w.after(10*time.Minute).tick(), "end c1 withdrawn",
		"open c3 other told=1", "step 0/0 due 09:34:05", "send m3-0 raised to north by sms from 09:24:05 until 09:29:05")
}

// TestPreviewIsTheClimb: what a preview foretells is what then happens.
func TestPreviewIsTheClimb(t *testing.T) {
	w := newWorld(t, nil)
	v := w.plan.Preview(key("mains"), correlate.Critical, night)
	if v.Route != "bad" || v.Ladder != "urgent" || v.BoardOnly {
		t.Fatalf("got %+v", v)
	}
	var foretold, happened []string
	for _, s := range v.Steps {
		for _, told := range s.Told {
			foretold = append(foretold, fmt.Sprint(s.At, s.Step, told.Person, told.Channel, told.Address, told.At))
		}
	}
	w.raise("mains")
	for range 20 {
		next, ok := w.engine.NextDue()
		if !ok {
			break
		}
		w.at = next
		w.tick()
	}
	for _, r := range w.log {
		for _, ev := range r.Events {
			if e, ok := ev.(*correlate.MessageQueued); ok && text.Purpose(e.Message.Purpose).Asks() {
				m := e.Message
				happened = append(happened, fmt.Sprint(r.At, m.Rung, m.Person, m.Channel, m.Address, m.NotBefore))
			}
		}
	}
	if diff := cmp.Diff(foretold, happened); diff != "" {
		t.Error(diff)
	}
	if !v.Ends.Equal(w.at) {
		t.Errorf("ends %s, foretold %s", w.at, v.Ends)
	}
	if v := w.plan.Preview(key("mains"), correlate.Critical, time.Date(2026, 1, 12, 18, 0, 0, 0, time.UTC)); !v.BoardOnly || len(v.Steps) != 0 {
		t.Errorf("office hours: got %+v", v)
	}
}

// TestOnlyEndsAreFinal drives random inputs and checks what must hold after
// each: codes of open call-outs differ, an open call-out has a time, a message
// that asks does not wait for a call-out that nobody needs, nobody hears twice
// that an alarm cleared, and the state is a fold of the records.
func TestOnlyEndsAreFinal(t *testing.T) { rapid.Check(t, drive) }

func FuzzClimb(f *testing.F) { f.Fuzz(rapid.MakeFuzz(drive)) }

func drive(t *rapid.T) {
	net := fuzzNetwork
	plan := fuzzPlan
	engine := correlate.NewEngine(net(), correlate.NewState())
	at, seq := night, correlate.Seq(0)
	var log []*correlate.Record
	for range rapid.IntRange(1, 60).Draw(t, "inputs") {
		at = at.Add(rapid.SampledFrom([]time.Duration{0, time.Second, time.Minute, 10 * time.Minute, time.Hour}).Draw(t, "after"))
		seq++
		r := &correlate.Record{Seq: seq, At: at, Input: anyInput(t, engine.State(), at)}
		engine.Apply(r)
		engine.Extend(r, plan().Climb(r, engine.State(), engine.DueCallOuts()))
		log = append(log, r)
		checkState(t, engine.State())
	}
	fold := correlate.NewState()
	for _, r := range log {
		fold.Fold(r)
	}
	if diff := cmp.Diff(fold.Snapshot(), engine.State().Snapshot()); diff != "" {
		t.Fatal(diff)
	}
}

func anyInput(t *rapid.T, st *correlate.State, at time.Time) correlate.Input {
	k := key(rapid.SampledFrom([]correlate.PointID{"mains", "door", "rectifier"}).Draw(t, "point"))
	switch rapid.IntRange(0, 5).Draw(t, "what") {
	case 0:
		return &correlate.Act{Key: k, Action: correlate.ActAcknowledge, Actor: "north", Via: "test"}
	case 1:
		return &correlate.Act{Key: k, Action: correlate.ActShelve, Actor: "x", Via: "test", Text: "t", Until: at.Add(30 * time.Minute)}
	case 2:
		waiting := st.Waiting()
		if len(waiting) == 0 {
			return &correlate.Tick{}
		}
		m := rapid.SampledFrom(waiting).Draw(t, "message")
		o := rapid.SampledFrom([]correlate.Outcome{correlate.Accepted, correlate.Temporary, correlate.Permanent}).Draw(t, "outcome")
		return &correlate.Delivery{Message: m.ID, Outcome: o, NotBefore: at.Add(time.Minute)}
	case 3:
		return &correlate.Tick{}
	}
	return &correlate.Notice{Observations: []correlate.Observation{{Key: k, What: rapid.SampledFrom([]correlate.What{correlate.Raise, correlate.Raise, correlate.Clear}).Draw(t, "says"),
		Severity: rapid.SampledFrom([]correlate.Severity{0, correlate.Minor, correlate.Critical}).Draw(t, "severity")}}}
}

func checkState(t *rapid.T, st *correlate.State) {
	codes := map[string]correlate.CallOutID{}
	for _, o := range st.CallOuts {
		cleared := map[string]int{}
		for _, told := range o.Told {
			m := st.Messages[told.Message]
			if m == nil {
				continue
			}
			if m.Purpose == "cleared" && m.CallOut == o.ID && !strings.Contains(string(m.ID), ".") {
				cleared[m.Person]++
			}
			if m.State == correlate.MessageWaiting && text.Purpose(m.Purpose).Asks() && o.State != correlate.CallOutOpen && o.State != correlate.CallOutExhausted && m.CallOut == o.ID {
				t.Fatalf("%s waits for call-out %s, which is %s", m.ID, o.ID, o.State)
			}
		}
		for who, n := range cleared {
			if n > 1 {
				t.Fatalf("%s is told %d times that %s cleared", who, n, o.Key)
			}
		}
		if o.State != correlate.CallOutOpen {
			continue
		}
		if other, twice := codes[o.Code]; twice {
			t.Fatalf("%s and %s have the same code %s", o.ID, other, o.Code)
		}
		codes[o.Code] = o.ID
		if o.Due.IsZero() || o.Rung < 0 {
			t.Fatalf("open call-out %s stands nowhere", o.ID)
		}
		if a := st.Alarms[o.Key]; !a.Standing || a.Acknowledged || a.Shelf != nil || !a.Cause.IsZero() {
			t.Fatalf("open call-out %s for %+v", o.ID, a)
		}
	}
}
