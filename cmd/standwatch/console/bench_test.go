package console

import (
	"fmt"
	"io"
	"testing"
	"time"

	"example.net/standwatch/correlate"
)

// BenchmarkWatch makes and renders the whole watch page.
func BenchmarkWatch(b *testing.B) {
	for _, standing := range []int{20, 2000} {
		b.Run(fmt.Sprintf("standing=%d", standing), func(b *testing.B) {
			src := crowd(b, standing)
			pages := parsePages(newAssets())
			f, err := filterOf(nil)
			if err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			for b.Loop() {
				page := watchView(clock{noon, time.UTC}, src, f)
				if err := pages["watch"].ExecuteTemplate(io.Discard, "main", page); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// crowd is a network of which every site has four alarms.
func crowd(b *testing.B, standing int) source {
	b.Helper()
	st := correlate.NewState()
	var sites []*correlate.Site
	for i := range standing / 4 {
		s := &correlate.Site{ID: correlate.SiteID(fmt.Sprintf("site-%d", i)), Name: fmt.Sprintf("Site %d", i), Points: map[correlate.PointID]*correlate.Point{}}
		for j, severity := range correlate.Severities()[:4] {
			p := &correlate.Point{ID: correlate.PointID(fmt.Sprintf("point-%d", j)), Kind: correlate.Discrete, Name: "Point", AlarmWord: "Point failed", Severity: severity}
			s.Points[p.ID] = p
			st.Fold(&correlate.Record{Seq: st.Seq + 1, At: noon.Add(-time.Duration(i) * time.Minute), Input: &correlate.Tick{},
				Events: []correlate.Event{&correlate.Raised{On: correlate.On{Key: correlate.Key{Site: s.ID, Point: p.ID}}, Severity: severity}}})
		}
		sites = append(sites, s)
	}
	net, err := correlate.NewNetwork(sites, nil, "crowd")
	if err != nil {
		b.Fatal(err)
	}
	return source{st: st, net: net, repeats: func(*correlate.Alarm) []time.Time { return nil }}
}
