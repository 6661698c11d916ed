//go:build trials

package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net/netip"
	"os"
	"strconv"
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

// trialRounds returns how often a trial is made: few times, or as often as
// STANDWATCH_TRIALS says, in percent.
func trialRounds(t *testing.T, few int) int {
	t.Helper()
	text := os.Getenv("STANDWATCH_TRIALS")
	if text == "" {
		return few
	}
	percent, err := strconv.Atoi(text)
	if err != nil || percent < 1 {
		t.Fatalf("STANDWATCH_TRIALS is %q, which is no percentage", text)
	}
	return max(1, few*percent/100)
}

// perFolder is how many kills one data folder suffers: all that it ever answered is
// looked for after each.
const perFolder = 20

// TestTrialKills kills the daemon with SIGKILL while informs come in by two
// ways, and starts it again. Whatever was answered stands afterwards and is in
// the history: an inform is answered only when it is durable (the design's
// invariant 1).
func TestTrialKills(t *testing.T) {
	t.Attr("promised", "an inform that was answered is in the history, and its alarm stands")
	moments := rand.New(rand.NewPCG(1, 2))
	answers, lost := 0, 0
	rounds := trialRounds(t, 20)
	for folder := 0; folder*perFolder < rounds; folder++ {
		tr := newTrial(t)
		answered := newAnswered()
		for round := folder * perFolder; round < min(rounds, (folder+1)*perFolder); round++ {
			goal := 50 + moments.IntN(200)
			stop := answered.load(t, tr, round)
			tr.eventually(t, "informs were answered", func() bool { return answered.count(round) >= goal })
			tr.kill(t)
			stop()
			tr.start(t)
			lost += answered.missing(t, tr)
		}
		answers += len(answered.ids)
	}
	t.Attr("tried", fmt.Sprintf("%d kills -9 of the daemon, %d informs answered, of v2c and of v3", rounds, answers))
	t.Attr("lost", fmt.Sprint(lost))
}

// answeredIDs are the alarm IDs of informs that the master answered.
type answeredIDs struct {
	mu  sync.Mutex     // guards ids
	ids map[string]int // the round of each
}

func newAnswered() *answeredIDs { return &answeredIDs{ids: map[string]int{}} }

func (a *answeredIDs) count(round int) (n int) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, r := range a.ids {
		if r == round {
			n++
		}
	}
	return n
}

// load sends informs by six senders until stop is called, which returns when all
// have ended.
func (a *answeredIDs) load(t *testing.T, tr *trial, round int) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	var senders sync.WaitGroup
	for n := range 6 {
		s, site := openInformer(t, tr, n)
		senders.Go(func() {
			defer s.Close()
			for i := 0; ctx.Err() == nil; i++ {
				instance := fmt.Sprintf("r%d-s%d-%06d", round, n, i)
				vbs := []gosnmp.SnmpPDU{{Name: ".1.3.6.1.4.1.32473.20.1.1.0", Type: gosnmp.OctetString, Value: instance}}
				if s.Send(ctx, time.Now(), wire.Notification{TrapOID: countedTrap, Varbinds: vbs}) == nil {
					a.mu.Lock()
					a.ids[site+":counted:"+instance] = round
					a.mu.Unlock()
				}
			}
		})
	}
	return func() { cancel(); senders.Wait() }
}

// missing looks for everything that was answered and returns how much of it is
// not there.
func (a *answeredIDs) missing(t *testing.T, tr *trial) (lost int) {
	t.Helper()
	a.mu.Lock()
	defer a.mu.Unlock()
	standing, recorded := tr.alarms(t, "standing"), tr.recorded(t)
	for id := range a.ids {
		_, stands := standing[id]
		if !stands || !recorded[id] {
			lost++
			t.Errorf("%s was answered; stands: %v, in the history: %v", id, stands, recorded[id])
		}
	}
	return lost
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
