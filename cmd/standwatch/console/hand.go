package console

import (
	"cmp"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
)

// hand is one alarm with all that is needed to decide about it. The watch and
// the alarm's own page show it.
type hand struct {
	ID       correlate.AlarmID
	SiteID   correlate.SiteID
	Site     string
	Region   string
	Crew     string
	Upstream *link
	Doubtful bool

	What     string
	Point    string // name and instance
	PointID  correlate.PointID
	Class    string
	Severity correlate.Severity
	OnBoard  bool
	Standing bool
	Latched  bool
	Since    moment
	SiteTime string // of the raise, where the site's zone differs
	Cleared  moment
	LastSeen moment
	Repeats  int
	Episodes int
	Marks    []string
	Value    string // last reading of an analog point
	ValueAt  moment

	Taken   bool
	TakenBy string
	Via     string
	TakenAt moment
	Untaken bool
	Shelf   *shelfView

	Cause        *link
	Explains     []link
	Instructions string
	Cautions     []string
	Regulated    bool
	Access       string
	Links        []outsideLink
	Cameras      []cameraView
	CallOuts     []callOutView
	CanPass      bool // a call-out climbs for it
	Quick        []string
	Life         []lifeEntry
	Strip        strip
	Ends         []shelfEnd
	Asked        []askedLine // the agents that can be asked for the point
	SetAt        string      // file:line of the point's configuration
	Back         string      // where its forms lead to: "watch" or "alarm"
}

// link leads to another page of ours.
type link struct {
	Text, Href string
	Severity   correlate.Severity // 0 for none
}

// outsideLink leads to a remote's own page or shell, as the site names it.
type outsideLink struct {
	Name string
	URL  template.URL
}

// callOutView is one effort to get a person, with what gateways answered.
type callOutView struct {
	State   string
	Ladder  string
	Rung    int // from 1; 0 before the first
	Opened  moment
	Due     moment
	TakenBy string
	Told    []toldView
}

// toldView is one message of a call-out.
type toldView struct {
	Person, Gateway, Address, Purpose, State string
	Queued                                   moment
	Attempts                                 []attemptView
}

type attemptView struct {
	At      moment
	Outcome string
	Answer  string

	GatewayID string // the gateway's own number of the message
	InDoubt   bool   // it may have been taken all the same
}

// lifeEntry is a change of an alarm, by the point or by a person.
type lifeEntry struct {
	At       moment
	Severity correlate.Severity // 0 when a person did it, or when it cleared
	Cleared  bool
	Did      string
	Text     string
	By       string
	Seq      correlate.Seq
}

// shelfEnd is a choice of how long to shelve.
type shelfEnd struct{ Value, Text string }

// shelfEnds are the lengths offered; MaxShelf of the API bounds them all.
func shelfEnds() []shelfEnd {
	return []shelfEnd{{"30m", "30 minutes"}, {"1h", "1 hour"}, {"4h", "4 hours"}, {"8h", "8 hours"}, {"24h", "1 day"}, {"72h", "3 days"}, {"168h", "7 days"}}
}

// quickNotes are what is most often said from the road, in one tap.
func quickNotes() []string { return []string{"On my way", "On site", "Found the cause, working on it"} }

// alarmHref is the address of an alarm's page.
func alarmHref(id correlate.AlarmID) string { return "/alarms/" + url.PathEscape(string(id)) }

// handView returns what is to be decided about an alarm, nil if there is none.
func handView(c clock, src source, key correlate.Key) *hand {
	a := src.st.Alarms[key]
	if a == nil || a.Episodes == 0 {
		return nil
	}
	h := &hand{ID: key.ID(), SiteID: key.Site, Site: siteName(src.net, key.Site), What: laneWords(src.net, a), PointID: key.Point,
		Point: string(key.Point), Severity: a.Severity, OnBoard: a.OnBoard(), Standing: a.Standing, Latched: a.Latched,
		Since: c.at(a.Raised), Cleared: c.at(a.Cleared), LastSeen: c.at(a.LastSeen), Repeats: a.Repeats, Episodes: a.Episodes, Marks: marks(c, a),
		Taken: a.Acknowledged, TakenBy: plain(a.AckBy, 60), Via: a.AckVia, TakenAt: c.at(a.AckAt), Untaken: api.Untaken(a),
		CallOuts: callOuts(c, src.st, key), Life: life(c, a), Strip: stripOf(reachAt(c.now, lengths["8h"]), a, src.repeats(a), c), Ends: shelfEnds(), Back: "watch"}
	if s := a.Shelf; s != nil {
		h.Shelf = &shelfView{By: s.By, Reason: plain(s.Reason, api.MaxText), Until: c.at(s.Until)}
	}
	if cause := src.st.Alarms[a.Cause]; cause != nil && a.OnBoard() {
		h.Cause = alarmLink(src.net, cause)
	}
	for _, u := range src.st.Consequences(key) {
		h.Explains = append(h.Explains, *alarmLink(src.net, u))
	}
	h.Quick = quickNotes()
	h.CanPass = h.OnBoard && !h.Taken && slices.ContainsFunc(h.CallOuts, func(v callOutView) bool { return v.State == correlate.CallOutOpen.String() })
	h.place(c, src, a)
	h.watched(c, src, a)
	if site := src.net.Site(key.Site); site != nil {
		h.Asked = askedAgents(c, src, site)
	}
	return h
}

func alarmLink(net *correlate.Network, a *correlate.Alarm) *link {
	return &link{Text: siteName(net, a.Key.Site) + ": " + laneWords(net, a), Href: alarmHref(a.Key.ID()), Severity: a.Severity}
}

// place adds what is known of the site.
func (h *hand) place(c clock, src source, a *correlate.Alarm) {
	site := src.net.Site(h.SiteID)
	if site == nil {
		return
	}
	h.Region, h.Crew, h.Access, h.Doubtful = site.Region, site.Crew, site.Access, api.Doubtful(src.st, src.net, site)
	if site.Upstream != "" {
		h.Upstream = &link{Text: siteName(src.net, site.Upstream), Href: "/sites/" + string(site.Upstream)}
	}
	if site.Caution != "" {
		h.Cautions = append(h.Cautions, site.Caution)
	}
	if site.Zone != nil {
		there, here := a.Raised.In(site.Zone), a.Raised.In(c.zone)
		if _, off := there.Zone(); off != offset(here) {
			h.SiteTime = there.Format("15:04 MST")
		}
	}
	h.Links, h.Cameras = outside(site.Links), cameraViews(site)
}

// outside returns the links that may be shown. html/template knows no ssh, so
// the schemes are checked here instead.
func outside(links []correlate.WebLink) (out []outsideLink) {
	for _, l := range links {
		if u, err := url.Parse(l.URL); err == nil && slices.Contains([]string{"http", "https", "ssh"}, u.Scheme) {
			out = append(out, outsideLink{l.Name, template.URL(u.String())})
		}
	}
	return out
}

func offset(t time.Time) int {
	_, off := t.Zone()
	return off
}

// watched adds what is known of the point.
func (h *hand) watched(c clock, src source, a *correlate.Alarm) {
	p := src.net.Point(a.Key)
	if p == nil {
		return
	}
	h.Point, h.Class, h.Instructions, h.Regulated, h.SetAt = p.Name, p.Class, p.Instructions, p.Regulated, p.ConfiguredAt
	if a.Key.Instance != "" {
		h.Point += ", " + plain(a.Key.Instance, 60)
	}
	if p.Caution != "" {
		h.Cautions = append([]string{p.Caution}, h.Cautions...)
	}
	if reading := src.st.Readings[a.Key]; reading != nil {
		h.Value, h.ValueAt = valueText(p, reading.Value), c.at(reading.At)
	}
}

// valueText writes a reading with the point's decimals and unit.
func valueText(p *correlate.Point, v float64) string {
	text := strconv.FormatFloat(v, 'f', p.Decimals, 64)
	if p.Unit != "" {
		text += " " + p.Unit
	}
	return text
}

// callOuts lists the call-outs of an alarm that are kept in state, newest first.
func callOuts(c clock, st *correlate.State, key correlate.Key) []callOutView {
	var kept []*correlate.CallOut
	for _, co := range st.CallOuts {
		if co.Key == key {
			kept = append(kept, co)
		}
	}
	slices.SortFunc(kept, func(a, b *correlate.CallOut) int { return cmp.Or(b.Opened.Compare(a.Opened), cmp.Compare(b.ID, a.ID)) })
	var out []callOutView
	for _, co := range kept {
		v := callOutView{State: co.State.String(), Ladder: co.Ladder, Rung: co.Rung + 1, Opened: c.at(co.Opened), Due: c.at(co.Due), TakenBy: plain(co.TakenBy, 60)}
		for _, t := range co.Told {
			if m := st.Messages[t.Message]; m != nil {
				v.Told = append(v.Told, told(c, m))
			}
		}
		out = append(out, v)
	}
	return out
}

func told(c clock, m *correlate.Message) toldView {
	v := toldView{Person: m.Person, Gateway: m.Channel, Address: m.Address, Purpose: m.Purpose, State: m.State.String(), Queued: c.at(m.Queued)}
	for _, t := range m.Attempts {
		v.Attempts = append(v.Attempts, attemptView{c.at(t.At), t.Outcome.String(), plain(t.Answer, answerShown), plain(t.GatewayID, 100), t.InDoubt})
	}
	return v
}

// life joins what the point did and what people did, newest first.
func life(c clock, a *correlate.Alarm) []lifeEntry {
	var out []lifeEntry
	for i, ch := range a.StatusChanges {
		did, severity := "became", ch.Severity
		switch {
		case ch.Severity == correlate.Cleared:
			did, severity = "cleared", 0
		case i+1 == len(a.StatusChanges) || a.StatusChanges[i+1].Severity == correlate.Cleared:
			did = "rose"
		}
		out = append(out, lifeEntry{At: c.at(ch.At), Severity: severity, Cleared: severity == 0, Did: did, Text: plain(ch.Text, 300), Seq: ch.Seq})
	}
	for _, o := range a.OperatorChanges {
		did := map[string]string{"ack": "taken", "note": "note", "shelved": "put aside", "un-shelved": "brought back"}[o.State]
		out = append(out, lifeEntry{At: c.at(o.At), Did: did, Text: plain(o.Text, api.MaxText), By: plain(o.By, 60), Seq: o.Seq})
	}
	slices.SortStableFunc(out, func(a, b lifeEntry) int { return cmp.Compare(b.Seq, a.Seq) })
	return out
}

// handFragment answers GET /hand with the alarm in hand alone.
func (s *server) handFragment(w http.ResponseWriter, r *http.Request) error {
	key, err := correlate.ParseAlarmID(correlate.AlarmID(r.URL.Query().Get("alarm")))
	if err != nil {
		return api.ErrNoSuchAlarm
	}
	var h *hand
	if err := s.read(r, func(c clock, src source) { h = handView(c, src, key) }); err != nil {
		return err
	}
	if h == nil {
		return api.ErrNoSuchAlarm
	}
	return s.fragment(w, "watch", "hand", h)
}
