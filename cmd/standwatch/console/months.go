package console

import (
	"fmt"
	"slices"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// monthsView is what the journal tells of one alarm beyond the episodes that
// are kept with it.
type monthsView struct {
	From     moment // left edge of the strip
	Rows     []monthRow
	Bars     []bar
	Bounded  bool // older records exist than were read
	Read     int  // events
	Chatters int
}

// monthRow sums up one month of the centre's calendar.
type monthRow struct {
	Name     string
	Episodes int
	Stood    string
	Longest  string
	Chatters int // rises that were the third or later within chatterSpan

	stood, longest time.Duration
}

// Bounds of what one page reads, and what is called chatter: the third rise
// within a minute, as the shift report counts it. Common practice.
const (
	monthsRead   = 200
	monthsBack   = 92 * 24 * time.Hour
	chatterSpan  = time.Minute
	chatterRises = 3
)

// stretch is an episode as the journal has it; a zero end stands.
type stretch struct {
	began, ended time.Time
	severity     correlate.Severity
}

// months reads the newest rises and clears of an alarm and sums them up.
func (s *server) months(c clock, key correlate.Key) (*monthsView, error) {
	kinds := []correlate.EventKind{(*correlate.Raised)(nil).Kind(), (*correlate.AlarmCleared)(nil).Kind(), (*correlate.FlapTurned)(nil).Kind(), (*correlate.Closed)(nil).Kind()}
	got, err := s.Journal.History(store.Query{Site: key.Site, Point: key.Point, Instance: key.Instance, From: c.now.Add(-monthsBack), Kinds: kinds, Limit: monthsRead})
	if err != nil {
		return nil, fmt.Errorf("read the last months of %s: %w", key, err)
	}
	slices.Reverse(got.Records)
	stretches, rises, read := lived(got.Records, key)
	v := &monthsView{Bounded: got.Next != 0, Read: read}
	v.sum(c, stretches, rises)
	return v, nil
}

// lived reads episodes and rises from records, oldest first.
func lived(records []*correlate.Record, key correlate.Key) (out []stretch, rises []time.Time, read int) {
	for _, rec := range records {
		for _, ev := range rec.Events {
			if ev.Subject() != key {
				continue
			}
			stands := len(out) > 0 && out[len(out)-1].ended.IsZero()
			switch e := ev.(type) {
			case *correlate.Raised:
				out, rises = append(out, stretch{began: rec.At, severity: e.Severity}), append(rises, rec.At)
			case *correlate.FlapTurned:
				if e.Standing {
					rises = append(rises, rec.At)
				}
			case *correlate.AlarmCleared, *correlate.Closed:
				if stands {
					out[len(out)-1].ended = rec.At
				}
			default:
				continue
			}
			read++
		}
	}
	return out, rises, read
}

// sum counts an episode in the month in which it began.
func (v *monthsView) sum(c clock, stretches []stretch, rises []time.Time) {
	if len(stretches) == 0 {
		return
	}
	v.From = c.at(stretches[0].began)
	sp := span{Origin: c.now, Length: max(c.now.Sub(stretches[0].began), time.Minute)}
	for _, e := range stretches {
		end := e.ended
		if end.IsZero() {
			end = c.now
		}
		v.Bars = append(v.Bars, bar{X: sp.x(e.began), Width: max(sp.x(end)-sp.x(e.began), 0.3), Severity: e.severity, Ended: !e.ended.IsZero()})
		row := v.row(c, e.began)
		row.Episodes++
		row.stood += end.Sub(e.began)
		row.longest = max(row.longest, end.Sub(e.began))
	}
	for i, at := range rises {
		if i+1 >= chatterRises && at.Sub(rises[i+1-chatterRises]) <= chatterSpan {
			v.row(c, at).Chatters++
			v.Chatters++
		}
	}
	for i := range v.Rows {
		v.Rows[i].Stood, v.Rows[i].Longest = short(v.Rows[i].stood), short(v.Rows[i].longest)
	}
	slices.Reverse(v.Rows)
}

// row returns the row of a time's month, made when it is new.
func (v *monthsView) row(c clock, at time.Time) *monthRow {
	name := at.In(c.zone).Format("January 2006")
	for i := range v.Rows {
		if v.Rows[i].Name == name {
			return &v.Rows[i]
		}
	}
	v.Rows = append(v.Rows, monthRow{Name: name})
	return &v.Rows[len(v.Rows)-1]
}
