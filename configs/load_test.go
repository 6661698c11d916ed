package configs_test

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/google/go-cmp/cmp"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/usm"
)

// mustLoad loads a configuration without mistakes.
func mustLoad(tb testing.TB, fsys fstest.MapFS) *configs.Config {
	tb.Helper()
	cfg, problems := configs.Load(tb.Context(), fsys, testOptions())
	if cfg == nil {
		problems.Print(os.Stderr)
		tb.Fatal("the configuration was refused")
	}
	return cfg
}

// with is base with some files replaced.
func with(files map[string]string) fstest.MapFS {
	fsys := base()
	for name, text := range files {
		fsys[name] = &fstest.MapFile{Data: []byte(text)}
	}
	return fsys
}

func TestNothingThereIsSaidFileByFile(t *testing.T) {
	cfg, problems := configs.Load(t.Context(), fstest.MapFS{}, testOptions())
	if cfg != nil || len(problems) != 3 {
		t.Fatalf("got %v, %v", cfg, problems)
	}
	for i, want := range []string{"people.yaml: the file is missing", "sites: there is no sites/*.yaml", "standwatch.yaml: the file is missing"} {
		if !strings.HasPrefix(problems[i].Error(), want) {
			t.Errorf("problem %d: %v, want %s", i, problems[i], want)
		}
	}
}

func TestLoadFolderNamesFilesAsOneWouldOpenThem(t *testing.T) {
	dir := t.TempDir()
	if err := os.CopyFS(dir, with(map[string]string{"people.yaml": "peple: {}\n"})); err != nil {
		t.Fatal(err)
	}
	_, problems := configs.LoadFolder(t.Context(), dir, testOptions())
	if len(problems) != 1 || problems[0].File != filepath.Join(dir, "people.yaml") || problems[0].Line != 1 {
		t.Errorf("got %v", problems)
	}
	if _, problems := configs.LoadFolder(t.Context(), filepath.Join(dir, "nowhere"), testOptions()); !problems.Mistakes() {
		t.Errorf("a folder that is not there: %v", problems)
	}
}

func TestEndedContextEndsTheLoad(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if cfg, problems := configs.Load(ctx, base(), testOptions()); cfg != nil || !strings.Contains(problems.Error(), context.Canceled.Error()) {
		t.Errorf("got %v, %v", cfg, problems)
	}
}

func TestSiteSelfIsAlwaysThere(t *testing.T) {
	cfg := mustLoad(t, base())
	for id, p := range cfg.Network.Site(correlate.SiteSelf).Points {
		if p.Severity == 0 || p.AlarmWord == "" || p.NormalWord == "" || p.Instructions == "" || p.Cause == "" {
			t.Errorf("point %s: %+v", id, p)
		}
	}
	bare := len(cfg.Network.Site(correlate.SiteSelf).Points)
	cfg = mustLoad(t, with(map[string]string{"sites/self.yaml": "sites:\n  self:\n    name: The master\n    points:\n      disk: {severity: critical}\n      fan: {severity: minor}\n"}))
	self := cfg.Network.Site(correlate.SiteSelf)
	if self.Name != "The master" || self.Points[configs.SelfDisk].Severity != correlate.Critical || self.Points["fan"] == nil || len(self.Points) != bare+1 {
		t.Errorf("overridden: %s, disk %s, %d points", self.Name, self.Points[configs.SelfDisk].Severity, len(self.Points))
	}
	if self.Points[configs.SelfDisk].AlarmWord == "" {
		t.Error("the override of a severity took the words away")
	}
}

func TestPointsAsBuilt(t *testing.T) {
	cfg := mustLoad(t, with(map[string]string{
		"standwatch.yaml": "centre: {time-zone: Europe/Zurich}\ndefaults: {raise-after: 1s, hold: 7s, flap: count-only, heartbeat: 1m, grace: 10s}\n",
		"sites/one.yaml": `
templates:
  base:
    parameters: {fuel: diesel, uplink: ""}
    points:
      mains: {severity: major, alarm: "{site-name}: no mains, {fuel} runs", raise-after: 5s, normally: closed, number: 1}
      volts: {kind: analog, unit: V, scale: 0.1, limits: {low: {at: 47, severity: minor}, high: {at: 56, dead-band: 1, severity: major}}}
      alive: {kind: alive, severity: major, explained-by: ["upstream/link:{uplink}", mains]}
      link: {kind: link, severity: major, flap: off}
      spare: {severity: warning, instructions: Nothing.}
  heat:
    parameters: {n: }
    points:
      mains: {severity: critical}
      "heater-{n}": {severity: minor, name: "Heater {n} of {{n}"}
sites:
  one:
    templates: [base]
    agents: {one-remote: {addresses: [192.0.2.1, "2001:db8::1"]}}
  two:
    name: The second
    time-zone: America/Denver
    upstream: one
    templates: [base, {use: heat, with: {n: 1}}, {use: heat, with: {n: 2}}]
    with: {fuel: gas, uplink: 3}
    agents:
      two-a: {addresses: 192.0.2.2, heartbeat: 0s}
      two-b: {addresses: 192.0.2.3, grace: 2m, instance: b}
    points:
      volts: {limits: {high: {at: 58}}}
      heater-1: {severity: major}
      spare: {remove: yes}
`}))
	one, two := cfg.Network.Site("one"), cfg.Network.Site("two")
	mains := two.Points["mains"]
	if mains.AlarmWord != "The second: no mains, gas runs" || mains.Severity != correlate.Critical || mains.RaiseAfter != 5*time.Second || mains.Number != 1 {
		t.Errorf("mains: %+v", mains)
	}
	if mains.Instructions != "Contact 1, normally closed: it opens in alarm." {
		t.Errorf("wiring: %q", mains.Instructions)
	}
	if one.Points["mains"].AlarmWord != "One: no mains, diesel runs" || one.Points["mains"].Severity != correlate.Major {
		t.Errorf("mains at one: %+v", one.Points["mains"])
	}
	if l := two.Points["volts"].Limits; l.Low.At != 47 || l.High.At != 58 || l.High.DeadBand != 1 || l.High.Severity != correlate.Major || two.Points["volts"].Severity != correlate.Major {
		t.Errorf("limits: %+v %+v", l.Low, l.High)
	}
	if got := one.Points["volts"]; got.Limits.High.At != 56 || got.Scale != 0.1 || got.Unit != "V" || got.RaiseAfter != time.Second {
		t.Errorf("volts at one: %+v", got)
	}
	wantRefs := []correlate.Ref{{Site: "one", Point: "link", Instance: "3"}, {Site: "two", Point: "mains"}}
	if diff := cmp.Diff(wantRefs, two.Points["alive"].ExplainedBy); diff != "" {
		t.Errorf("explained by (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]correlate.Ref{{Site: "one", Point: "mains"}}, one.Points["alive"].ExplainedBy); diff != "" {
		t.Errorf("a root has nothing upstream (-want +got):\n%s", diff)
	}
	if two.Points["alive"].Hold != 7*time.Second || mains.Hold != 0 {
		t.Errorf("hold: %v with a cause, %v without", two.Points["alive"].Hold, mains.Hold)
	}
	if two.Points["heater-1"].Severity != correlate.Major || two.Points["heater-1"].Name != "Heater 1 of {n}" || two.Points["heater-2"].Name != "Heater 2 of {n}" {
		t.Errorf("heaters: %+v %+v", two.Points["heater-1"], two.Points["heater-2"])
	}
	if two.Points["spare"] != nil || one.Points["spare"] == nil || one.Points["spare"].Name != "Spare" {
		t.Error("spare should be at one alone")
	}
	if p := one.Points["spare"]; p.Flap == nil || !p.FlapCount || one.Points["link"].Flap != nil {
		t.Errorf("flap: %+v, link %+v", p.Flap, one.Points["link"].Flap)
	}
	if two.Zone.String() != "America/Denver" || one.Zone.String() != "Europe/Zurich" || cfg.Centre.Zone.String() != "Europe/Zurich" {
		t.Errorf("zones: %s %s %s", two.Zone, one.Zone, cfg.Centre.Zone)
	}
	wantAgents := map[correlate.AgentID]correlate.Agent{
		"one-remote": {ID: "one-remote", Site: "one", Point: "alive", Heartbeat: time.Minute, Grace: 10 * time.Second},
		"two-a":      {ID: "two-a", Site: "two", Point: "alive", Instance: "two-a", Grace: 10 * time.Second},
		"two-b":      {ID: "two-b", Site: "two", Point: "alive", Instance: "b", Heartbeat: time.Minute, Grace: 2 * time.Minute},
	}
	for id, want := range wantAgents {
		if diff := cmp.Diff(&want, cfg.Network.Agent(id)); diff != "" {
			t.Errorf("agent %s (-want +got):\n%s", id, diff)
		}
	}
}

func TestPointsThatAreTheSameAreShared(t *testing.T) {
	cfg := mustLoad(t, with(map[string]string{"sites/one.yaml": `
templates:
  base: {points: {a: {severity: major}, b: {severity: major, name: "b of {site}"}, c: {severity: major, explained-by: a}}}
sites: {one: {templates: base}, two: {templates: base}}
`}))
	one, two := cfg.Network.Site("one"), cfg.Network.Site("two")
	for id, shared := range map[correlate.PointID]bool{"a": true, "b": false, "c": false} {
		if (one.Points[id] == two.Points[id]) != shared {
			t.Errorf("point %s: shared is %v, want %v", id, !shared, shared)
		}
	}
}

func TestSecretsComeFromOutsideAndStayHidden(t *testing.T) {
	cfg := mustLoad(t, with(map[string]string{
		"standwatch.yaml": `
security:
  communities: {field: "${env:COMMUNITY}"}
  users:
    a: {auth: sha256, auth-secret: "${file:/etc/secret}", priv: aes128, priv-secret: "${cred:pass}"}
    b: {auth: sha1, auth-secret: "${file:/etc/secret}"}
gateways:
  mail: {mail: {host: mail.example.net, from: watch@example.net, username: watch, password: "${cred:pass}"}}
  texts: {sms-http: {url: "https://sms.example.net/", body: "${to} ${text}", secret-headers: {Authorization: "${file:/etc/secret}"}}}
`,
		"sites/one.yaml": `
sites:
  one:
    points: {door: {severity: minor}}
    agents:
      v2: {addresses: 192.0.2.1, community: field}
      v3: {addresses: 192.0.2.2, engine-id: "80007ed9046f6e65", user: a}
      weak: {addresses: 192.0.2.3, user: b}
      both: {addresses: 192.0.2.4, user: a, community: field}
`}))
	users := cfg.Receiver.Users
	if len(users) != 2 || users[0].AuthPass != passText || users[0].PrivPass != passText || users[1].AuthPass != passText {
		t.Fatalf("users: %d, or their passphrases are wrong", len(users))
	}
	if len(users[0].EngineIDs) != 1 || string(users[0].EngineIDs[0][5:]) != "one" || !users[0].Informs || len(users[1].EngineIDs) != 0 {
		t.Errorf("engines of the users: %x, %x", users[0].EngineIDs, users[1].EngineIDs)
	}
	levels := map[correlate.AgentID]usm.Level{}
	for _, a := range cfg.Receiver.Agents {
		levels[a.ID] = a.MinLevel
	}
	want := map[correlate.AgentID]usm.Level{"v2": 0, "v3": usm.AuthPriv, "weak": usm.AuthNoPriv, "both": 0}
	if diff := cmp.Diff(want, levels); diff != "" {
		t.Errorf("least levels (-want +got):\n%s", diff)
	}
	if c := cfg.Receiver.Agents[0].Communities; len(c) != 1 || string(c[0]) != communityText {
		t.Errorf("communities of v2: %v", c)
	}
	if g := cfg.Gateways; g[0].Mail.Password != passText || g[1].SMS.Headers["Authorization"] != passText {
		t.Error("the gateways lack their secrets")
	}
}

func TestSecretHidesHoweverPrinted(t *testing.T) {
	s := configs.SecretForTest("${env:X}", "hunter2")
	asJSON, err := json.Marshal(map[string]any{"s": s})
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{s.String(), fmt.Sprint(s), fmt.Sprintf("%v %+v %#v %s %q", s, s, s, s, s), fmt.Sprintf("%#v", struct{ S configs.Secret }{s}), string(asJSON)} {
		if strings.Contains(text, "hunter2") || !strings.Contains(text, "${env:X}") {
			t.Errorf("printed as %s", text)
		}
	}
	if s.Reveal() != "hunter2" {
		t.Error("the secret is lost")
	}
}

func TestHashFollowsNamesAndContents(t *testing.T) {
	hash := func(files map[string]string) string { return mustLoad(t, with(files)).Hash }
	plain := hash(nil)
	if plain != hash(nil) || len(plain) != 64 {
		t.Errorf("hash of the same: %s and %s", plain, hash(nil))
	}
	seen := map[string]string{plain: "base"}
	for name, files := range map[string]map[string]string{
		"comment":   {"people.yaml": "routes:\n  - {name: all, board-only: yes}\n# x\n"},
		"more":      {"sites/two.yaml": "sites: {}\n"},
		"elsewhere": {"sites/zwei.yaml": "sites: {}\n"},
	} {
		h := hash(files)
		if other, twice := seen[h]; twice {
			t.Errorf("%s has the hash of %s", name, other)
		}
		seen[h] = name
	}
}

const testMIB = `EXAMPLE-MIB DEFINITIONS ::= BEGIN
IMPORTS MODULE-IDENTITY, NOTIFICATION-TYPE, enterprises FROM SNMPv2-SMI;
example MODULE-IDENTITY
    LAST-UPDATED "202611250000Z"
    ORGANIZATION "x"
    CONTACT-INFO "x"
    DESCRIPTION "x"
    ::= { enterprises 32473 77 }
exampleDoorOpened NOTIFICATION-TYPE
    STATUS current
    DESCRIPTION "The door was opened."
    ::= { example 0 1 }
END
`

func TestMIBFoldersGiveNames(t *testing.T) {
	files := map[string]string{
		"standwatch.yaml":      "mibs: vendor/mibs\n",
		"vendor/mibs/EX.mib":   testMIB,
		"rules/own.yaml":       "rules:\n  - {name: door, on: exampleDoorOpened, observe: [{point: door, what: raise}]}\n",
		"vendor/mibs/dirt.mib": "BAD-MIB DEFINITIONS ::= BEGIN oops ::= {",
		"sites/one.yaml":       "sites: {one: {points: {door: {severity: minor}}}}\n",
	}
	cfg, problems := configs.Load(t.Context(), with(files), testOptions())
	if cfg == nil {
		t.Fatal(problems)
	}
	if len(problems) == 0 || problems[0].File != "vendor/mibs/dirt.mib" || problems[0].Grade != configs.Finding {
		t.Errorf("the dirty MIB: %v", problems)
	}
	hash := cfg.Hash
	files["vendor/mibs/EX.mib"] = testMIB + "\n"
	if mustLoad(t, with(files)).Hash == hash {
		t.Error("a changed MIB leaves the hash as it was")
	}
	files["standwatch.yaml"] = "mibs: [vendor/nowhere, ../etc]\n"
	if _, problems := configs.Load(t.Context(), with(files), testOptions()); strings.Count(problems.Error(), "the MIB folder") != 2 {
		t.Errorf("folders that are not there: %v", problems)
	}
}
