package scenario

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
	"example.net/standwatch/receiver/snmp"
)

// spell writes a key as scenarios do: site/point or site/point:instance.
func spell(k correlate.Key) string {
	return strings.Replace(k.String(), ":", "/", 1)
}

// keyOf reads site/point or site/point:instance.
func keyOf(text string) (correlate.Key, error) {
	k, err := correlate.ParseAlarmID(correlate.AlarmID(strings.Replace(text, "/", ":", 1)))
	if err != nil || !strings.Contains(text, "/") {
		return k, fmt.Errorf("%q is not SITE/POINT or SITE/POINT:INSTANCE", text)
	}
	return k, nil
}

// verb is one sentence of the language: its form, and what it does.
type verb struct {
	form *regexp.Regexp
	do   func(w *world, ctx context.Context, g []string) error
}

// manners are what may follow a report: "(sent 10s ago, uptime 500, from 192.0.2.7, inform 7, boots 2, v1)".
var manners = regexp.MustCompile(`^(.*?)\s*\(([^()]*)\)$`)

// mannered parts a report from how it is sent.
func mannered(text string) (string, manner, error) {
	var m manner
	g := manners.FindStringSubmatch(text)
	if g == nil {
		return text, m, nil
	}
	for _, part := range strings.Split(g[2], ",") {
		words := strings.Fields(part)
		var err error
		switch {
		case len(words) == 3 && words[0] == "sent" && words[2] == "ago":
			m.ago, err = time.ParseDuration(words[1])
		case len(words) == 2 && words[0] == "uptime":
			var n uint64
			n, err = strconv.ParseUint(words[1], 10, 32)
			up := uint32(n)
			m.uptime = &up
		case len(words) == 2 && words[0] == "boots":
			var n uint64
			n, err = strconv.ParseUint(words[1], 10, 31)
			m.boots = uint32(n)
		case len(words) == 2 && words[0] == "from":
			m.from, err = netip.ParseAddr(words[1])
		case len(words) == 1 && words[0] == "v1":
			m.v1 = true
		case len(words) == 2 && words[0] == "inform":
			var n int64
			n, err = strconv.ParseInt(words[1], 10, 32)
			m.inform = int32(n)
		default:
			err = fmt.Errorf("%q does not say how something is sent", part)
		}
		if err != nil {
			return "", m, err
		}
	}
	return g[1], m, nil
}

// verbs are all that can happen, in the order in which they are tried.
func verbs() []verb {
	of := func(form string, do func(w *world, ctx context.Context, g []string) error) verb {
		return verb{regexp.MustCompile("^" + form + "$"), do}
	}
	return []verb{
		of(`(\S+/\S+) (alarm|normal|entry)(?: (granted|denied))?(?: \(.*\))?`, report),
		of(`(\S+/\S+) (reads) (-?[0-9.]+)(?: \(.*\))?`, report),
		of(`(\S+/\S+) is acknowledged there by (.+)`, func(w *world, ctx context.Context, g []string) error {
			k, err := keyOf(g[1])
			if err != nil {
				return err
			}
			return w.says(ctx, k, "there-acknowledged", g[2], manner{})
		}),
		of(`(\S+) sends (.+)`, func(w *world, ctx context.Context, g []string) error {
			text, m, err := mannered(g[2])
			if err != nil {
				return err
			}
			return w.sends(ctx, correlate.AgentID(g[1]), strings.Fields(text), m)
		}),
		of(`(\S+) gives a sign of life(?: \(.*\))?`, func(w *world, ctx context.Context, g []string) error {
			_, m, err := mannered(g[0])
			if err != nil {
				return err
			}
			return w.notify(ctx, correlate.AgentID(g[1]), trapBeat, m, nil)
		}),
		of(`the master finds (\S+/\S+) (alarm|normal)(?:: (.+))?`, finds),
		of(`(\S+) restarts`, restarts),
		of(`that comes again(?: from (\S+))?`, again),
		of(`(\S+) is asked and (.+)`, asked),
		of(`(\S+) is asked over the network and has (.+)`, askedForTrue),
		of(`what nothing came of is run again`, runAgain),
		of(`refused as ([^:]+): (.+)`, refused),
		of(`(\S+) takes (\S+/\S+)(?:: (.+))?`, acts(correlate.ActAcknowledge)),
		of(`(\S+) notes (\S+/\S+): (.+)`, acts(correlate.ActNote)),
		of(`(\S+) unshelves (\S+/\S+)`, acts(correlate.ActUnshelve)),
		of(`(\S+) shelves (\S+/\S+) for (\S+)( with leave)?: (.*)`, shelve),
		of(`(\S+) sets maintenance on (.+?)(?: in (\S+))? for (\S+?)( with leave)?: (.*)`, silence(correlate.Maintenance)),
		of(`(\S+) puts (.+?) out of service(?: in (\S+))? for (\S+?)( with leave)?: (.*)`, silence(correlate.OutOfService)),
		of(`(\S+) ends the silence of (.+)`, endSilence),
		of(`(\S+) answers (yes|no)(?: over (\S+))?`, answers),
		of(`(\S+) stands in for (\S+) at (\S+) for (\S+)`, standIn),
		of(`nobody stands in at (\S+) any more`, endStandIns),
		of(`roster (\S+) is proved`, func(w *world, ctx context.Context, g []string) error {
			return w.submit(ctx, &correlate.RosterAct{Action: correlate.ActProve, Roster: g[1]})
		}),
		of(`shift (\S+) begins for (\S+)`, func(w *world, ctx context.Context, g []string) error {
			d, err := time.ParseDuration(g[2])
			return errors.Join(err, w.submit(ctx, &correlate.ShiftTurn{Name: g[1], From: w.clock.now(), To: w.clock.now().Add(d)}))
		}),
		of(`(\S+) leaves the word: (.+)`, func(w *world, ctx context.Context, g []string) error {
			return w.submit(ctx, &correlate.Handover{Text: g[2], Actor: g[1], Via: "console"})
		}),
		of(`(\S+) has read the word`, func(w *world, ctx context.Context, g []string) error {
			return w.submit(ctx, &correlate.Handover{Read: true, Actor: g[1], Via: "console"})
		}),
		of(`(\S+) (logs in|is refused|adds an account)`, func(w *world, ctx context.Context, g []string) error {
			what := map[string]correlate.AccessWhat{"logs in": correlate.SessionBegan, "is refused": correlate.LoginFailed, "adds an account": correlate.AccountAdded}[g[2]]
			return w.submit(ctx, &correlate.Access{What: what, Account: g[1], Actor: g[1], Via: "console", From: "192.0.2.99", Text: "story", Times: 1})
		}),
		of(`gateway (\S+) (works|fails|refuses)`, func(w *world, ctx context.Context, g []string) error {
			w.gate.set(g[1], map[string]correlate.Outcome{"fails": correlate.Temporary, "refuses": correlate.Permanent}[g[2]])
			return nil
		}),
		of(`the clock goes (back|on) (\S+)`, stepClock),
		of(`the master restarts`, func(w *world, ctx context.Context, _ []string) error {
			return errors.Join(w.restart(ctx), w.submit(ctx, &correlate.Start{Version: "scenario", Hash: w.cfg.Hash}))
		}),
		of(`the configuration becomes (\S+)`, reload),
		of(`the configuration (\S+) is refused: (.+)`, refusedReload),
		of(`every (\S+), (\d+) times: (.+)`, every),
	}
}

// do lets one thing happen.
func (w *world) do(ctx context.Context, what string) error {
	for _, v := range verbs() {
		if g := v.form.FindStringSubmatch(what); g != nil {
			return v.do(w, ctx, g)
		}
	}
	return fmt.Errorf("%q is no sentence of a story", what)
}

func report(w *world, ctx context.Context, g []string) error {
	_, m, err := mannered(g[0])
	if err != nil {
		return err
	}
	k, err := keyOf(g[1])
	if err != nil {
		return err
	}
	return w.says(ctx, k, g[2], g[3], m)
}

func restarts(w *world, ctx context.Context, g []string) error {
	id := correlate.AgentID(g[1])
	s := w.sender(id)
	s.started, s.boots = w.clock.now(), s.boots+1
	return w.notify(ctx, id, trapRestart, manner{}, []snmp.Varbind{snmp.Integer(snmp.MustOID(restartWhy), 1)})
}

func again(w *world, ctx context.Context, g []string) error {
	if w.last.octets == nil {
		return errors.New("nothing has come yet")
	}
	if g[1] != "" {
		from, err := netip.ParseAddr(g[1])
		if err != nil {
			return err
		}
		w.last.from = netip.AddrPortFrom(from, 161)
	}
	return w.come(ctx)
}

// asked journals what an agent answered, as the auditor would.
func asked(w *world, ctx context.Context, g []string) error {
	id := correlate.AgentID(g[1])
	agent := w.cfg.Network.Agent(id)
	if agent == nil {
		return fmt.Errorf("there is no agent %q", id)
	}
	in := &correlate.Audit{Agent: id, Why: "story", Asked: w.clock.now(), From: "192.0.2.1:161"}
	if g[2] == "does not answer" {
		in.Failure = "no answer"
		return w.submit(ctx, in)
	}
	for _, part := range strings.Split(strings.TrimPrefix(g[2], "says "), ",") {
		words := strings.Fields(part)
		what := map[string]correlate.What{"alarm": correlate.Raise, "normal": correlate.Clear}
		if len(words) != 2 || what[words[1]] == 0 {
			return fmt.Errorf("%q is not POINT alarm or POINT normal", part)
		}
		in.Findings = append(in.Findings, correlate.Finding{Asked: in.Asked, OID: contactState + "1", Value: words[1],
			Observation: correlate.Observation{Key: correlate.Key{Site: agent.Site, Point: correlate.PointID(words[0])}, What: what[words[1]]}})
	}
	in.Read = len(in.Findings)
	return w.submit(ctx, in)
}

func acts(action correlate.Action) func(*world, context.Context, []string) error {
	return func(w *world, ctx context.Context, g []string) error {
		k, err := keyOf(g[2])
		if err != nil {
			return err
		}
		in := &correlate.Act{Key: k, Action: action, Actor: g[1], Via: "console"}
		if len(g) > 3 {
			in.Text = g[3]
		}
		return w.submit(ctx, in)
	}
}

func shelve(w *world, ctx context.Context, g []string) error {
	k, err := keyOf(g[2])
	d, bad := time.ParseDuration(g[3])
	if err := errors.Join(err, bad); err != nil {
		return err
	}
	return w.submit(ctx, &correlate.Act{Key: k, Action: correlate.ActShelve, Actor: g[1], Via: "console", Text: g[5], Until: w.clock.now().Add(d), MayLong: g[4] != ""})
}

// scopeOf reads site, site/point, agent NAME or tag NAME[/point].
func scopeOf(text string) (s correlate.Scope) {
	kind, rest, ok := strings.Cut(text, " ")
	if !ok {
		kind, rest = "site", text
	}
	name, point, _ := strings.Cut(rest, "/")
	s.Point = correlate.PointID(point)
	switch kind {
	case "agent":
		s.Agent = correlate.AgentID(name)
	case "tag":
		s.Tag = name
	default:
		s.Site = correlate.SiteID(name)
	}
	return s
}

func silence(kind correlate.SilenceKind) func(*world, context.Context, []string) error {
	return func(w *world, ctx context.Context, g []string) error {
		from := w.clock.now()
		in := &correlate.SetSilence{Kind: kind, Scopes: []correlate.Scope{scopeOf(g[2])}, Reason: g[6], Actor: g[1], Via: "console", MayLong: g[5] != ""}
		if g[3] != "" {
			wait, err := time.ParseDuration(g[3])
			if err != nil {
				return err
			}
			from = from.Add(wait)
			in.From = from
		}
		d, err := time.ParseDuration(g[4])
		in.Until = from.Add(d)
		return errors.Join(err, w.submit(ctx, in))
	}
}

func endSilence(w *world, ctx context.Context, g []string) error {
	var id correlate.SilenceID
	w.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		for _, s := range st.Listed() {
			for _, scope := range s.Scopes {
				if scope == scopeOf(g[2]) {
					id = s.ID
				}
			}
		}
	})
	if id == "" {
		return fmt.Errorf("there is no silence of %s", g[2])
	}
	return w.submit(ctx, &correlate.EndSilence{ID: id, Actor: g[1], Via: "console"})
}

// answers has somebody answer the newest message that had a code.
func answers(w *world, ctx context.Context, g []string) error {
	var m *correlate.Message
	var code string
	told := w.gate.since(0)
	w.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		for i := range told {
			c := st.CallOuts[told[i].CallOut]
			if told[i].Person != g[1] || (g[3] != "" && told[i].Channel != g[3]) || (c == nil && told[i].Code == "") {
				continue
			}
			m, code = &told[i], told[i].Code
			if c != nil {
				code = c.Code
			}
		}
	})
	if m == nil {
		return fmt.Errorf("%s was not told of anything that can be answered", g[1])
	}
	if g[2] == "no" {
		code = "NO " + code
	}
	var in *correlate.Reply
	w.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		in = w.cfg.Plan.Reply(st, notify.Heard{Gateway: m.Channel, From: m.Address, Text: code})
	})
	return w.submit(ctx, in)
}

// finds lets the master report a fault of its own, or its end.
func finds(w *world, ctx context.Context, g []string) error {
	k, err := keyOf(g[1])
	if err != nil {
		return err
	}
	o := correlate.Observation{Key: k, What: correlate.Raise, Text: g[3]}
	if g[2] == "normal" {
		o.What = correlate.Clear
	}
	return w.submit(ctx, &correlate.Notice{Source: "story", Observations: []correlate.Observation{o}})
}

func standIn(w *world, ctx context.Context, g []string) error {
	d, err := time.ParseDuration(g[4])
	if err != nil {
		return err
	}
	return w.submit(ctx, &correlate.RosterAct{Action: correlate.ActStandIn, Roster: g[3], Person: g[1], For: g[2], From: w.clock.now(), To: w.clock.now().Add(d), Actor: g[1], Via: "console"})
}

// endStandIns ends whatever was agreed for a roster.
func endStandIns(w *world, ctx context.Context, g []string) error {
	var ids []string
	w.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		for _, in := range st.StandIns {
			if in.Roster == g[1] && in.To.After(w.clock.now()) {
				ids = append(ids, in.ID)
			}
		}
	})
	slices.Sort(ids)
	if len(ids) == 0 {
		return fmt.Errorf("nobody stands in at %s", g[1])
	}
	var errs []error
	for _, id := range ids {
		errs = append(errs, w.submit(ctx, &correlate.RosterAct{Action: correlate.ActEndStandIn, ID: id, Actor: "chief", Via: "console"}))
	}
	return errors.Join(errs...)
}

func reload(w *world, ctx context.Context, g []string) error {
	over := w.sc.Later[g[1]]
	if over == nil {
		return fmt.Errorf("no files are given for later %s", g[1])
	}
	files := laid(w.files, over)
	cfg, err := w.load(files)
	if err != nil {
		return err
	}
	if err := w.receiver.Use(cfg.Receiver); err != nil {
		return err
	}
	w.files, w.cfg = files, cfg
	w.outbox.use(cfg)
	if _, err := w.ledger.Reconfigure(ctx, cfg.Network, cfg.Plan, &correlate.Reconfigure{Hash: cfg.Hash, Summary: g[1], Actor: "story"}); err != nil {
		return err
	}
	return w.settle(ctx)
}

// refusedReload wants a configuration to be refused with these words; what was
// in force before stays.
func refusedReload(w *world, ctx context.Context, g []string) error {
	err := reload(w, ctx, g)
	switch {
	case err == nil:
		return fmt.Errorf("the configuration %s should have been refused; it is in force", g[1])
	case !strings.Contains(err.Error(), g[2]):
		return fmt.Errorf("the configuration %s should have been refused with %q; it was with: %w", g[1], g[2], err)
	}
	return nil
}

// every lets something happen again and again; {n} counts from 1.
func every(w *world, ctx context.Context, g []string) error {
	d, err := time.ParseDuration(g[1])
	n, bad := strconv.Atoi(g[2])
	if err := errors.Join(err, bad); err != nil {
		return err
	}
	start := w.clock.now()
	for i := range n {
		if err := w.pass(ctx, start.Add(time.Duration(i)*d)); err != nil {
			return err
		}
		if err := w.do(ctx, strings.ReplaceAll(g[3], "{n}", strconv.Itoa(i+1))); err != nil {
			return err
		}
	}
	return nil
}

// stepClock sets the master's clock; those of the agents go on as before.
func stepClock(w *world, ctx context.Context, g []string) error {
	d, err := time.ParseDuration(g[2])
	if g[1] == "back" {
		d = -d
	}
	w.clock.set(w.clock.now().Add(d))
	for _, s := range w.senders {
		s.started = s.started.Add(d)
	}
	return errors.Join(err, w.settle(ctx))
}
