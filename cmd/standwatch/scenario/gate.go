package scenario

import (
	"context"
	"sync"
	"time"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
	"example.net/standwatch/store/ledger"
)

// gate stands for all gateways and writes down what they are handed.
type gate struct {
	mu    sync.Mutex
	told  []correlate.Message          // guarded by mu
	fails map[string]correlate.Outcome // guarded by mu
}

func newGate() *gate { return &gate{fails: map[string]correlate.Outcome{}} }

func (g *gate) channels(list []configs.Gateway) map[string]notify.Channel {
	out := map[string]notify.Channel{}
	for _, gw := range list {
		out[gw.Name] = g
	}
	return out
}

// Send takes a message, or does with it what the story says of its gateway.
func (g *gate) Send(_ context.Context, m correlate.Message) notify.Result {
	g.mu.Lock()
	defer g.mu.Unlock()
	if out := g.fails[m.Channel]; out != 0 {
		return notify.Result{Outcome: out, Answer: "as the story says"}
	}
	g.told = append(g.told, m)
	return notify.Result{Outcome: correlate.Accepted, Answer: "taken"}
}

func (g *gate) set(gateway string, o correlate.Outcome) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.fails[gateway] = o
}

// since returns what was told after the first n.
func (g *gate) since(n int) []correlate.Message {
	g.mu.Lock()
	defer g.mu.Unlock()
	return append([]correlate.Message(nil), g.told[n:]...)
}

// outbox shows the runner what waits and journals what came of it.
type outbox struct {
	ledger *ledger.Ledger
	wake   chan struct{}
	moved  chan struct{} // something was reported
	use    func(*configs.Config)
}

func newOutbox(l *ledger.Ledger) *outbox {
	return &outbox{ledger: l, wake: make(chan struct{}, 1), moved: make(chan struct{}, 1)}
}

func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

func (o *outbox) poke() { signal(o.wake) }

// Waiting returns copies of the messages that wait.
func (o *outbox) Waiting() (out []correlate.Message) {
	o.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		for _, m := range st.Waiting() {
			out = append(out, *m.Clone())
		}
	})
	return out
}

// Wake is signalled when the story has moved on.
func (o *outbox) Wake() <-chan struct{} { return o.wake }

// Report journals the outcome of an attempt.
func (o *outbox) Report(ctx context.Context, d *correlate.Delivery) error {
	_, err := o.ledger.Submit(ctx, d)
	signal(o.moved)
	return err
}

// due reports whether a message is to be sent by now.
func (o *outbox) due(now time.Time) bool {
	for _, m := range o.Waiting() {
		if !m.NotBefore.After(now) {
			return true
		}
	}
	return false
}

// next returns when the next message is to be sent; zero when none waits.
func (o *outbox) next(now time.Time) (at time.Time) {
	for _, m := range o.Waiting() {
		if m.NotBefore.After(now) && (at.IsZero() || m.NotBefore.Before(at)) {
			at = m.NotBefore
		}
	}
	return at
}
