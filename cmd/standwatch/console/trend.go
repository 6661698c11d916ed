package console

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// trendPage is what a value did over a stretch of time.
type trendPage struct {
	Site     correlate.SiteID
	SiteName string
	Name     string
	Alarm    correlate.AlarmID
	Span     string
	Spans    []trendSpan
	From     moment
	Chart    *trendChart
	Count    int // readings
	Lowest   *trendReading
	Highest  *trendReading
	Newest   []trendReading // newest first
	More     int            // older ones that the table leaves out
	Bounded  bool           // the journal has older readings in the stretch than were read
	Limits   string
	Class    string
}

type trendSpan struct {
	Word, Href string
	Here       bool
}

// trendReading is one value with its time.
type trendReading struct {
	Value string
	Level string
	At    moment
}

// trendChart is drawn on a sheet of trendWide by trendHigh, which is stretched to
// the page; words stand beside it at shares of its width and height.
type trendChart struct {
	Path   string      // the value, as steps: it holds until the next reading
	Lines  []trendLine // limits
	Steps  []trendStep // of the time axis
	Scale  []trendMark // of the value axis
	Unsure []trendBar  // stretches in which no agent of the site was heard
	Label  string
}

type trendLine struct {
	Y    float64
	At   share
	Word string
}
type trendStep struct {
	At   share
	Word string
}
type trendMark struct {
	At   share
	Word string
}
type trendBar struct{ X, Width share }

const (
	trendWide, trendHigh = 1000, 240
	trendRead            = 10_000 // readings that one page draws at most
	trendListed          = 60     // readings that its table has
	trendBuckets         = 500    // of which lowest and highest are drawn when there are more readings
)

// trendStretch is one choice of the page.
type trendStretch struct {
	word   string
	length time.Duration
	step   time.Duration // of the time axis
	form   string
}

func trendStretches() []trendStretch {
	return []trendStretch{{"hour", time.Hour, 10 * time.Minute, "15:04"}, {"day", 24 * time.Hour, 4 * time.Hour, "15:04"}, {"week", 7 * 24 * time.Hour, 24 * time.Hour, "Mon 2 Jan"}, {"month", 31 * 24 * time.Hour, 7 * 24 * time.Hour, "2 Jan"}}
}

// measuredAt is one reading of the journal.
type measuredAt struct {
	at    time.Time
	value float64
	level string
}

func (s *server) trend(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	key := correlate.Key{Site: correlate.SiteID(r.PathValue("id")), Point: correlate.PointID(q.Get("point")), Instance: q.Get("instance")}
	chosen := trendStretches()[1]
	if word := q.Get("span"); word != "" {
		i := slices.IndexFunc(trendStretches(), func(t trendStretch) bool { return t.word == word })
		if i < 0 {
			return badRequest("span is hour, day, week or month")
		}
		chosen = trendStretches()[i]
	}
	var page *trendPage
	var point *correlate.Point
	var alive []correlate.PointID
	var c clock
	err := s.read(r, func(now clock, src source) {
		c, point = now, src.net.Point(key)
		if point == nil || point.Kind != correlate.Analog {
			return
		}
		page = &trendPage{Site: key.Site, SiteName: siteName(src.net, key.Site), Name: point.Name, Limits: limitsText(point), Class: point.Class, Span: chosen.word, From: c.at(c.now.Add(-chosen.length))}
		if key.Instance != "" {
			page.Name += " (" + plain(key.Instance, 60) + ")"
		}
		if a := src.st.Alarms[key]; a != nil && a.Episodes > 0 {
			page.Alarm = key.ID()
		}
		for id, p := range src.net.Site(key.Site).Points {
			if p.Kind == correlate.Alive {
				alive = append(alive, id)
			}
		}
	})
	switch {
	case err != nil:
		return err
	case page == nil:
		return notFound("there is no analog point of that name")
	}
	readings, err := s.measured(key, page, c.now.Add(-chosen.length))
	if err != nil {
		return err
	}
	unsure, err := s.unheard(key.Site, alive, c.now.Add(-chosen.length), c.now)
	if err != nil {
		return err
	}
	for _, t := range trendStretches() {
		page.Spans = append(page.Spans, trendSpan{t.word, trendHref(key) + "&span=" + t.word, t.word == chosen.word})
	}
	page.sum(c, point, readings)
	page.Chart = chartOf(c, point, chosen, readings, unsure)
	return s.render(w, r, http.StatusOK, "trend", page.Name, page)
}

// trendHref is the address of a point's chart.
func trendHref(k correlate.Key) string {
	q := url.Values{"point": {string(k.Point)}}
	if k.Instance != "" {
		q.Set("instance", k.Instance)
	}
	return "/sites/" + url.PathEscape(string(k.Site)) + "/trend?" + q.Encode()
}

// measured reads the readings of a point since a time, oldest first. The one
// before that time is among them, since its value held on.
func (s *server) measured(key correlate.Key, page *trendPage, from time.Time) ([]measuredAt, error) {
	kinds := []correlate.EventKind{(*correlate.Measured)(nil).Kind()}
	q := store.Query{Site: key.Site, Point: key.Point, Instance: key.Instance, From: from, Kinds: kinds, Limit: 1000}
	var out []measuredAt
	take := func(rec *correlate.Record) {
		for _, ev := range slices.Backward(rec.Events) {
			if m, ok := ev.(*correlate.Measured); ok && m.Key == key && !math.IsNaN(m.Value) && !math.IsInf(m.Value, 0) {
				out = append(out, measuredAt{rec.At, m.Value, m.Level})
			}
		}
	}
	for {
		got, err := s.Journal.History(q)
		if err != nil {
			return nil, fmt.Errorf("read the values of %s: %w", key, err)
		}
		for _, rec := range got.Records {
			take(rec)
		}
		if got.Next == 0 {
			break
		}
		if len(out) >= trendRead {
			page.Bounded = true
			break
		}
		q.Before = got.Next
	}
	if !page.Bounded {
		got, err := s.Journal.History(store.Query{Site: key.Site, Point: key.Point, Instance: key.Instance, To: from, Kinds: kinds, Limit: 1})
		if err != nil {
			return nil, fmt.Errorf("read the value of %s before: %w", key, err)
		}
		for _, rec := range got.Records {
			take(rec)
		}
	}
	slices.Reverse(out)
	return out, nil
}

// unheard reads when alarms of silence stood at a site.
func (s *server) unheard(site correlate.SiteID, points []correlate.PointID, from, to time.Time) ([]stretch, error) {
	kinds := []correlate.EventKind{(*correlate.Raised)(nil).Kind(), (*correlate.AlarmCleared)(nil).Kind(), (*correlate.FlapTurned)(nil).Kind(), (*correlate.Closed)(nil).Kind()}
	var out []stretch
	for _, point := range points {
		got, err := s.Journal.History(store.Query{Site: site, Point: point, Kinds: kinds, Limit: 400})
		if err != nil {
			return nil, fmt.Errorf("read when %s was silent: %w", site, err)
		}
		slices.Reverse(got.Records)
		byKey := map[correlate.Key]bool{}
		for _, rec := range got.Records {
			for _, ev := range rec.Events {
				if k := ev.Subject(); k.Site == site && k.Point == point {
					byKey[k] = true
				}
			}
		}
		for k := range byKey {
			stretches, _, _ := lived(got.Records, k)
			for _, st := range stretches {
				if st.ended.IsZero() {
					st.ended = to
				}
				if st.ended.After(from) {
					out = append(out, st)
				}
			}
		}
	}
	slices.SortFunc(out, func(a, b stretch) int { return a.began.Compare(b.began) })
	return out, nil
}

// sum fills in the figures of the stretch.
func (p *trendPage) sum(c clock, point *correlate.Point, readings []measuredAt) {
	view := func(m measuredAt) trendReading {
		return trendReading{valueText(point, m.value), m.level, c.at(m.at)}
	}
	var low, high *measuredAt
	for i := range readings {
		m := &readings[i]
		if m.at.Before(p.From.At) {
			continue
		}
		p.Count++
		if low == nil || m.value < low.value {
			low = m
		}
		if high == nil || m.value > high.value {
			high = m
		}
	}
	if low != nil {
		l, h := view(*low), view(*high)
		p.Lowest, p.Highest = &l, &h
	}
	for _, m := range slices.Backward(readings) {
		if len(p.Newest) == trendListed {
			break
		}
		p.Newest = append(p.Newest, view(m))
	}
	p.More = len(readings) - len(p.Newest)
}

func chartOf(c clock, point *correlate.Point, chosen trendStretch, readings []measuredAt, unsure []stretch) *trendChart {
	if len(readings) == 0 {
		return nil
	}
	from := c.now.Add(-chosen.length)
	x := func(t time.Time) float64 {
		return min(max(float64(t.Sub(from))/float64(chosen.length), 0), 1) * trendWide
	}
	limits := []struct {
		word  string
		limit *correlate.Limit
	}{{"low-low", point.Limits.LowLow}, {"low", point.Limits.Low}, {"high", point.Limits.High}, {"high-high", point.Limits.HighHigh}}
	low, high := math.Inf(1), math.Inf(-1)
	for _, m := range readings {
		low, high = min(low, m.value), max(high, m.value)
	}
	for _, l := range limits {
		if l.limit != nil {
			low, high = min(low, l.limit.At), max(high, l.limit.At)
		}
	}
	pad := (high - low) * 0.08
	if pad == 0 {
		pad = max(math.Abs(high)*0.05, 1)
	}
	low, high = low-pad, high+pad
	y := func(v float64) float64 { return trendHigh * (high - v) / (high - low) }
	chart := &trendChart{}
	for _, l := range limits {
		if l.limit != nil {
			at := math.Round(10*y(l.limit.At)) / 10
			chart.Lines = append(chart.Lines, trendLine{at, share(100 * at / trendHigh), l.word + " " + valueText(point, l.limit.At)})
		}
	}
	for _, v := range niceSteps(low, high) {
		chart.Scale = append(chart.Scale, trendMark{share(100 * y(v) / trendHigh), valueText(point, v)})
	}
	for t := axisBegin(c.at(from).At, chosen.step); t.Before(c.now); t = axisNext(t, chosen.step) {
		if !t.Before(from) {
			chart.Steps = append(chart.Steps, trendStep{share(x(t) / trendWide * 100), t.Format(chosen.form)})
		}
	}
	for _, u := range unsure {
		begin, end := x(u.began), x(u.ended)
		chart.Unsure = append(chart.Unsure, trendBar{share(begin / trendWide * 100), share(max(end-begin, 1) / trendWide * 100)})
	}
	drawn := thinned(readings, from, chosen.length)
	var b strings.Builder
	for i, m := range drawn {
		if i == 0 {
			fmt.Fprintf(&b, "M%.1f %.1f", x(m.at), y(m.value))
			continue
		}
		fmt.Fprintf(&b, "H%.1fV%.1f", x(m.at), y(m.value))
	}
	fmt.Fprintf(&b, "H%d", trendWide)
	chart.Path = b.String()
	chart.Label = fmt.Sprintf("%s over the last %s, as steps", point.Name, chosen.word)
	return chart
}

// thinned keeps of each of trendBuckets pieces of time its first, lowest, highest
// and last reading, in order: what a page can show.
func thinned(readings []measuredAt, from time.Time, length time.Duration) []measuredAt {
	if len(readings) <= 2*trendBuckets {
		return readings
	}
	bucket := func(m measuredAt) int { return int(trendBuckets * m.at.Sub(from) / length) }
	var out []measuredAt
	for i := 0; i < len(readings); {
		end, low, high := i+1, i, i
		for ; end < len(readings) && bucket(readings[end]) == bucket(readings[i]); end++ {
			if readings[end].value < readings[low].value {
				low = end
			}
			if readings[end].value > readings[high].value {
				high = end
			}
		}
		keep := []int{i, low, high, end - 1}
		slices.Sort(keep)
		for _, k := range slices.Compact(keep) {
			out = append(out, readings[k])
		}
		i = end
	}
	return out
}

// niceSteps returns about four round values between two.
func niceSteps(low, high float64) []float64 {
	raw := (high - low) / 4
	if raw <= 0 || math.IsInf(raw, 0) || math.IsNaN(raw) {
		return nil
	}
	scale := math.Pow(10, math.Floor(math.Log10(raw)))
	step := 10 * scale
	for _, m := range []float64{1, 2, 5} {
		if m*scale >= raw {
			step = m * scale
			break
		}
	}
	var out []float64
	for n := math.Ceil(low / step); n*step <= high && len(out) < 12; n++ {
		out = append(out, n*step)
	}
	return out
}

// axisBegin returns the last step of the time axis at or before a time, by the
// clock on the wall: days begin at midnight even where one has 23 hours.
func axisBegin(t time.Time, step time.Duration) time.Time {
	minute := 0
	if step < 24*time.Hour {
		minute = (t.Hour()*60 + t.Minute()) / int(step/time.Minute) * int(step/time.Minute)
	}
	return time.Date(t.Year(), t.Month(), t.Day(), 0, minute, 0, 0, t.Location())
}

func axisNext(t time.Time, step time.Duration) time.Time {
	next := time.Date(t.Year(), t.Month(), t.Day()+int(step/(24*time.Hour)), 0, 0, 0, 0, t.Location())
	if step < 24*time.Hour {
		next = time.Date(t.Year(), t.Month(), t.Day(), t.Hour(), t.Minute()+int(step/time.Minute), 0, 0, t.Location())
	}
	if !next.After(t) {
		return t.Add(step) // the clock on the wall went back
	}
	return next
}
