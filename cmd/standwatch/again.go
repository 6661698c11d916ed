package main

import (
	"context"
	"encoding/hex"
	"fmt"
	"maps"
	"net/netip"
	"slices"
	"strings"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver"
	"example.net/standwatch/receiver/mib"
	"example.net/standwatch/receiver/rules"
	"example.net/standwatch/receiver/snmp"
)

// unmatched gives pages and API what was kept because nothing came of it.
func (d *daemon) unmatched() *api.Unmatched {
	return &api.Unmatched{Journal: d.store, Zone: d.config.Centre.Zone, Try: d.tryAgain,
		Submit: func(ctx context.Context, in correlate.Input) (correlate.Seq, []correlate.Event, error) {
			r, err := d.ledger.Submit(ctx, in)
			return r.Seq, r.Events, err
		},
		Newest: func() (seq correlate.Seq) {
			d.ledger.Read(func(st *correlate.State, _ *correlate.Network) { seq = st.Seq })
			return seq
		}}
}

// namesInForce are the names of the configuration in force, so that a MIB that
// came with a reload names what is shown from then on.
type namesInForce struct{ d *daemon }

// Name returns the name of an identifier with its index, or the dotted form.
func (n namesInForce) Name(oid snmp.OID) string { return n.d.current().Names.Name(oid) }

// Value returns a value as a person reads it.
func (n namesInForce) Value(v snmp.Varbind) string { return n.d.current().Names.Value(v) }

// tryAgain says what the configuration in force makes of a kept notification,
// and drafts what could be written if that is nothing.
func (d *daemon) tryAgain(kept *correlate.Arrival) (api.Trial, error) {
	t, err := d.receiver.Again(kept)
	if err != nil {
		return api.Trial{}, err
	}
	out := api.Trial{Arrival: t.Arrival}
	if t.Arrival.Unmatched != "" {
		out.Draft = draftFor(t, d.current().Names)
	}
	return out, nil
}

// draftFor writes what the configuration lacks: the agent, the point, or a rule
// and its point.
func draftFor(t *receiver.Retrial, names *mib.Names) api.Draft {
	site := t.Where.Site
	switch lack := t.Result.Lacks; {
	case t.Arrival.Agent == "":
		return api.Draft{Sites: draftAgent(t)}
	case site == nil:
		return api.Draft{}
	case lack != nil:
		return api.Draft{Sites: draftPoint(site, lack, t.Result.Rule)}
	case t.Result.Rule != "":
		return api.Draft{} // a rule won and could make nothing of it: the reason says what is missing
	}
	var taken []string
	for _, id := range slices.Sorted(maps.Keys(site.Points)) {
		taken = append(taken, string(id))
	}
	drafted := mib.Sketch(t.Notification, names, mib.DraftOptions{Site: string(site.ID), Taken: taken})
	return api.Draft{Rules: drafted.Rules, Sites: drafted.Points}
}

// draftAgent writes a site with the agent that sent a notification.
func draftAgent(t *receiver.Retrial) string {
	origin := t.Arrival.Origin
	id := "site-" + strings.Trim(strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' || r >= 'a' && r <= 'z' {
			return r
		}
		return '-'
	}, strings.ToLower(origin)), "-")
	var b strings.Builder
	fmt.Fprintf(&b, "# A draft. Give the site its name, and the agent to the site that it reports for.\nsites:\n  %s:\n    name: Unknown site at %s\n    agents:\n      %s-remote:\n        addresses: [%q]\n",
		id, origin, id, origin)
	if from, err := netip.ParseAddrPort(t.Arrival.From); err == nil && from.Addr().String() != origin {
		fmt.Fprintf(&b, "        # It came by way of %s, which is believed only if it is among the listener's relays.\n", from.Addr())
	}
	if len(t.Arrival.EngineID) > 0 {
		user, _, _ := strings.Cut(t.Arrival.Security, " ")
		fmt.Fprintf(&b, "        engine-id: %q\n        user: %q   # its name under security.users\n", hex.EncodeToString(t.Arrival.EngineID), user)
	}
	return b.String()
}

// draftPoint writes the point that a rule wanted and the site lacks.
func draftPoint(site *correlate.Site, lack *rules.Lack, rule string) string {
	id, fields := string(lack.Point), ""
	switch {
	case lack.Number != 0:
		id, fields = fmt.Sprintf("point-%d", lack.Number), fmt.Sprintf("        number: %d\n", lack.Number)
	case lack.Name != "":
		id, fields = "new-point", fmt.Sprintf("        name: %q\n", lack.Name)
	}
	if lack.Name == "" {
		fields += fmt.Sprintf("        name: %q   # what is watched\n", strings.ReplaceAll(id, "-", " "))
	}
	return fmt.Sprintf("# A draft. The rule is there already (%s); the site lacks its point.\npoints:\n  %s:\n      %s:\n%s        severity: minor   # say how bad it is\n",
		rule, site.ID, id, fields)
}
