package demo

import (
	"context"
	"net/netip"
	"slices"
	"testing"
	"time"

	"example.net/standwatch/configs"
	"example.net/standwatch/configs/example"
	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/audit"
	"example.net/standwatch/receiver/rules"
	"example.net/standwatch/receiver/snmp"
)

// TestRemotesAnswer asks every simulated remote in the way that the example
// has it asked, in each version, and finds what happened at the site.
func TestRemotesAnswer(t *testing.T) {
	cfg, problems := configs.Load(t.Context(), example.FS, configs.Options{Env: example.Env(nil)})
	if problems.Mistakes() {
		t.Fatal(problems)
	}
	remotes := Cast(cfg.Network, cfg.Receiver)
	versions := map[snmp.Version]int{}
	for _, target := range cfg.Audits {
		i := slices.IndexFunc(remotes, func(r Remote) bool { return r.Agent == target.Agent })
		if i < 0 {
			t.Fatalf("agent %s is asked and has no remote", target.Agent)
		}
		r := remotes[i]
		versions[target.Version]++
		if versions[target.Version] > 2 {
			continue // localising keys takes a while
		}
		r.Address = netip.MustParseAddr("127.0.0.1")
		a := &actor{Remote: r}
		if err := a.answer(cfg.Network, 0, time.Now); err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- a.answers.Run(ctx) }()
		mains := cfg.Network.Point(correlate.Key{Site: r.Site, Point: "mains"})
		a.plant.note(act{do: loses}, mains)
		to := *target
		to.Addresses = []netip.AddrPort{a.answers.Addr()}
		agent := cfg.Network.Agent(r.Agent)
		where := rules.Where{Site: cfg.Network.Site(r.Site), Agent: agent}
		in := audit.NewAsker(time.Now).Ask(t.Context(), &to, where, correlate.Key{}, audit.Source{}).Audit
		if in.Failure != "" || len(in.Trouble) > 0 || !in.HasUptime {
			t.Errorf("%s: %q %q", r.Agent, in.Failure, in.Trouble)
		}
		raised := 0
		for _, f := range in.Findings {
			if f.Observation.What == correlate.Raise {
				raised++
				if f.Observation.Key.Point != "mains" || f.Value != "alarm (1)" {
					t.Errorf("%s: found %+v", r.Agent, f)
				}
			}
			if p := cfg.Network.Point(f.Observation.Key); f.Observation.What == correlate.Value && p.PlausibleMin != nil && p.Engineering(f.Observation.Value) < *p.PlausibleMin {
				t.Errorf("%s: %s begins at %g, which is not plausible", r.Agent, p.ID, p.Engineering(f.Observation.Value))
			}
			if p := cfg.Network.Point(f.Observation.Key); f.Observation.What == correlate.Value && p.Limits.Level(p.Engineering(f.Observation.Value), "") != "" {
				t.Errorf("%s: %s begins at %g, beyond a limit", r.Agent, p.ID, p.Engineering(f.Observation.Value))
			}
		}
		if raised != 1 || len(in.Findings) < 8 {
			t.Errorf("%s: %d raised of %d findings", r.Agent, raised, len(in.Findings))
		}
		a.silent.Store(true)
		to.Timeout, to.Retries = 50*time.Millisecond, 0
		if in := audit.NewAsker(time.Now).Ask(t.Context(), &to, where, correlate.Key{}, audit.Source{}).Audit; in.Failure == "" {
			t.Errorf("%s answers though it is silent", r.Agent)
		}
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}
	if versions[snmp.V3] == 0 || versions[snmp.V2c] == 0 {
		t.Errorf("asked by version: %v", versions)
	}
}
