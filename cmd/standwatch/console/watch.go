package console

import (
	"cmp"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
)

// source is what views read: the state while it is lent, and what goes with it.
type source struct {
	st      *correlate.State
	net     *correlate.Network
	repeats func(*correlate.Alarm) []time.Time
	onCall  []api.Duty
	actor   string
	auditor api.Auditor // may be nil
}

// watchPage is the front page.
type watchPage struct {
	Filter  filter
	Said    sentence
	Rows    []row
	Right   []row  // sites where all came right within the span
	Aside   []lane // shelved
	Axis    []scale
	Hand    *hand
	Regions []string
	Tags    []string
	Seq     correlate.Seq
	Newest  moment // trap
	Hidden  int    // alarms that the filter leaves out
}

// row is one troubled site.
type row struct {
	ID       correlate.SiteID
	Name     string
	Region   string
	Upstream string // name of the site it hangs on
	Doubtful bool
	Standing int
	Untaken  int
	Lanes    []lane
	More     int   // cleared lanes left out
	Origin   int64 // of the strips, Unix milliseconds
	Far      int64 // lengths of both panes, milliseconds
	Near     int64
	worst    correlate.Severity
	oldest   time.Time
}

// lane is one alarm within a row.
type lane struct {
	ID       correlate.AlarmID
	Site     string // name
	Named    bool   // the site is said, since the lane stands under another's
	What     string
	Severity correlate.Severity
	Since    moment // raised, or cleared when it is
	Cleared  bool
	Latched  bool
	Untaken  bool
	Who      string
	Marks    []string
	Strip    strip
	Under    []lane // alarms it explains, at any depth
	Shelf    *shelfView
	seq      correlate.Seq
}

// shelfView says who put an alarm aside.
type shelfView struct {
	By, Reason string
	Until      moment
}

// clearedLanes bounds the lanes of alarms that came right at a site that is
// still troubled.
const clearedLanes = 3

// watchView makes the front page.
func watchView(c clock, src source, f filter) watchPage {
	w := watcher{c: c, src: src, f: f, reach: reachAt(c.now, f.Length), under: map[correlate.Key][]*correlate.Alarm{}}
	page := watchPage{Filter: f, Axis: axis(f.Length, c), Seq: src.st.Seq, Newest: c.at(newestTrap(src.st))}
	sites := map[correlate.SiteID][]*correlate.Alarm{}
	for _, a := range w.sort() {
		sites[a.Key.Site] = append(sites[a.Key.Site], a)
	}
	for _, a := range w.aside {
		page.Aside = append(page.Aside, w.lane(a))
	}
	for id, alarms := range sites {
		r, hidden := w.row(id, alarms)
		page.Hidden += hidden
		switch {
		case len(r.Lanes) == 0:
		case r.Standing > 0:
			page.Rows = append(page.Rows, r)
		default:
			page.Right = append(page.Right, r)
		}
	}
	worstOldest := func(a, b row) int {
		return cmp.Or(cmp.Compare(b.worst, a.worst), a.oldest.Compare(b.oldest), cmp.Compare(a.ID, b.ID))
	}
	slices.SortFunc(page.Rows, worstOldest)
	slices.SortFunc(page.Right, func(a, b row) int { return cmp.Or(b.oldest.Compare(a.oldest), cmp.Compare(a.ID, b.ID)) })
	page.Said = sentenceOf(c, src)
	page.Regions, page.Tags = choices(src.net)
	return page
}

// watcher carries what making a watchPage needs from step to step.
type watcher struct {
	c     clock
	src   source
	f     filter
	reach reach
	under map[correlate.Key][]*correlate.Alarm // by the cause at the top
	aside []*correlate.Alarm
}

// sort parts all alarms into what stands on its own or cleared within the
// span (returned, in key order), what is explained, and what is put aside.
func (w *watcher) sort() []*correlate.Alarm {
	var own []*correlate.Alarm
	for _, a := range w.src.st.Alarms {
		switch {
		case a.OnBoard() && a.Shelf != nil:
			w.aside = append(w.aside, a)
		case a.OnBoard():
			if top := topCause(w.src.st, a); top != nil {
				w.under[top.Key] = append(w.under[top.Key], a)
				continue
			}
			own = append(own, a)
		case a.Episodes > 0 && a.Cleared.After(w.reach.begins(w.c.now)):
			own = append(own, a)
		}
	}
	byKey := func(a, b *correlate.Alarm) int { return a.Key.Compare(b.Key) }
	slices.SortFunc(own, byKey)
	slices.SortFunc(w.aside, func(a, b *correlate.Alarm) int {
		return cmp.Or(a.Shelf.Until.Compare(b.Shelf.Until), byKey(a, b))
	})
	for _, list := range w.under {
		slices.SortFunc(list, api.WorstFirst)
	}
	return own
}

// topCause returns the alarm on the board at the head of the causes that
// explain a, or nil when nothing on the board explains it.
func topCause(st *correlate.State, a *correlate.Alarm) *correlate.Alarm {
	var top *correlate.Alarm
	for steps := 0; !a.Cause.IsZero() && steps < 16; steps++ {
		cause := st.Alarms[a.Cause]
		if cause == nil || !cause.OnBoard() {
			break
		}
		top, a = cause, cause
	}
	return top
}

func (w *watcher) row(id correlate.SiteID, alarms []*correlate.Alarm) (r row, hidden int) {
	r = row{ID: id, Name: siteName(w.src.net, id), Origin: w.reach.Near.Origin.UnixMilli(), Far: w.reach.Far.Length.Milliseconds(), Near: w.reach.Near.Length.Milliseconds()}
	site := w.src.net.Site(id)
	if site != nil {
		r.Region, r.Doubtful = site.Region, api.Doubtful(w.src.st, w.src.net, site)
		if site.Upstream != "" {
			r.Upstream = siteName(w.src.net, site.Upstream)
		}
	}
	slices.SortFunc(alarms, func(a, b *correlate.Alarm) int {
		if a.OnBoard() != b.OnBoard() {
			if a.OnBoard() {
				return -1
			}
			return 1
		}
		if !a.OnBoard() {
			return b.Cleared.Compare(a.Cleared)
		}
		return api.WorstFirst(a, b)
	})
	cleared := 0
	for _, a := range alarms {
		if !w.shows(site, a) {
			if a.OnBoard() {
				hidden++
			}
			continue
		}
		if a.OnBoard() {
			r.count(a)
		} else if cleared++; cleared > clearedLanes {
			r.More++
			continue
		} else if r.Standing == 0 && a.Cleared.After(r.oldest) {
			r.oldest = a.Cleared
		}
		r.Lanes = append(r.Lanes, w.lane(a))
	}
	return r, hidden
}

func (r *row) count(a *correlate.Alarm) {
	r.Standing++
	r.worst = max(r.worst, a.Severity)
	if api.Untaken(a) {
		r.Untaken++
	}
	if r.oldest.IsZero() || a.Raised.Before(r.oldest) {
		r.oldest = a.Raised
	}
}

// shows reports whether the filter lets an alarm, or one it explains, through.
func (w *watcher) shows(site *correlate.Site, a *correlate.Alarm) bool {
	if w.f.passes(w.src, site, a) {
		return true
	}
	return slices.ContainsFunc(w.under[a.Key], func(u *correlate.Alarm) bool {
		return w.f.passes(w.src, w.src.net.Site(u.Key.Site), u)
	})
}

func (w *watcher) lane(a *correlate.Alarm) lane {
	l := lane{ID: a.Key.ID(), Site: siteName(w.src.net, a.Key.Site), What: laneWords(w.src.net, a), Severity: a.Severity,
		Since: w.c.at(a.Raised), Cleared: !a.Standing, Latched: a.Latched, Untaken: api.Untaken(a), Who: who(a), Marks: marks(w.c, a),
		Strip: stripOf(w.reach, a, w.src.repeats(a), w.c), seq: a.LastSeq}
	if l.Cleared {
		l.Since = w.c.at(a.Cleared)
	}
	if a.Repeats > 0 && a.OnBoard() && !a.Flapping {
		l.Marks = append([]string{fmt.Sprintf("again %d×", a.Repeats)}, l.Marks...)
	}
	if s := a.Shelf; s != nil {
		l.Shelf = &shelfView{By: s.By, Reason: plain(s.Reason, 200), Until: w.c.at(s.Until)}
	}
	for _, u := range w.under[a.Key] {
		below := w.lane(u)
		below.Named = u.Key.Site != a.Key.Site
		l.Under = append(l.Under, below)
	}
	return l
}

// laneWords says what stands, with the instance where there is one.
func laneWords(net *correlate.Network, a *correlate.Alarm) string {
	words := pointWords(net, a)
	if a.Key.Instance != "" && !strings.Contains(words, a.Key.Instance) {
		words += " (" + plain(a.Key.Instance, 60) + ")"
	}
	return words
}

func who(a *correlate.Alarm) string {
	switch {
	case a.Acknowledged:
		return plain(a.AckBy, 40)
	case !a.OnBoard():
		return ""
	}
	return "nobody yet"
}

// marks are the small words beside an alarm.
func marks(c clock, a *correlate.Alarm) (out []string) {
	if a.Flapping {
		out = append(out, fmt.Sprintf("flapping, %d rises", a.FlapCount+1))
	}
	if a.Latched {
		out = append(out, "over, waits to be taken")
	}
	if a.HeldUntil.After(c.now) {
		out = append(out, "nobody is told before "+c.at(a.HeldUntil).Clock())
	}
	if w := a.Wait; w != nil && w.Due.After(c.now) {
		out = append(out, map[bool]string{true: "clears ", false: "rises "}[w.What == correlate.Clear]+c.at(w.Due).Clock()+" if it holds")
	}
	if s := a.Suppressed; s != nil {
		out = append(out, strings.ReplaceAll(s.Kind.String(), "-", " ")+", nobody is told before "+c.at(s.Until).hourOnly())
	}
	if a.OverCut > 0 && a.OnBoard() {
		out = append(out, count(a.OverCut, "rise", "rises")+" beyond flapping, only counted")
	}
	if a.Audit && a.OnBoard() {
		out = append(out, "found by audit")
	}
	return out
}

func newestTrap(st *correlate.State) time.Time {
	var newest time.Time
	for _, a := range st.Agents {
		if a.Heard.After(newest) {
			newest = a.Heard
		}
	}
	return newest
}

// choices lists the regions and tags that sites have.
func choices(net *correlate.Network) (regions, tags []string) {
	for _, id := range net.Sites() {
		s := net.Site(id)
		for _, t := range s.Tags {
			if !slices.Contains(tags, t) {
				tags = append(tags, t)
			}
		}
	}
	slices.Sort(tags)
	return net.Regions(), tags
}

// watch answers GET /.
func (s *server) watch(w http.ResponseWriter, r *http.Request) error {
	f, err := filterOf(r.URL.Query())
	if err != nil {
		return err
	}
	var page watchPage
	err = s.read(r, func(c clock, src source) {
		page = watchView(c, src, f)
		page.Hand = handView(c, src, pick(page, correlate.AlarmID(r.URL.Query().Get("alarm"))))
	})
	if err != nil {
		return err
	}
	return s.render(w, r, http.StatusOK, "watch", "Watch", page)
}

// pick returns the alarm in hand: the one asked for, else the first that
// nobody has, else the first.
func pick(p watchPage, asked correlate.AlarmID) correlate.Key {
	if key, err := correlate.ParseAlarmID(asked); err == nil && asked != "" {
		return key
	}
	first := correlate.AlarmID("")
	for _, r := range p.Rows {
		for _, l := range r.Lanes {
			if l.Untaken {
				key, _ := correlate.ParseAlarmID(l.ID) // it came from a key
				return key
			}
			if first == "" {
				first = l.ID
			}
		}
	}
	key, _ := correlate.ParseAlarmID(first) // it came from a key, or is none
	return key
}
