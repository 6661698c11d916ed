package configs

import (
	"cmp"
	"fmt"
	"maps"
	"net/netip"
	"slices"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver"
	"example.net/standwatch/receiver/audit"
	"example.net/standwatch/receiver/rules"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

// askShape says how an agent is asked for its true state, and what. What an
// agent does not say, its templates say, then the defaults.
type askShape struct {
	Here        place               `yaml:"-"`
	Questions   *list[text]         `yaml:"questions" jsonschema_description:"What it is asked: a pack for all questions of the pack, pack/question for one, or a question of your own; [] for nothing."`
	Every       *span               `yaml:"interval" jsonschema_description:"How often on schedule; default 1h, 0s never on schedule."`
	Version     *text               `yaml:"version" jsonschema_description:"v1, v2c or v3; default v3 for an agent with a user, else v2c."`
	Community   *text               `yaml:"community" jsonschema_description:"Name under security.communities to ask with; default the agent's own, else the first listener's."`
	User        *text               `yaml:"user" jsonschema_description:"Name under security.users to ask with; default the agent's own."`
	Context     *text               `yaml:"context" jsonschema_description:"SNMPv3 context name; default none."`
	Port        *integer            `yaml:"port" jsonschema_description:"UDP port; default 161."`
	Within      *list[prefix]       `yaml:"within" jsonschema_description:"Networks that are asked; addresses outside are left alone. Without any, all addresses of the agent in turn."`
	Timeout     *span               `yaml:"timeout" jsonschema_description:"Of one request; default 2s."`
	Retries     *integer            `yaml:"retries" jsonschema_description:"How often a request is sent again; default 2."`
	Repetitions *integer            `yaml:"repetitions" jsonschema_description:"Rows asked for at once (max-repetitions of GETBULK); default 20."`
	Only        entries[list[text]] `yaml:"only" jsonschema_description:"By point: the instances that count, such as the interfaces that carry something; without an entry, all."`
}

// over lays what a shape says over what is below it.
func (s *askShape) over(below *askShape) *askShape {
	if below == nil {
		return s
	}
	if s == nil {
		return below
	}
	out := *s
	out.Questions, out.Every, out.Version = cmp.Or(s.Questions, below.Questions), cmp.Or(s.Every, below.Every), cmp.Or(s.Version, below.Version)
	out.Community, out.User, out.Context = cmp.Or(s.Community, below.Community), cmp.Or(s.User, below.User), cmp.Or(s.Context, below.Context)
	out.Port, out.Within, out.Timeout = cmp.Or(s.Port, below.Port), cmp.Or(s.Within, below.Within), cmp.Or(s.Timeout, below.Timeout)
	out.Retries, out.Repetitions = cmp.Or(s.Retries, below.Retries), cmp.Or(s.Repetitions, below.Repetitions)
	if out.Only == nil {
		out.Only = below.Only
	}
	return &out
}

// askEntry is an agent that may be asked.
type askEntry struct {
	site     *siteEntry
	agent    *entry[agentShape]
	receiver int // its place among the receivers
}

// asking compiles what agents are asked.
type asking struct {
	*compiler
	book      *audit.Book
	sequences map[string]snmp.OID // by pack
	below     *askShape
	community receiver.Secret // of the first listener
}

// compileAsks returns the questions and whom they are put to. It fills in which
// object counts the notifications of an agent.
func (l *loader) compileAsks(c *compiler, cfg *Config, policies []receiver.Policy) (*audit.Book, []*audit.Target) {
	var specs []audit.Spec
	a := &asking{compiler: c, sequences: map[string]snmp.OID{}, below: l.daemon.Defaults.Ask}
	for _, f := range l.questions {
		for i := range f.Questions {
			f.Questions[i].Pack = f.Pack
		}
		specs = append(specs, f.Questions...)
		if f.Sequence.Set {
			oid, ok := cfg.Names.Lookup(f.Sequence.V)
			if !ok {
				c.out.mistake(f.Sequence.At, "there is no object named "+quoted(f.Sequence.V), DidYouMean(f.Sequence.V, []string{cfg.Names.Suggest(f.Sequence.V)}))
			}
			a.sequences[f.Pack] = oid
		}
	}
	var problems []rules.Problem
	a.book, problems = audit.Compile(specs, rules.Options{Names: cfg.Names, Network: cfg.Network})
	for _, p := range problems {
		c.out.noteAt(Mistake, c.out.exactly(p), p.What, p.Mend)
	}
	for _, p := range policies {
		if len(p.Communities) > 0 {
			a.community = p.Communities[0]
			break
		}
	}
	var targets []*audit.Target
	for _, e := range c.asked {
		if t := a.target(e); t != nil {
			targets = append(targets, t)
		}
	}
	return a.book, targets
}

// shape returns what holds for an agent.
func (a *asking) shape(e askEntry) *askShape {
	s := e.agent.V.Ask
	for _, use := range slices.Backward(e.site.shape.Templates) {
		if t := a.templates[use.Use.V]; t != nil && t.shape.Ask != nil {
			s = s.over(t.shape.Ask)
		}
	}
	return s.over(a.below)
}

// target returns how an agent is asked, or nil if it is asked nothing.
func (a *asking) target(e askEntry) *audit.Target {
	s := a.shape(e)
	if s == nil || s.Questions == nil || len(*s.Questions) == 0 {
		return nil
	}
	r := &a.receivers[e.receiver]
	t := &audit.Target{Agent: r.ID, EngineIDs: r.EngineIDs, Every: audit.DefaultEvery, Timeout: audit.DefaultTimeout,
		Retries: audit.DefaultRetries, Repetitions: audit.DefaultRepetitions}
	ok := a.questions(s, t, r)
	ok = a.numbers(s, t) && ok
	ok = a.addresses(e, s, t, r) && ok
	ok = a.credentials(e, s, t, r) && ok
	ok = a.only(e, s, t) && ok
	if !ok {
		return nil
	}
	if err := t.Check(); err != nil {
		a.out.mistake(s.Here, err.Error(), "")
		return nil
	}
	return t
}

func (a *asking) questions(s *askShape, t *audit.Target, r *receiver.Agent) (ok bool) {
	ok = true
	for _, name := range *s.Questions {
		if !name.Set {
			continue
		}
		found := a.book.Lookup(name.V)
		if found == nil {
			ok = false
			if a.reported[name.At] {
				continue // a template's mistake is said once
			}
			a.reported[name.At] = true
			a.out.mistake(name.At, "there is no question "+quoted(name.V), cmp.Or(DidYouMean(name.V, a.book.Names()), "questions are under questions in files of rules, or come with the packs that these use"))
		}
		for _, q := range found {
			if !slices.Contains(t.Questions, q) {
				t.Questions = append(t.Questions, q)
			}
			if count := a.sequences[q.Pack()]; r.Sequence == "" {
				r.Sequence = count
			}
		}
	}
	return ok
}

// numbers fills in what counts and lasts.
func (a *asking) numbers(s *askShape, t *audit.Target) (ok bool) {
	ok = true
	within := func(v *integer, least, most int, into *int, what string) {
		if v == nil || !v.Set {
			return
		}
		if *into = v.V; v.V < least || v.V > most {
			a.once(v.At, fmt.Sprintf("%s are %d to %d", what, least, most), "")
			ok = false
		}
	}
	within(s.Retries, 0, 10, &t.Retries, "retries")
	within(s.Repetitions, 1, 200, &t.Repetitions, "repetitions")
	if s.Every != nil {
		t.Every = s.Every.or(audit.DefaultEvery)
	}
	if s.Timeout != nil {
		if t.Timeout = s.Timeout.or(audit.DefaultTimeout); t.Timeout <= 0 {
			a.once(s.Timeout.At, "a timeout must be above 0", "2s is usual")
			ok = false
		}
	}
	if s.Context != nil {
		t.Context = s.Context.V
	}
	return ok
}

// once says a mistake that many agents share.
func (a *asking) once(at place, what, mend string) {
	if !a.reported[at] {
		a.reported[at] = true
		a.out.mistake(at, what, mend)
	}
}

func (a *asking) addresses(e askEntry, s *askShape, t *audit.Target, r *receiver.Agent) bool {
	port := 161
	if s.Port != nil && s.Port.Set {
		if port = s.Port.V; port < 1 || port > 65535 {
			a.once(s.Port.At, fmt.Sprintf("%d is no port", port), "a port is 1 to 65535; agents listen at 161")
			return false
		}
	}
	var within []netip.Prefix
	if s.Within != nil {
		within = values(*s.Within)
	}
	for _, addr := range r.Addresses {
		inside := func(p netip.Prefix) bool { return p.Contains(addr.WithZone("")) }
		if len(within) == 0 || slices.ContainsFunc(within, inside) {
			t.Addresses = append(t.Addresses, netip.AddrPortFrom(addr, uint16(port)))
		}
	}
	switch {
	case len(r.Addresses) == 0:
		a.out.mistake(e.agent.At, fmt.Sprintf("agent %s is to be asked and has no address", r.ID), "add addresses:, or ask: {questions: []} if it cannot be asked")
	case len(t.Addresses) == 0:
		a.out.mistake(e.agent.At, fmt.Sprintf("agent %s is to be asked and has no address within the networks that may be asked", r.ID), "widen within:, or ask: {questions: []} if it cannot be asked")
	}
	return len(t.Addresses) > 0
}

// credentials finds version and community or user. What an agent speaks with
// it is asked with, unless something else is said.
func (a *asking) credentials(e askEntry, s *askShape, t *audit.Target, r *receiver.Agent) bool {
	user := firstSet(e.agent.V.User)
	if s.User != nil && s.User.Set {
		user = *s.User
	}
	version := "v2c"
	if user.Set && (s.Community == nil || s.User != nil) {
		version = "v3"
	}
	if s.Version != nil && s.Version.Set {
		version = s.Version.V
	}
	switch version {
	case "v1", "v2c":
		t.Version = snmp.V2c
		if version == "v1" {
			t.Version = snmp.V1
		}
		return a.withCommunity(e, s, t, r)
	case "v3":
		t.Version = snmp.V3
		return a.withUser(e, user, t)
	}
	a.once(s.Version.At, "unknown version "+quoted(version), DidYouMean(version, []string{"v1", "v2c", "v3"}))
	return false
}

func firstSet(list list[text]) text {
	for _, t := range list {
		if t.Set {
			return t
		}
	}
	return text{}
}

func (a *asking) withCommunity(e askEntry, s *askShape, t *audit.Target, r *receiver.Agent) bool {
	switch {
	case s.Community != nil && s.Community.Set:
		secret, ok := a.compiler.community(*s.Community)
		t.Community = secret.Reveal()
		return ok
	case len(r.Communities) > 0:
		t.Community = string(r.Communities[0])
	default:
		t.Community = string(a.community)
	}
	if t.Community == "" {
		a.out.mistake(e.agent.At, fmt.Sprintf("agent %s is to be asked, and no community is known for it", r.ID), "add community: to the agent or to ask:")
	}
	return t.Community != ""
}

func (a *asking) withUser(e askEntry, name text, t *audit.Target) bool {
	u := a.users[name.V]
	switch {
	case !name.Set:
		a.out.mistake(e.agent.At, fmt.Sprintf("agent %s is to be asked in v3, and no user is known for it", t.Agent), "add user: to the agent or to ask:")
		return false
	case u == nil:
		if !slices.ContainsFunc(e.agent.V.User, func(own text) bool { return own == name }) {
			a.once(name.At, "there is no user "+quoted(name.V), cmp.Or(DidYouMean(name.V, slices.Collect(maps.Keys(a.users))), "users are under security in standwatch.yaml"))
		}
		return false
	}
	own := *u
	t.User = &own
	if u.Auth != usm.NoAuth && u.AuthKey != nil && len(t.EngineIDs) == 0 {
		a.out.mistake(e.agent.At, fmt.Sprintf("agent %s is to be asked as user %s, whose keys are localised, and its engine is not known", t.Agent, name.V), "add engine-id: to the agent")
		return false
	}
	return true
}

func (a *asking) only(e askEntry, s *askShape, t *audit.Target) (ok bool) {
	ok = true
	for _, o := range s.Only {
		id := correlate.PointID(o.Key)
		own := e.agent.V.Ask != nil && len(e.agent.V.Ask.Only) > 0
		if e.site.site.Points[id] == nil {
			if own {
				a.once(o.At, fmt.Sprintf("site %s has no point %s", e.site.site.ID, quoted(o.Key)), DidYouMean(o.Key, pointIDs(e.site.site)))
				ok = false
			}
			continue
		}
		if t.Only == nil {
			t.Only = map[correlate.PointID][]string{}
		}
		t.Only[id] = []string{}
		for _, instance := range o.V {
			t.Only[id] = append(t.Only[id], instance.V)
		}
	}
	return ok
}
