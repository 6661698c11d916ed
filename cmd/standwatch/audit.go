package main

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/audit"
	"example.net/standwatch/receiver/rules"
)

// auditor asks agents for their true state: on schedule, when the committed
// journal gives cause, and when somebody wants it.
type auditor struct {
	d      *daemon
	runner *audit.Runner
	watch  *audit.Watch
	next   correlate.Seq // the first record that was not looked at
}

func newAuditor(d *daemon) (*auditor, error) {
	a := &auditor{d: d, next: d.store.Last() + 1}
	d.ledger.Read(func(st *correlate.State, _ *correlate.Network) { a.watch = audit.NewWatch(st.Engines) })
	var err error
	a.runner, err = audit.NewRunner(audit.RunnerOptions{Submit: a.submit, Where: a.where, Targets: d.config.Audits, Now: d.opts.Now, Log: d.log})
	return a, err
}

func (a *auditor) submit(ctx context.Context, in *correlate.Audit) ([]correlate.Event, error) {
	r, err := a.d.ledger.Submit(ctx, in)
	return r.Events, err
}

// where returns an agent's place in the network in force.
func (a *auditor) where(id correlate.AgentID) (w rules.Where) {
	net := a.d.current().Network
	if w.Agent = net.Agent(id); w.Agent != nil {
		w.Site = net.Site(w.Agent.Site)
	}
	return w
}

// followRetry is waited after the journal could not be read.
const followRetry = time.Second

// follow reads out of the committed journal when agents are to be asked.
func (a *auditor) follow(ctx context.Context) error {
	wake, cancel := a.d.ledger.Follow()
	defer cancel()
	retry := time.NewTimer(followRetry)
	defer retry.Stop()
	for {
		if err := a.look(ctx); err != nil && ctx.Err() == nil {
			a.d.log.Error().Err(err).Msg("the journal cannot be read; agents are asked on schedule only")
			retry.Reset(followRetry)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-wake:
		case <-retry.C:
		}
	}
}

func (a *auditor) look(ctx context.Context) error {
	if a.next > a.d.store.Last() {
		return nil
	}
	net := a.d.current().Network
	return a.d.store.Scan(ctx, a.next, func(r *correlate.Record) error {
		a.next = r.Seq + 1
		for _, c := range a.watch.Causes(r, net) {
			// Most agents may be asked nothing; that is no fault.
			if err := a.runner.Ask(audit.Request{Agent: c.Agent, Why: c.Why}); err != nil && !errors.Is(err, audit.ErrNotAsked) {
				return err
			}
		}
		return nil
	})
}

// use puts another configuration's questions in force and asks the agents that
// it touched.
func (a *auditor) use(old, cfg *configs.Config) error {
	before := map[correlate.AgentID]*audit.Target{}
	for _, t := range old.Audits {
		before[t.Agent] = t
	}
	var touched []correlate.AgentID
	for _, t := range cfg.Audits {
		was, is := old.Network.Agent(t.Agent), cfg.Network.Agent(t.Agent)
		if was == nil || !sameTarget(before[t.Agent], t) || !reflect.DeepEqual(old.Network.Site(was.Site), cfg.Network.Site(is.Site)) {
			touched = append(touched, t.Agent)
		}
	}
	return a.runner.Use(cfg.Audits, touched)
}

// sameTarget compares how an agent is asked, and what by name.
func sameTarget(a, b *audit.Target) bool {
	if a == nil || b == nil {
		return a == b
	}
	names := func(t *audit.Target) (out []string) {
		for _, q := range t.Questions {
			out = append(out, q.Name())
		}
		return out
	}
	x, y := *a, *b
	x.Questions, y.Questions = nil, nil
	return slices.Equal(names(a), names(b)) && reflect.DeepEqual(x, y)
}

// Ask implements api.Auditor.
func (a *auditor) Ask(site correlate.SiteID, agent correlate.AgentID, only correlate.Key, actor string) (asked []correlate.AgentID, err error) {
	s := a.d.current().Network.Site(site)
	if s == nil {
		return nil, fmt.Errorf("site %s: %w", site, api.ErrNothingToAsk)
	}
	for _, id := range s.Agents {
		if agent != "" && id != agent {
			continue
		}
		err := a.runner.Ask(audit.Request{Agent: id, Why: audit.WhyAsked, Actor: actor, Only: only})
		switch {
		case errors.Is(err, audit.ErrNotAsked):
		case err != nil:
			return nil, err
		default:
			asked = append(asked, id)
		}
	}
	if len(asked) == 0 {
		return nil, fmt.Errorf("site %s: %w; add ask: with questions to the agent or its template", site, api.ErrNothingToAsk)
	}
	return asked, nil
}

// Plan implements api.Auditor.
func (a *auditor) Plan(id correlate.AgentID) (out api.AuditPlan) {
	st := a.runner.Status(id)
	return api.AuditPlan{Questions: st.Questions, Waiting: st.Waiting, Running: st.Running, Next: st.Next}
}

// Covers implements api.Auditor.
func (a *auditor) Covers(id correlate.AgentID, k correlate.Key) (at time.Time, ok bool) {
	return a.runner.Covers(id, k)
}

// unansweredMost bounds how many agents a text names.
const unansweredMost = 5

// audits notes agents that are heard and do not answer when asked, and answers
// that cannot be read. One that is silent altogether has an alarm of its own.
func (w *selfWatch) audits(ctx context.Context) {
	var mute, odd []string
	w.d.ledger.Read(func(st *correlate.State, net *correlate.Network) {
		for id, a := range st.Audits {
			agent := net.Agent(id)
			if agent == nil || api.Silent(st, agent) || len(w.d.auditor.Plan(id).Questions) == 0 {
				continue
			}
			switch {
			case a.Failures > 1:
				mute = append(mute, string(id))
			case a.Failures == 0 && a.Trouble != "":
				odd = append(odd, string(id)+" ("+a.Trouble+")")
			}
		}
	})
	var parts []string
	if len(mute) > 0 {
		parts = append(parts, named(mute)+" not answered when asked for the true state, though heard")
	}
	if len(odd) > 0 {
		parts = append(parts, "not all could be read from "+agentList(odd))
	}
	text := strings.Join(parts, "; ")
	if text != w.auditText && w.auditText != "" && text != "" {
		// Another agent is news, though the alarm stands already.
		w.standing[correlate.Key{Site: correlate.SiteSelf, Point: configs.SelfAudit}] = false
	}
	w.say(ctx, configs.SelfAudit, "", text != "", upper(text))
	w.auditText = text
}

func named(agents []string) string {
	slices.Sort(agents)
	if len(agents) == 1 {
		return "agent " + agents[0] + " has"
	}
	return fmt.Sprintf("%d agents (%s) have", len(agents), agentList(agents))
}

func agentList(names []string) string {
	slices.Sort(names)
	if len(names) > unansweredMost {
		return strings.Join(names[:unansweredMost], ", ") + fmt.Sprintf(" and %d more", len(names)-unansweredMost)
	}
	return strings.Join(names, ", ")
}

func upper(text string) string {
	if text == "" {
		return ""
	}
	return strings.ToUpper(text[:1]) + text[1:]
}
