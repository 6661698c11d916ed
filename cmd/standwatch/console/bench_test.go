package console

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/mib"
	"example.net/standwatch/store"
	"example.net/standwatch/store/accounts"
	"example.net/standwatch/store/ledger"
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

// BenchmarkLive has 50 pages open over HTTP while 2,000 alarms stand, commits a
// change, and waits until each page has the frame that tells of it. It reports
// how long that took after the commit, in the middle and at the worst.
func BenchmarkLive(b *testing.B) {
	const pages = 50
	net := crowd(b, 2000).net
	s, err := store.Open(b.TempDir(), store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	l, err := ledger.New(ledger.Options{Store: s, Network: net, Now: time.Now, Log: zerolog.Nop()})
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- l.Run(ctx) }()
	closing := make(chan struct{})
	submit := func(ctx context.Context, in correlate.Input) ([]correlate.Event, error) {
		r, err := l.Submit(ctx, in)
		return r.Events, err
	}
	web := httptest.NewServer(access.As(accounts.Who{Name: "wall", Role: accounts.Look}, newServer(Options{Board: l, Journal: s, Archive: s, Submit: submit,
		OnCall: func(time.Time) []api.Duty { return nil }, Zone: time.UTC, Now: time.Now, Closing: closing, Log: zerolog.Nop(), Actor: func(*http.Request) string { return "wall" }, Names: mib.Standard()}).handler()))
	var readers sync.WaitGroup
	b.Cleanup(func() {
		close(closing)
		readers.Wait()
		web.Close()
		cancel()
		if err := errors.Join(<-ended, s.Close()); err != nil {
			b.Error(err)
		}
	})
	for _, id := range net.Sites() {
		in := &correlate.Notice{Source: "bench"}
		for p := range net.Site(id).Points {
			in.Observations = append(in.Observations, correlate.Observation{Key: correlate.Key{Site: id, Point: p}, What: correlate.Raise})
		}
		if _, err := submit(b.Context(), in); err != nil {
			b.Fatal(err)
		}
	}
	seen := make(chan time.Time, 4*pages)
	for range pages {
		page, err := web.Client().Get(web.URL + "/live?page=watch")
		if err != nil {
			b.Fatal(err)
		}
		readers.Go(func() {
			defer page.Body.Close()
			lines := bufio.NewReaderSize(page.Body, 1<<20)
			for {
				line, err := lines.ReadString('\n')
				if err != nil {
					return // the server closes
				}
				if strings.HasPrefix(line, "data: ") && strings.Contains(line, `"changed":[`) {
					seen <- time.Now()
				}
			}
		})
	}
	key := correlate.Key{Site: net.Sites()[7], Point: "point-2"}
	var took []time.Duration
	what := correlate.Clear
	for b.Loop() {
		b.StopTimer()
		time.Sleep(2 * liveRest) // every page rests after a frame
		b.StartTimer()
		if _, err := submit(b.Context(), &correlate.Notice{Source: "bench", Observations: []correlate.Observation{{Key: key, What: what}}}); err != nil {
			b.Fatal(err)
		}
		committed := time.Now()
		for range pages {
			took = append(took, max(0, (<-seen).Sub(committed)))
		}
		what = correlate.Clear + correlate.Raise - what
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "ms-median")
	b.ReportMetric(float64(took[len(took)-1].Microseconds())/1000, "ms-worst")
}
