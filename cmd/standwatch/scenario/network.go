package scenario

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"slices"
	"strings"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/audit"
	"example.net/standwatch/receiver/audit/responder"
	"example.net/standwatch/receiver/rules"
	"example.net/standwatch/receiver/snmp"
)

// askedForTrue asks an agent over a socket on loopback what its configuration
// says it is asked, and journals what it answered. The agent's contacts are as
// the story says: "mains alarm, pump normal".
func askedForTrue(w *world, ctx context.Context, g []string) (err error) {
	id := correlate.AgentID(g[1])
	i := slices.IndexFunc(w.cfg.Audits, func(t *audit.Target) bool { return t.Agent == id })
	if i < 0 {
		return fmt.Errorf("agent %s is asked nothing: give it questions under ask", id)
	}
	target := *w.cfg.Audits[i]
	where := rules.Where{Agent: w.cfg.Network.Agent(id)}
	where.Site = w.cfg.Network.Site(where.Agent.Site)
	tree, err := w.contacts(id, where.Site, g[2])
	if err != nil {
		return err
	}
	peer, err := responder.New(responder.Options{Address: netip.MustParseAddrPort("127.0.0.1:0"), Communities: []string{target.Community},
		Tree: func() []snmp.Varbind { return tree }, Now: time.Now})
	if err != nil {
		return err
	}
	running, cancel := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- peer.Run(running) }()
	defer func() {
		cancel()
		err = errors.Join(err, <-ended)
	}()
	target.Addresses, target.Timeout = []netip.AddrPort{peer.Addr()}, patience
	found := audit.NewAsker(w.clock.now).Ask(ctx, &target, where, correlate.Key{}, audit.Source{})
	if found.Audit.Failure != "" || len(found.Audit.Trouble) > 0 {
		return fmt.Errorf("asking %s: %s %s", id, found.Audit.Failure, strings.Join(found.Audit.Trouble, "; "))
	}
	found.Audit.Why = "story"
	return w.submit(ctx, found.Audit)
}

// contacts are the values that an agent has, in order of their names: its
// uptime and its contacts.
func (w *world) contacts(id correlate.AgentID, site *correlate.Site, text string) ([]snmp.Varbind, error) {
	up := w.clock.now().Sub(w.sender(id).started)
	tree := []snmp.Varbind{snmp.Unsigned(snmp.MustOID("1.3.6.1.2.1.1.3.0"), snmp.TagTimeTicks, uint64(up.Milliseconds()/10))}
	states := map[int]int32{}
	for _, part := range strings.Split(text, ",") {
		words := strings.Fields(part)
		state := map[string]int32{"alarm": 1, "normal": 2}
		if len(words) != 2 || state[words[1]] == 0 || site.Points[correlate.PointID(words[0])] == nil {
			return nil, fmt.Errorf("%q is not POINT alarm or POINT normal with a point of %s", part, site.ID)
		}
		states[site.Points[correlate.PointID(words[0])].Number] = state[words[1]]
	}
	for n := range 256 {
		if state := states[n]; state != 0 {
			tree = append(tree, snmp.Integer(snmp.MustOID(fmt.Sprintf("%s%d", contactState, n)), state))
		}
	}
	return tree, nil
}

// runAgain runs everything that was kept because nothing came of it through the
// configuration in force.
func runAgain(w *world, ctx context.Context, _ []string) error {
	kept := &api.Unmatched{Journal: w.store, Zone: w.cfg.Centre.Zone,
		Try: func(in *correlate.Arrival) (api.Trial, error) {
			t, err := w.receiver.Again(in)
			if err != nil {
				return api.Trial{}, err
			}
			return api.Trial{Arrival: t.Arrival}, nil
		},
		Submit: func(ctx context.Context, in correlate.Input) (correlate.Seq, []correlate.Event, error) {
			r, err := w.ledger.Submit(ctx, in)
			return r.Seq, r.Events, err
		},
		Newest: func() (seq correlate.Seq) {
			w.ledger.Read(func(st *correlate.State, _ *correlate.Network) { seq = st.Seq })
			return seq
		}}
	if _, err := kept.RunAgain(ctx, api.RunAgainRequest{}); err != nil {
		return err
	}
	return w.settle(ctx)
}

// refused wants the receiver to refuse what is sent, for this reason.
func refused(w *world, ctx context.Context, g []string) error {
	var r *refusal
	err := w.do(ctx, g[2])
	switch {
	case err == nil:
		return fmt.Errorf("it should have been refused as %s; it was accepted", g[1])
	case !errors.As(err, &r):
		return err
	case r.fate.String() != g[1]:
		return fmt.Errorf("it should have been refused as %s; it was as %s: %s", g[1], r.fate, r.why)
	}
	return nil
}
