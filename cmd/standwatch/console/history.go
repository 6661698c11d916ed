package console

import (
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// historyPage is a stretch of the journal, newest first.
type historyPage struct {
	Filter  historyFilter
	Lines   []historyLine
	Older   string // query of the page that follows, empty at the end
	Newest  string // query of the first page, empty when this is it
	Whole   string // query of the same records as a file
	Kinds   []string
	Problem string
}

// historyFilter is the form as it was filled in.
type historyFilter struct {
	From, To, Site, Point, Severity, Kind, Agent string
	Unmatched                                    bool
}

// historyLine is one event, or a record without any.
type historyLine struct {
	Seq      correlate.Seq
	At       moment
	First    bool // first line of its record
	What     string
	Severity correlate.Severity
	Cleared  bool
	Alarm    correlate.AlarmID
	Site     string
	SiteID   correlate.SiteID
	Text     string
	By       string
	Back     string // how far the clock was set back just before, if it was
	Account  string // that the line is about, if any
}

// historyLength is the records of one page.
const historyLength = 60

// historyKinds are the kinds that the form offers.
func historyKinds() []string {
	return []string{"raised", "changed", "cleared", "acknowledged", "noted", "shelved", "unshelved", "flapping", "settled", "explained", "message-queued", "message-tried", "refused", "closed"}
}

// historyQuery reads the form. Local times are the centre's.
func historyQuery(q url.Values, zone *time.Location) (store.Query, historyFilter, error) {
	f := historyFilter{From: q.Get("from"), To: q.Get("to"), Site: q.Get("site"), Point: q.Get("point"), Severity: q.Get("severity"), Kind: q.Get("kind"), Agent: q.Get("agent"), Unmatched: q.Get("unmatched") != ""}
	out := store.Query{Site: correlate.SiteID(f.Site), Point: correlate.PointID(f.Point), Agent: correlate.AgentID(f.Agent), Unmatched: f.Unmatched, Limit: historyLength}
	var err error
	for _, t := range []struct {
		text string
		to   *time.Time
	}{{f.From, &out.From}, {f.To, &out.To}} {
		if t.text == "" {
			continue
		}
		if *t.to, err = time.ParseInLocation("2006-01-02T15:04", t.text, zone); err != nil {
			return out, f, badRequest("a time here looks like 2026-01-31T14:05")
		}
	}
	if f.Severity != "" {
		if out.Severity, err = correlate.ParseSeverity(f.Severity); err != nil {
			return out, f, badRequest(err.Error())
		}
	}
	if f.Kind != "" {
		kind := api.KindOf(f.Kind)
		if kind == 0 {
			return out, f, badRequest("there is no such kind of event")
		}
		out.Kinds = []correlate.EventKind{kind}
	}
	if before := q.Get("before"); before != "" {
		n, err := strconv.ParseUint(before, 10, 64)
		if err != nil || n == 0 {
			return out, f, badRequest("\"before\" is not a record number")
		}
		out.Before = correlate.Seq(n)
	}
	return out, f, nil
}

// historyView makes lines of records. A record tells its events one by one;
// one without any tells what came; named gives an identifier its name.
func historyView(c clock, net *correlate.Network, page store.Page, named func(oid string) string) []historyLine {
	var out []historyLine
	for i, rec := range page.Records {
		first, begin := true, len(out)
		for _, ev := range rec.Events {
			l := eventLine(net, ev)
			if l.What == "" {
				continue
			}
			l.Seq, l.At, l.First = rec.Seq, c.at(rec.At), first
			l.By = cmp.Or(plain(l.By, 60), ranAgain(c, rec.Input))
			l.Text = plain(l.Text, 300)
			out = append(out, l)
			first = false
		}
		if first {
			l := inputLine(rec.Input, named)
			l.Seq, l.At, l.First = rec.Seq, c.at(rec.At), true
			l.By = cmp.Or(l.By, ranAgain(c, rec.Input))
			out = append(out, l)
		}
		if back := api.ClockBack(page.Records, i); back > 0 {
			out[begin].Back = spoken(back)
		}
	}
	return out
}

// ranAgain says of what record and time a notification was run again.
func ranAgain(c clock, input correlate.Input) string {
	in, ok := input.(*correlate.Arrival)
	if !ok || in.RunAgain == 0 {
		return ""
	}
	return fmt.Sprintf("record %d of %s, run again", in.RunAgain, c.at(in.Came).Clock())
}

func eventLine(net *correlate.Network, ev correlate.Event) historyLine {
	k := ev.Subject()
	l := historyLine{What: correlate.EventKinds[ev.Kind()].Word, SiteID: k.Site}
	if !k.IsZero() {
		l.Site = siteName(net, k.Site)
	}
	if k.Point != "" {
		l.Alarm = k.ID()
		l.Text = string(k.Point)
		if p := net.Point(k); p != nil {
			l.Text = p.Name
		}
		if k.Instance != "" {
			l.Text += " (" + k.Instance + ")"
		}
	}
	add := func(text string) {
		if text != "" {
			l.Text = strings.TrimSpace(l.Text + ": " + text)
		}
	}
	switch e := ev.(type) {
	case *correlate.Raised:
		l.Severity = e.Severity
		add(e.Text)
	case *correlate.Changed:
		l.Severity = e.Severity
		if e.Configured {
			l.What = "changed with the configuration"
		}
		add(e.Text)
	case *correlate.AlarmCleared:
		l.Cleared = true
		add(e.Text)
	case *correlate.Repeated:
		add(e.Text)
	case *correlate.FlapTurned:
		l.What = map[bool]string{true: "rose, flapping", false: "fell back, flapping"}[e.Standing]
	case *correlate.Acked:
		l.What, l.By = "taken", e.Actor
		add(e.Text)
	case *correlate.Noted:
		l.By = e.Actor
		add(e.Text)
	case *correlate.Shelved:
		l.What, l.By = "put aside", e.Actor
		add(e.Reason)
	case *correlate.Unshelved:
		l.What, l.By = "brought back", e.Actor
	case *correlate.Explained:
		add("by " + siteName(net, e.By.Site) + " " + string(e.By.Point))
	case *correlate.Measured:
		if p := net.Point(k); p != nil {
			add(valueText(p, e.Value) + " " + e.Level)
		}
	case *correlate.Occurred:
		l.Severity = e.Severity
		add(e.Text)
	case *correlate.Ignored:
		add(e.What.String() + ", " + e.Why)
	case *correlate.Refused:
		add(e.Why)
	case *correlate.Held:
		add(e.Why)
	case *correlate.Closed:
		add(e.Why)
	case *correlate.Audited:
		l.By, l.Text = plain(e.Actor, 60), "agent "+string(e.Agent)
		add(plain(api.AuditedText(e), 300))
	default:
		callOutLine(&l, ev, add)
	}
	return l
}

func callOutLine(l *historyLine, ev correlate.Event, add func(string)) {
	switch e := ev.(type) {
	case *correlate.Passed, *correlate.StandInSet, *correlate.StandInEnded, *correlate.Piled, *correlate.PileEmptied, *correlate.Proved:
		dutyLine(l, ev, add)
	case *correlate.CallOutOpened:
		l.What = "call-out begun"
		add("ladder " + e.CallOut.Ladder)
	case *correlate.RungReached:
		l.What = "rung reached"
		add(fmt.Sprintf("rung %d %s", e.Rung+1, e.Nobody))
	case *correlate.MessageQueued:
		l.What, l.By = "message", e.Message.Person
		add(e.Message.Purpose + " over " + e.Message.Channel)
	case *correlate.MessageTried:
		l.What = "message " + e.State.String()
		add(e.Attempt.Answer)
	case *correlate.MessageWithdrawn:
		l.What = "message dropped"
		add(e.Why)
	case *correlate.CallOutEnded:
		l.What, l.By = "call-out ended", e.By
		add(e.State.String())
	default:
		accessLine(l, ev, add)
		silenceLine(l, ev, add)
	}
}

func inputLine(input correlate.Input, named func(oid string) string) historyLine {
	switch in := input.(type) {
	case *correlate.Arrival:
		l := historyLine{What: map[bool]string{true: "inform", false: "trap"}[in.Inform], Text: named(in.TrapOID) + " from " + in.Origin}
		if in.Unmatched != "" {
			l.What, l.Text = "unmatched", l.Text+": "+plain(in.Unmatched, 200)
		}
		return l
	case *correlate.Notice:
		return historyLine{What: "notice", Text: "from " + in.Source}
	case *correlate.Audit:
		return historyLine{What: "audit", By: plain(in.Actor, 60), Text: "of agent " + string(in.Agent)}
	case *correlate.Act:
		return historyLine{What: "action", By: plain(in.Actor, 60), Text: strings.TrimSuffix(in.Key.String(), ":")}
	case *correlate.Tick:
		return historyLine{What: "clock"}
	case *correlate.Start:
		return historyLine{What: "start", Text: "the program began to watch, version " + in.Version}
	case *correlate.Reconfigure:
		return historyLine{What: "configuration", By: plain(in.Actor, 60), Text: plain(in.Summary, 200)}
	case *correlate.Access:
		return historyLine{What: in.What.String(), By: plain(in.Actor, 60), Text: plain(in.Account, 60)}
	case *correlate.Delivery:
		return historyLine{What: "delivery", Text: in.Outcome.String() + " " + plain(in.Answer, 200)}
	}
	return silenceInputLine(input)
}

// wholeQuery is the part from the question mark on that asks the API for all that the form asks for.
func wholeQuery(q store.Query, f historyFilter) string {
	out := url.Values{}
	for name, value := range map[string]string{"site": f.Site, "point": f.Point, "severity": f.Severity, "kind": f.Kind, "agent": f.Agent} {
		if value != "" {
			out.Set(name, value)
		}
	}
	for name, at := range map[string]time.Time{"from": q.From, "to": q.To} {
		if !at.IsZero() {
			out.Set(name, at.Format(time.RFC3339))
		}
	}
	if f.Unmatched {
		out.Set("unmatched", "true")
	}
	return "?" + out.Encode()
}

func (s *server) history(w http.ResponseWriter, r *http.Request) error {
	values := r.URL.Query()
	q, f, err := historyQuery(values, s.Zone)
	if err != nil {
		return err
	}
	got, err := s.Journal.History(q)
	if err != nil {
		return fmt.Errorf("read history: %w", err)
	}
	page := historyPage{Filter: f, Kinds: historyKinds()}
	if err := s.read(r, func(c clock, src source) { page.Lines = historyView(c, src.net, got, s.namedText) }); err != nil {
		return err
	}
	page.Whole = wholeQuery(q, f)
	if q.Before != 0 {
		values.Del("before")
		page.Newest = "?" + values.Encode()
	}
	if got.Next != 0 {
		values.Set("before", strconv.FormatUint(uint64(got.Next), 10))
		page.Older = "?" + values.Encode()
	}
	return s.render(w, r, http.StatusOK, "history", "History", page)
}
