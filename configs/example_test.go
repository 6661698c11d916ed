package configs_test

import (
	"fmt"
	"net/netip"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/configs"
	"example.net/standwatch/configs/example"
	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/rules"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

// loadExample loads the embedded example, which must be without any problem.
func loadExample(tb testing.TB) *configs.Config {
	tb.Helper()
	cfg, problems := configs.Load(tb.Context(), example.FS, configs.Options{Env: example.Env(nil), Names: standardNames()})
	if len(problems) > 0 {
		problems.Print(os.Stderr)
		tb.Fatalf("%d problems in the example", len(problems))
	}
	return cfg
}

var exampleDay = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

func TestExampleHasNothingToComplainAbout(t *testing.T) {
	if findings := loadExample(t).Check(exampleDay, 90*24*time.Hour); len(findings) > 0 {
		findings.Print(os.Stderr)
		t.Fatalf("%d findings in the example", len(findings))
	}
}

// TestExampleIsTheScenarioOfTheDesign holds what the design says of it: two hubs
// and twenty-two leaf sites, a hub with 32 contacts and eight analogs, remotes
// with a loopback and a documentation address, v1/v2c and v3 mixed.
func TestExampleIsTheScenarioOfTheDesign(t *testing.T) {
	cfg := loadExample(t)
	hubs, leaves := 0, 0
	for _, id := range cfg.Network.Sites() {
		site := cfg.Network.Site(id)
		switch {
		case id == correlate.SiteSelf:
			continue
		case site.Upstream == "":
			hubs++
			checkHub(t, site)
		default:
			leaves++
		}
		if len(site.Agents) != 1 || site.Points["alive"] == nil || site.Points["mains"] == nil || site.Access == "" {
			t.Errorf("site %s: %d agents", id, len(site.Agents))
		}
	}
	if hubs != 2 || leaves != 22 {
		t.Errorf("%d hubs and %d leaf sites", hubs, leaves)
	}
	v3, documents := 0, []netip.Prefix{netip.MustParsePrefix("192.0.2.0/24"), netip.MustParsePrefix("198.51.100.0/24")}
	for _, a := range cfg.Receiver.Agents {
		if len(a.Addresses) != 2 || !a.Addresses[0].IsLoopback() || !documents[0].Contains(a.Addresses[1]) && !documents[1].Contains(a.Addresses[1]) {
			t.Errorf("agent %s: addresses %v", a.ID, a.Addresses)
		}
		if len(a.EngineIDs) == 1 {
			v3++
			site := cfg.Network.Agent(a.ID).Site
			if got := fmt.Sprintf("%x", a.EngineIDs[0]); got != fmt.Sprintf("80007ed904%x", string(site)) || a.MinLevel != usm.AuthPriv {
				t.Errorf("agent %s: engine ID %s, least level %v", a.ID, got, a.MinLevel)
			}
		}
	}
	if v3 < 4 || v3 > 12 {
		t.Errorf("%d agents of 24 have an engine ID", v3)
	}
}

// checkHub checks that a hub's contacts and analogs are numbered without a gap.
func checkHub(t *testing.T, hub *correlate.Site) {
	t.Helper()
	numbers := map[int]correlate.Kind{}
	for _, p := range hub.Points {
		numbers[p.Number] = p.Kind
	}
	for n := 1; n <= 32; n++ {
		if numbers[n] != correlate.Discrete {
			t.Errorf("hub %s: contact %d is %s", hub.ID, n, numbers[n])
		}
	}
	for n := 201; n <= 208; n++ {
		if numbers[n] != correlate.Analog {
			t.Errorf("hub %s: analog %d is %s", hub.ID, n, numbers[n])
		}
	}
}

// TestExampleCarriesItsCautions holds section 11 of the design: what can hurt or
// has legal duties says so with the alarm.
func TestExampleCarriesItsCautions(t *testing.T) {
	hub := loadExample(t).Network.Site("north-hub")
	for id, word := range map[correlate.PointID]string{"tower-light": "47 CFR 17.48", "smoke": "no listed fire alarm", "fire-panel-trouble": "no listed fire alarm",
		"hydrogen": "copy", "battery-voltage": "hydrogen", "battery-fuse": "high currents", "generator-run": "starts by itself", "generator-fail": "Never restart it from afar"} {
		p := hub.Points[id]
		if p == nil || !strings.Contains(p.Caution, word) {
			t.Errorf("point %s: no caution with %q", id, word)
		}
	}
	if p := hub.Points["tower-light"]; !p.Regulated || !strings.Contains(p.Instructions, "30 minutes") {
		t.Errorf("tower light: regulated %v, %s", p.Regulated, p.Instructions)
	}
	for id, p := range hub.Points {
		if p.Kind == correlate.Discrete && p.Instructions == "" {
			t.Errorf("point %s has no instructions", id)
		}
	}
}

// TestExampleRulesFindEveryPoint sends what a remote sends for every numbered
// point of every site through the example's rules.
func TestExampleRulesFindEveryPoint(t *testing.T) {
	cfg := loadExample(t)
	for _, id := range cfg.Network.Sites() {
		site := cfg.Network.Site(id)
		for _, p := range site.Points {
			if p.Number == 0 {
				continue
			}
			n, want := said32473(p)
			res := cfg.Rules.Match(n, rules.Where{Site: site, Agent: cfg.Network.Agent(site.Agents[0])})
			if len(res.Observations) != 1 {
				t.Errorf("%s/%s: %+v", id, p.ID, res)
				continue
			}
			if o := res.Observations[0]; o.Key != (correlate.Key{Site: id, Point: p.ID}) || o.What != want {
				t.Errorf("%s/%s: observed %s %s", id, p.ID, o.What, o.Key)
			}
		}
	}
}

// said32473 is the notification that the invented remote sends for a point.
func said32473(p *correlate.Point) (*snmp.Notification, correlate.What) {
	const root = "1.3.6.1.4.1.32473.10."
	vb := func(column string, tag byte, value []byte) snmp.Varbind {
		return snmp.Varbind{Name: []byte(snmp.MustOID(root + column + "." + strconv.Itoa(p.Number))), Tag: tag, Value: value}
	}
	number := []byte{byte(p.Number >> 8), byte(p.Number)}
	n := &snmp.Notification{Version: snmp.V2c}
	switch p.Kind {
	case correlate.Analog:
		n.TrapOID = []byte(snmp.MustOID(root + "0.2"))
		n.Varbinds = []snmp.Varbind{vb("3.1.1", snmp.TagInteger, number), vb("3.1.2", snmp.TagInteger, []byte{2, 29})}
		return n, correlate.Value
	case correlate.Entry:
		n.TrapOID = []byte(snmp.MustOID(root + "0.4"))
		n.Varbinds = []snmp.Varbind{vb("5.1.1", snmp.TagInteger, number), vb("5.1.2", snmp.TagOctetString, []byte("0042")), vb("5.1.3", snmp.TagInteger, []byte{1})}
		return n, correlate.Happened
	}
	n.TrapOID = []byte(snmp.MustOID(root + "0.1"))
	n.Varbinds = []snmp.Varbind{vb("2.1.1", snmp.TagInteger, number), vb("2.1.2", snmp.TagInteger, []byte{1})}
	return n, correlate.Raise
}

func TestExampleTellsTheRightCrew(t *testing.T) {
	cfg := loadExample(t)
	for site, crew := range map[correlate.SiteID]string{"harrow-knoll": "north", "tern-point": "south"} {
		v := cfg.Plan.Preview(correlate.Key{Site: site, Point: "mains"}, correlate.Major, exampleDay)
		if v.Ladder != crew || len(v.Steps) < 3 || len(v.Steps[0].Told) == 0 || !strings.HasPrefix(v.Steps[0].Told[0].Person, crew) || v.Steps[0].Told[0].Channel != "sms" {
			t.Errorf("mains at %s: %+v", site, v)
		}
	}
	if v := cfg.Plan.Preview(correlate.Key{Site: "self", Point: "commit"}, correlate.Critical, exampleDay); v.Ladder != "master" {
		t.Errorf("the master itself: %+v", v)
	}
}

func TestExampleTakesItsPlacesFromTheOverlay(t *testing.T) {
	env := example.Env(map[string]string{"STANDWATCH_TRAPS": "127.0.0.1:20162", "STANDWATCH_CONSOLE": "127.0.0.1:8621", "STANDWATCH_DATA": "/srv/x",
		"STANDWATCH_MAIL_HOST": "::1", "STANDWATCH_MAIL_PORT": "2525", "STANDWATCH_SMS_URL": "http://127.0.0.1:9/messages"})
	cfg, problems := configs.Load(t.Context(), example.FS, configs.Options{Env: env, Names: standardNames()})
	if cfg == nil {
		t.Fatal(problems)
	}
	got := fmt.Sprint(cfg.Listeners[0].Address, cfg.Console.Listen, cfg.Store.Folder, cfg.Gateways[0].Mail.Host, cfg.Gateways[0].Mail.Port, cfg.Gateways[1].SMS.URL)
	if want := fmt.Sprint(netip.MustParseAddrPort("127.0.0.1:20162"), "127.0.0.1:8621", "/srv/x", "::1", 2525, "http://127.0.0.1:9/messages"); got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if len(example.Secrets()) != 3 || string(cfg.Receiver.Policies[0].Communities[0]) != example.Secrets()["KESTREL_COMMUNITY"] {
		t.Error("the secrets are not those of the example")
	}
}
