package main

import (
	"context"
	"sync"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
)

// Bounds of what comes in over gateways. Judgement, no source: nobody on call
// answers six times in ten minutes, and strangers are not worth a journal.
const (
	answerSpan     = 10 * time.Minute
	answersEach    = 6  // of one sender that are answered
	strangersEach  = 30 // of one gateway that are journaled
	keptIncoming   = 1024
	answersMaximum = 4096 // senders remembered
)

// hear lets an answer do what it asks for. It returns nil once whatever follows
// from it is durable, and also when it came before.
func (d *daemon) hear(ctx context.Context, h notify.Heard) error {
	if h.GatewayID != "" && d.answers.seen(h.Gateway, h.GatewayID) {
		return nil
	}
	plan := d.plan()
	var in *correlate.Reply
	d.ledger.Read(func(st *correlate.State, _ *correlate.Network) { in = plan.Reply(st, h) })
	sender, most := h.Gateway+" "+h.From, answersEach
	if in.Person == "" {
		sender, most = h.Gateway, strangersEach
	}
	quiet := d.answers.tooMany(sender, most, d.opts.Now())
	d.log.Info().Str("gateway", h.Gateway).Str("person", in.Person).Int("acts", len(in.Acts)).Bool("quiet", quiet).Msg("an answer came in")
	if in.Person == "" && quiet {
		return nil
	}
	in.Mute = in.Mute || quiet
	if _, err := d.ledger.Submit(ctx, in); err != nil {
		return err
	}
	d.answers.took(h.Gateway, h.GatewayID)
	return nil
}

// answers remembers what came in lately: who sends too much, and what came
// twice. It is safe for concurrent use.
type answers struct {
	mu     sync.Mutex // guards what follows
	times  map[string][]time.Time
	ids    map[string]bool
	inTurn []string // the keys of ids, oldest first
}

func newAnswers() *answers {
	return &answers{times: map[string][]time.Time{}, ids: map[string]bool{}}
}

// tooMany counts one more of a sender and reports whether it is one too many.
func (a *answers) tooMany(sender string, most int, now time.Time) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	if len(a.times) >= answersMaximum {
		clear(a.times) // better an answer too many than memory without end
	}
	list := a.times[sender]
	for len(list) > 0 && now.Sub(list[0]) >= answerSpan {
		list = list[1:]
	}
	if len(list) >= most {
		a.times[sender] = list
		return true
	}
	a.times[sender] = append(list, now)
	return false
}

// seen reports whether a gateway's message came before and was journaled.
func (a *answers) seen(gateway, id string) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.ids[gateway+" "+id]
}

// took remembers a gateway's message; an empty ID is none.
func (a *answers) took(gateway, id string) {
	if id == "" {
		return
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	key := gateway + " " + id
	if a.ids[key] {
		return
	}
	a.ids[key] = true
	if a.inTurn = append(a.inTurn, key); len(a.inTurn) > keptIncoming {
		delete(a.ids, a.inTurn[0])
		a.inTurn = a.inTurn[1:]
	}
}

// planNow returns the plan in force with the stand-ins agreed so far.
func (d *daemon) planNow() (now *notify.Plan) {
	plan := d.plan()
	d.ledger.Read(func(st *correlate.State, _ *correlate.Network) { now = plan.As(st) })
	return now
}

// plan returns the plan in force.
func (d *daemon) plan() *notify.Plan { return d.current().Plan }
