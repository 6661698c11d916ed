package configs_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
)

func TestStoreSettings(t *testing.T) {
	cfg := mustLoad(t, base())
	want := configs.Keep{Age: 1096 * 24 * time.Hour, Regulated: 731 * 24 * time.Hour}
	if diff := cmp.Diff(want, cfg.Store.Keep); diff != "" || len(cfg.Store.Holds) != 0 {
		t.Errorf("left out (-want +got):\n%s", diff)
	}
	cfg = mustLoad(t, with(map[string]string{"standwatch.yaml": `
centre: {time-zone: Europe/Zurich}
security: {communities: {field: '${env:COMMUNITY}'}}
store:
  keep: {age: 0s, size: 2GiB, regulated: 800d, make-room: yes}
  holds: [{why: inquiry, from: "2026-03-01", to: "2026-03-02 06:00"}]
`}))
	if diff := cmp.Diff(configs.Keep{Size: 2 << 30, Regulated: 800 * 24 * time.Hour, MakeRoom: true}, cfg.Store.Keep); diff != "" {
		t.Errorf("set (-want +got):\n%s", diff)
	}
	hold := cfg.Store.Holds[0]
	from, to := time.Date(2026, 2, 28, 23, 0, 0, 0, time.UTC), time.Date(2026, 3, 2, 5, 0, 0, 0, time.UTC)
	if hold.Why != "inquiry" || !hold.From.Equal(from) || !hold.To.Equal(to) {
		t.Errorf("hold %+v", hold)
	}
	for name, text := range cfg.Texts() {
		if len(text) == 0 {
			t.Errorf("the text of %s is missing", name)
		}
	}
	if len(cfg.Texts()) != len(cfg.Files) || len(cfg.Files) < 3 {
		t.Errorf("%d texts of %d files", len(cfg.Texts()), len(cfg.Files))
	}
}

func TestHoldsWhatItNames(t *testing.T) {
	day := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	about := func(site correlate.SiteID) func(func(correlate.Key) bool) bool {
		return func(is func(correlate.Key) bool) bool { return is(correlate.Key{Site: site, Point: "mains"}) }
	}
	for name, c := range map[string]struct {
		hold configs.Hold
		at   time.Time
		want bool
	}{
		"everything":           {configs.Hold{}, day, true},
		"the site":             {configs.Hold{Site: "ford"}, day, true},
		"another site":         {configs.Hold{Site: "fell"}, day, false},
		"at its beginning":     {configs.Hold{From: day}, day, true},
		"before its beginning": {configs.Hold{From: day.Add(1)}, day, false},
		"at its end":           {configs.Hold{To: day}, day, false},
		"before its end":       {configs.Hold{To: day.Add(1)}, day, true},
	} {
		if got := c.hold.Holds(c.at, about("ford")); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}
