//go:build interop

package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net/netip"
	"sync"
	"testing"
	"time"

	"github.com/gosnmp/gosnmp"

	"example.net/standwatch/cmd/standwatch/demo/wire"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

// countedTrap is the trap OID whose notifications each raise an alarm of their own
// instance in the trial's configuration.
const countedTrap = ".1.3.6.1.4.1.32473.20.0.1"

// TestInteropNothingAnsweredIsLost kills the daemon with SIGKILL while informs
// come in by two ways, and again after each restart. Whatever was answered
// stands afterwards and is in the history: an inform is answered only when it
// is durable (the design's invariant 1).
func TestInteropNothingAnsweredIsLost(t *testing.T) {
	tr := newTrial(t)
	moments := rand.New(rand.NewPCG(1, 2))
	answered := map[string]bool{} // by alarm ID
	for round := range 4 {
		goal := 100 + moments.IntN(400)
		for _, id := range informUntilKilled(t, tr, round, goal) {
			answered[id] = true
		}
		tr.start(t)
	}
	standing, recorded := tr.alarms(t, "standing"), tr.recorded(t)
	for id := range answered {
		if _, ok := standing[id]; !ok {
			t.Errorf("%s was answered, and does not stand after the crash", id)
		}
		if !recorded[id] {
			t.Errorf("%s was answered, and is not in the history", id)
		}
	}
	t.Logf("%d informs answered over 4 kills, %d alarms standing", len(answered), len(standing))
}

// informUntilKilled sends informs by six senders, kills the daemon as soon as
// goal of them were answered, and returns the alarm IDs of those answered.
func informUntilKilled(t *testing.T, tr *trial, round, goal int) []string {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	answers := make(chan string)
	var wg sync.WaitGroup
	for n := range 6 {
		s, site := openInformer(t, tr, n)
		wg.Go(func() {
			defer s.Close()
			for i := 0; ctx.Err() == nil; i++ {
				instance := fmt.Sprintf("r%d-s%d-%06d", round, n, i)
				vbs := []gosnmp.SnmpPDU{{Name: ".1.3.6.1.4.1.32473.20.1.1.0", Type: gosnmp.OctetString, Value: instance}}
				if s.Send(ctx, time.Now(), wire.Notification{TrapOID: countedTrap, Varbinds: vbs}) == nil {
					answers <- site + ":counted:" + instance
				}
			}
		})
	}
	go func() { wg.Wait(); close(answers) }()
	var ids []string
	for id := range answers {
		ids = append(ids, id)
		if len(ids) == goal {
			tr.kill(t)
			cancel()
		}
	}
	if len(ids) < goal {
		t.Fatalf("only %d of %d informs were answered within a minute\n%s", len(ids), goal, tr.log)
	}
	return ids
}

// openInformer opens the n-th sender: four by v2c, two by v3.
func openInformer(t *testing.T, tr *trial, n int) (*wire.Sender, string) {
	t.Helper()
	a := trialAgents[1]
	o := wire.Options{Master: netip.MustParseAddrPort(tr.traps), Inform: true, Started: epoch, Tries: 1, Wait: 2 * time.Second}
	if n < 4 {
		o.Version, o.Community = snmp.V2c, trialCommunity
	} else {
		a = trialAgents[4]
		o.Version = snmp.V3
		o.Login = wire.Login{User: a.user, Auth: usm.SHA1, AuthSecret: trialAuth, Priv: usm.AES128, PrivSecret: trialPriv}
	}
	o.From = netip.MustParseAddr(a.address)
	s, err := wire.Open(o)
	if err != nil {
		t.Fatal(err)
	}
	return s, a.site
}

// recorded returns the IDs of all alarms that were ever raised, from the
// history, page by page.
func (tr *trial) recorded(t *testing.T) map[string]bool {
	t.Helper()
	found := map[string]bool{}
	before := ""
	for range 1000 {
		var page struct {
			Records []struct {
				Events []struct{ Kind, Alarm string } `json:"event"`
			} `json:"record"`
			Next uint64 `json:"next"`
		}
		tr.get(t, "/api/v1/history?point=counted&limit=500"+before, &page)
		for _, r := range page.Records {
			for _, e := range r.Events {
				if e.Kind == "raised" {
					found[e.Alarm] = true
				}
			}
		}
		if page.Next == 0 {
			return found
		}
		before = fmt.Sprintf("&before=%d", page.Next)
	}
	t.Fatal("the history has no end")
	return nil
}
