package console

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"hash/fnv"
	"html/template"
	"net/http"
	"strconv"
	"sync"
	"time"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
)

// Bounds of a page's stream. Own choice, no source.
const (
	liveBeat  = 5 * time.Second        // the page calls itself stale after three of these
	liveRest  = 200 * time.Millisecond // least time between two frames
	newsLines = 4                      // spoken at once
	newsBatch = 500                    // records looked at for news
)

// liveFrame is one patch for an open page. On pages other than the watch only
// the first block is there, and the script reads the page again.
type liveFrame struct {
	Seq     correlate.Seq       `json:"seq"`
	Now     int64               `json:"now"` // Unix milliseconds
	Newest  int64               `json:"newest,omitempty"`
	News    []string            `json:"news,omitempty"`
	Changed []correlate.AlarmID `json:"changed,omitempty"`
	Trouble string              `json:"trouble,omitempty"`
	Quiet   string              `json:"quiet,omitempty"`

	Title string                             `json:"title,omitempty"`
	Said  template.HTML                      `json:"said,omitempty"`
	Aside template.HTML                      `json:"aside,omitempty"`
	Axis  template.HTML                      `json:"axis,omitempty"`
	Order []correlate.SiteID                 `json:"order"` // troubled sites
	Right []correlate.SiteID                 `json:"right"` // sites where all came right
	Rows  map[correlate.SiteID]template.HTML `json:"rows,omitempty"`
}

// live answers GET /live: a stream of patches for the page named, resumable by
// Last-Event-ID, which is the sequence number of the newest record shown.
func (s *server) live(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	f, err := filterOf(q)
	if err != nil {
		return err
	}
	select {
	case s.streams <- struct{}{}:
		defer func() { <-s.streams }()
	default:
		return problemOf(http.StatusServiceUnavailable, "as many pages are open as the master allows")
	}
	v := &viewer{s: s, out: api.NewEventWriter(w, api.WriteTimeout), actor: s.Actor(r), filter: f, key: f.key(s.Actor(r)), watching: q.Get("page") == "watch", sent: map[correlate.SiteID]uint64{}}
	_, v.cursor = s.alert(s.Now())
	asked := r.Header.Get("Last-Event-ID")
	if asked == "" {
		asked = q.Get("seq")
	}
	if n, err := strconv.ParseUint(asked, 10, 64); err == nil && correlate.Seq(n) < v.cursor {
		v.cursor = correlate.Seq(n)
	}
	ctx, done, err := access.While(r)
	if err != nil {
		return err
	}
	defer done()
	if v.out.Open() == nil {
		v.follow(ctx)
	}
	return nil
}

// viewer is one open page.
type viewer struct {
	s        *server
	out      *api.EventWriter
	actor    string
	filter   filter
	key      string
	watching bool
	cursor   correlate.Seq
	sent     map[correlate.SiteID]uint64 // versions of the rows the page has
}

// follow sends frames until the page is closed, is too slow, or the server
// closes. It rests a little between frames, so that a storm of commits makes
// few frames; each shows all that was committed before it.
func (v *viewer) follow(ctx context.Context) {
	wake, cancel := v.s.Board.Follow()
	defer cancel()
	beat := time.NewTicker(liveBeat)
	defer beat.Stop()
	rest := time.NewTimer(0)
	defer rest.Stop()
	for {
		if err := v.send(ctx); err != nil {
			if ctx.Err() == nil {
				v.s.Log.Debug().Err(err).Msg("a page's stream ended")
			}
			return
		}
		rest.Reset(liveRest)
		select {
		case <-rest.C:
		case <-ctx.Done():
			return
		case <-v.s.Closing:
			return
		}
		select {
		case <-wake:
		case <-beat.C:
		case <-ctx.Done():
			return
		case <-v.s.Closing:
			return
		}
	}
}

func (v *viewer) send(ctx context.Context) error {
	now := v.s.Now()
	alert, last := v.s.alert(now)
	out := liveFrame{Seq: last, Now: now.UnixMilli(), Trouble: alert.Trouble, Quiet: alert.Quiet}
	if err := v.news(ctx, &out, last); err != nil {
		return err
	}
	if v.watching {
		f, err := v.s.frame(ctx, v)
		if err != nil {
			return err
		}
		v.patch(&out, f)
	}
	return v.out.Event("frame", uint64(last), out)
}

// patch puts in what the page does not have yet.
func (v *viewer) patch(out *liveFrame, f *frame) {
	out.Title, out.Said, out.Aside, out.Axis, out.Newest = f.title, f.said, f.aside, f.axis, f.newest
	out.Order, out.Right, out.Rows = f.order, f.right, map[correlate.SiteID]template.HTML{}
	for id, r := range f.rows {
		if v.sent[id] != r.version {
			v.sent[id], out.Rows[id] = r.version, r.html
		}
	}
	for id := range v.sent {
		if _, ok := f.rows[id]; !ok {
			delete(v.sent, id)
		}
	}
}

// news says which alarms changed since the cursor, and what a screen reader
// should speak of.
func (v *viewer) news(ctx context.Context, out *liveFrame, last correlate.Seq) error {
	if last-v.cursor > newsBatch && last > v.cursor {
		v.cursor = last - newsBatch
	}
	records, err := api.Gather(ctx, v.s.Journal, v.cursor, last, newsBatch)
	if err != nil {
		return err
	}
	v.cursor = last
	more, seen := 0, map[correlate.AlarmID]bool{}
	v.s.Board.Read(func(st *correlate.State, net *correlate.Network) {
		for _, rec := range records {
			for _, ev := range rec.Events {
				if id := ev.Subject().ID(); !ev.Subject().IsZero() && !seen[id] {
					seen[id] = true
					out.Changed = append(out.Changed, id)
				}
				line := newsLine(st, net, ev)
				switch {
				case line == "":
				case len(out.News) < newsLines:
					out.News = append(out.News, line)
				default:
					more++
				}
			}
		}
	})
	if more > 0 {
		out.News = append(out.News, "and "+strconv.Itoa(more)+" more changes")
	}
	return nil
}

func newsLine(st *correlate.State, net *correlate.Network, ev correlate.Event) string {
	a := st.Alarms[ev.Subject()]
	if a == nil {
		return ""
	}
	where := siteName(net, a.Key.Site)
	switch e := ev.(type) {
	case *correlate.Announced:
		return a.Severity.String() + ": " + laneWords(net, a) + ", " + where
	case *correlate.AlarmCleared:
		if p := net.Point(a.Key); p != nil && p.NormalWord != "" {
			return "cleared: " + p.NormalWord + ", " + where
		}
		return "cleared: " + laneWords(net, a) + ", " + where
	case *correlate.Acked:
		return "taken by " + plain(e.Actor, 60) + ": " + laneWords(net, a) + ", " + where
	}
	return ""
}

// frames keeps the newest frame of each filter, so that many pages that show
// the same cost one.
type frames struct {
	mu    sync.Mutex // guards byKey; held while a frame is made
	byKey map[string]*frame
}

// frame is a rendered watch page in parts.
type frame struct {
	seq    correlate.Seq
	minute time.Time
	title  string
	newest int64
	said   template.HTML
	aside  template.HTML
	axis   template.HTML
	order  []correlate.SiteID
	right  []correlate.SiteID
	rows   map[correlate.SiteID]renderedRow
}

type renderedRow struct {
	version uint64
	html    template.HTML
}

// maxFrames bounds the filters whose frames are kept.
const maxFrames = 64

// key says which pages can share a frame.
func (f filter) key(actor string) string {
	if !f.Mine {
		actor = ""
	}
	return fmt.Sprintf("%q %d %q %q %t %q %s", f.Words, f.Least, f.Region, f.Tag, f.Untaken, actor, f.Length)
}

func (s *server) frame(ctx context.Context, v *viewer) (*frame, error) {
	s.frames.mu.Lock()
	defer s.frames.mu.Unlock()
	var page watchPage
	var now time.Time
	old := s.frames.byKey[v.key]
	fresh := false
	s.Board.Read(func(st *correlate.State, _ *correlate.Network) {
		fresh = old != nil && old.seq == st.Seq && old.minute.Equal(s.Now().Truncate(time.Minute))
	})
	if fresh {
		return old, nil
	}
	if err := s.readFor(ctx, v.actor, func(c clock, src source) {
		now = c.now
		page = watchView(c, src, v.filter)
	}); err != nil {
		return nil, err
	}
	f, err := s.renderFrame(page, now, old)
	if err != nil {
		return nil, err
	}
	if s.frames.byKey == nil || len(s.frames.byKey) >= maxFrames {
		s.frames.byKey = map[string]*frame{}
	}
	s.frames.byKey[v.key] = f
	return f, nil
}

// renderFrame renders the parts of a page; rows that did not change since old
// are taken from it.
func (s *server) renderFrame(page watchPage, now time.Time, old *frame) (*frame, error) {
	f := &frame{seq: page.Seq, minute: now.Truncate(time.Minute), title: page.Said.Title(), rows: map[correlate.SiteID]renderedRow{}}
	if page.Newest.Is() {
		f.newest = page.Newest.At.UnixMilli()
	}
	part := func(name string, data any) (template.HTML, error) {
		var b bytes.Buffer
		err := s.pages["watch"].ExecuteTemplate(&b, name, data)
		// Our own template has escaped what is in it.
		return template.HTML(b.String()), err
	}
	var err error
	for _, p := range []struct {
		name string
		data any
		to   *template.HTML
	}{{"said", page.Said, &f.said}, {"aside", page, &f.aside}, {"axis", page, &f.axis}} {
		if *p.to, err = part(p.name, p.data); err != nil {
			return nil, fmt.Errorf("make part %s of the watch: %w", p.name, err)
		}
	}
	add := func(rows []row, order *[]correlate.SiteID) {
		for _, r := range rows {
			*order = append(*order, r.ID)
			version := r.version()
			if old != nil && old.rows[r.ID].version == version {
				f.rows[r.ID] = old.rows[r.ID]
				continue
			}
			f.rows[r.ID] = renderedRow{version, rowHTML(r)}
		}
	}
	add(page.Rows, &f.order)
	add(page.Right, &f.right)
	return f, nil
}

// version tells rows apart that a page must show anew. What only the clock
// changes, the script keeps true.
func (r row) version() uint64 {
	h := fnv.New64a()
	fmt.Fprintf(h, "%s %t %d %d %d %d %d", r.Name, r.Doubtful, r.Standing, r.Untaken, r.More, r.Origin, r.Far)
	for _, l := range r.Lanes {
		l.addTo(h.Write)
	}
	return h.Sum64()
}

func (l lane) addTo(write func([]byte) (int, error)) {
	var b []byte
	b = append(b, l.ID...)
	b = binary.BigEndian.AppendUint64(b, uint64(l.seq))
	b = append(b, byte(l.Severity), byte(len(l.Strip.Panes[0].Bars)), byte(len(l.Strip.Panes[0].Ticks)))
	b = append(b, fmt.Sprint(l.Untaken, l.Strip.Earlier, l.Marks)...)
	_, _ = write(b) // a hash never fails
	for _, u := range l.Under {
		u.addTo(write)
	}
}
