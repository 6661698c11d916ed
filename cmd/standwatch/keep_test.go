package main

import (
	"context"
	"io"
	"maps"
	"net/http"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
	"example.net/standwatch/store/ledger"
	"example.net/standwatch/store/storetest"
)

// oldFolder makes a data folder as a master left it years ago, in segments of
// ten records: mains and light rose and cleared, and mains rose once more.
func oldFolder(t *testing.T, at time.Time) string {
	t.Helper()
	dir := t.TempDir()
	now := func() time.Time { return at }
	s, err := store.Open(dir, store.Options{SegmentRecords: 10, Now: now})
	if err != nil {
		t.Fatal(err)
	}
	cfg, problems := configs.Load(t.Context(), smallFiles, configs.Options{})
	if problems.Mistakes() {
		t.Fatal(problems)
	}
	l, err := ledger.New(ledger.Options{Store: s, Network: cfg.Network, Now: now})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- l.Run(ctx) }()
	for i := range 40 {
		point := correlate.PointID("mains")
		if i%4 > 1 {
			point = "light"
		}
		what := []correlate.What{correlate.Raise, correlate.Clear}[i%2]
		if i == 4 {
			point, what = "mains", correlate.Raise // and never cleared
		}
		if i > 4 && point == "mains" {
			what = correlate.Raise
		}
		in := &correlate.Notice{Source: "test", Observations: []correlate.Observation{{Key: correlate.Key{Site: "tern-point", Point: point}, What: what}}}
		if _, err := l.Submit(ctx, in); err != nil {
			t.Fatal(err)
		}
	}
	storetest.Tend(t, s)
	cancel()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return dir
}

// TestOldHistoryIsLetGo: what is older than history is kept goes, and what an
// alarm on the board, the law or a hold needs stays, and all of it is shown.
func TestOldHistoryIsLetGo(t *testing.T) {
	began := time.Now()
	for name, c := range map[string]struct {
		age          time.Duration
		store        string
		lights, rest bool // whether the light's records are kept, and the others
	}{
		"young":         {30 * 24 * time.Hour, "", true, true},
		"by the law":    {600 * 24 * time.Hour, "store: {keep: {age: 100d}}\n", true, false},
		"older":         {1200 * 24 * time.Hour, "", false, false},
		"held":          {1200 * 24 * time.Hour, "store: {holds: [{why: inquiry, site: tern-point}]}\n", true, true},
		"held too late": {1200 * 24 * time.Hour, "store: {holds: [{why: inquiry, from: \"" + began.AddDate(-1, 0, 0).Format(time.DateOnly) + "\"}]}\n", false, false},
	} {
		t.Run(name, func(t *testing.T) {
			dir := oldFolder(t, began.Add(-c.age))
			files := maps.Clone(smallFiles)
			files["standwatch.yaml"] = &fstest.MapFile{Data: append([]byte(c.store), smallFiles["standwatch.yaml"].Data...)}
			d, _ := startSmall(t, files, dir)
			d.keeper.once(t.Context())
			if why := d.keeper.trouble(); why != "" {
				t.Fatal(why)
			}
			lights, rest := 0, 0
			for seq := correlate.Seq(1); seq <= 30; seq++ {
				r, err := d.store.Get(seq)
				switch {
				case err != nil:
				case store.Mentions(r, func(k correlate.Key) bool { return k.Point == "light" }):
					lights++
				default:
					rest++
				}
			}
			if (lights == 14) != c.lights || (rest == 16) != c.rest || rest == 0 {
				t.Errorf("%d records of the light and %d others are left", lights, rest)
			}
			var shown api.StoreAnswer
			getJSON(t, d.webAt.Addr().String(), "/api/v1/store", &shown)
			if old := name != "young"; (len(shown.Dropped) > 0) != old || shown.Looked.IsZero() {
				t.Errorf("the API shows %+v", shown)
			}
			page := getText(t, d, "/journal")
			if strings.Contains(page, "Nothing was ever let go") != (name == "young") || !strings.Contains(page, "the first configuration") && !strings.Contains(page, "changed while") {
				t.Errorf("the page says\n%s", page)
			}
		})
	}
}

func getText(t *testing.T, d *daemon, path string) string {
	t.Helper()
	res, err := http.Get("http://" + d.webAt.Addr().String() + path)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s %v\n%s", path, res.Status, err, text)
	}
	return string(text)
}

// TestConfigurationsAreJournaledAndKept: each start and reload that brings
// another configuration says so, and its files can be read back.
func TestConfigurationsAreJournaledAndKept(t *testing.T) {
	data := t.TempDir()
	files := maps.Clone(smallFiles)
	first, stop := startSmall(t, files, data)
	old := first.config.Hash
	files["people.yaml"] = &fstest.MapFile{Data: append([]byte("# mended\n"), files["people.yaml"].Data...)}
	if err := first.reload(t.Context()); err != nil {
		t.Fatal(err)
	}
	mended := first.current().Hash
	stop()
	again, stop := startSmall(t, files, data) // nothing new
	await(t, "the start is journaled", func() bool { return again.store.Last() >= 4 })
	stop()
	d, _ := startSmall(t, smallFiles, data)
	var list api.ConfigurationsAnswer
	await(t, "the old one is in force again", func() bool {
		getJSON(t, d.webAt.Addr().String(), "/api/v1/configurations", &list)
		return len(list.Configurations) == 3
	})
	for i, want := range []string{old, mended, old} {
		if c := list.Configurations[i]; c.Hash != want {
			t.Errorf("number %d is %+v, want %s", i, c, want)
		}
	}
	var c api.ConfigurationAnswer
	getJSON(t, d.webAt.Addr().String(), "/api/v1/configurations/"+mended, &c)
	text := map[string]string{}
	for _, f := range c.Files {
		text[f.Name] = f.Text
	}
	if len(text) != 3 || !strings.HasPrefix(text["people.yaml"], "# mended\n") || text["sites/sites.yaml"] != string(files["sites/sites.yaml"].Data) {
		t.Errorf("kept %v", text)
	}
}
