package configs_test

import (
	"fmt"
	"runtime"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
)

const (
	bigSites  = 5000
	bigPoints = 176 // of the largest remote
)

// bigNetwork is 5,000 sites with 176 points each, by one template in which half
// of the points are explained by another and every eighth has the site's name in
// its words, so that three in five cannot be shared between sites.
func bigNetwork() fstest.MapFS {
	var b strings.Builder
	b.WriteString("templates:\n  big:\n    points:\n      alive: {kind: alive, severity: major, explained-by: [upstream/alive]}\n")
	for i := 1; i < bigPoints; i++ {
		fmt.Fprintf(&b, "      point-%d:\n        number: %d\n        name: Contact %d\n        severity: minor\n        instructions: Look at contact %d and call the crew.\n", i, i, i, i)
		switch {
		case i%8 == 0:
			b.WriteString("        alarm: \"{site-name}: contact closed\"\n")
		case i%2 == 0:
			b.WriteString("        explained-by: [point-1, upstream/alive]\n")
		}
	}
	b.WriteString("sites:\n")
	for i := range bigSites {
		fmt.Fprintf(&b, "  site-%d:\n    name: Site %d\n    region: r%d\n    templates: big\n", i, i, i%20)
		if i > 0 {
			fmt.Fprintf(&b, "    upstream: site-%d\n", (i-1)/20)
		}
		fmt.Fprintf(&b, "    agents:\n      agent-%d: {addresses: [10.%d.%d.1, 10.%d.%d.2], community: field, heartbeat: 5m}\n", i, i/250, i%250, i/250, i%250)
		if i%10 == 0 {
			b.WriteString("    points:\n      point-3: {severity: major}\n")
		}
	}
	return with(map[string]string{"sites/one.yaml": b.String()})
}

// largestHeap is what the issue allows the whole to take.
const largestHeap = 600 << 20

func BenchmarkLoad5000SitesOf176Points(b *testing.B) {
	fsys := bigNetwork()
	for b.Loop() {
		var before, after runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&before)
		cfg := mustLoad(b, fsys)
		var loaded runtime.MemStats
		runtime.ReadMemStats(&loaded)
		runtime.GC()
		runtime.ReadMemStats(&after)
		b.ReportMetric(float64(after.HeapAlloc-before.HeapAlloc)/(1<<20), "MiB-kept")
		b.ReportMetric(float64(loaded.HeapSys)/(1<<20), "MiB-heap-from-system")
		runtime.KeepAlive(cfg)
	}
}

func TestLargestNetworkFits(t *testing.T) {
	var before, after runtime.MemStats
	fsys := bigNetwork()
	runtime.GC()
	runtime.ReadMemStats(&before)
	cfg := mustLoad(t, fsys)
	runtime.GC()
	runtime.ReadMemStats(&after)
	if kept := int64(after.HeapAlloc) - int64(before.HeapAlloc); kept > largestHeap {
		t.Errorf("%d sites of %d points keep %d MiB", bigSites, bigPoints, kept>>20)
	}
	if n := len(cfg.Network.Sites()); n != bigSites+1 {
		t.Errorf("%d sites", n)
	}
	p := cfg.Network.Point(correlate.Key{Site: "site-4999", Point: "point-8"})
	if p == nil || p.AlarmWord != "Site 4999: contact closed" {
		t.Errorf("a look-up gives %+v", p)
	}
}

func BenchmarkCheckAndDiff5000SitesOf176Points(b *testing.B) {
	fsys := bigNetwork()
	cfg, again := mustLoad(b, fsys), mustLoad(b, fsys)
	b.Run("check", func(b *testing.B) {
		for b.Loop() {
			cfg.Check(exampleDay, 14*24*time.Hour)
		}
	})
	b.Run("diff", func(b *testing.B) {
		for b.Loop() {
			if got := configs.Diff(cfg, again).String(); got != "nothing changed" {
				b.Fatal(got)
			}
		}
	})
}

func BenchmarkLoadExample(b *testing.B) {
	for b.Loop() {
		loadExample(b)
	}
}

func BenchmarkLoadSmallest(b *testing.B) {
	for b.Loop() {
		mustLoad(b, base())
	}
}
