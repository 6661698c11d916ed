package demo

import (
	"bytes"
	"testing"
	"time"

	"example.net/standwatch/cmd/standwatch/demo/wire/wiretest"
	"example.net/standwatch/configs"
	"example.net/standwatch/configs/example"
	"example.net/standwatch/receiver/snmp"
)

// TestScriptFitsTheExample: every site and point that the story names is in
// the embedded configuration, and every agent of it becomes a remote that can
// open its socket.
func TestScriptFitsTheExample(t *testing.T) {
	cfg, problems := configs.Load(t.Context(), example.FS, configs.Options{Env: example.Env(nil)})
	if problems.Mistakes() {
		t.Fatal(problems)
	}
	cast := Cast(cfg.Network, cfg.Receiver)
	if len(cast) != len(cfg.Receiver.Agents) {
		t.Errorf("%d remotes of %d agents", len(cast), len(cfg.Receiver.Agents))
	}
	d, err := New(Options{Out: &bytes.Buffer{}, Master: wiretest.Listen(t, 0).Addr(), Network: cfg.Network, Remotes: cast, Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	d.Close()
	ways := map[string]int{}
	for _, r := range cast {
		way := r.Version.String()
		if r.Inform {
			way += " informs"
		}
		ways[way]++
		if r.Version == snmp.V3 && (r.Login.User == "" || r.Login.PrivSecret == "") {
			t.Errorf("remote %s has no login", r.Agent)
		}
		if r.Version != snmp.V3 && r.Community == "" {
			t.Errorf("remote %s has no community", r.Agent)
		}
		if r.Heartbeat == 0 {
			t.Errorf("remote %s owes no heartbeat, so its silence would not show", r.Agent)
		}
	}
	for _, way := range []string{"v1", "v2c", "v2c informs", "v3", "v3 informs"} {
		if ways[way] == 0 {
			t.Errorf("no remote speaks by %s: %v", way, ways)
		}
	}
}
