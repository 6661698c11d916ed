package main

import (
	"context"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store/ledger"
)

// outbox shows the committed outbox to the runner and journals what gateways
// answered.
type outbox struct {
	ledger *ledger.Ledger
	wake   <-chan struct{}
}

// newOutbox follows the ledger for as long as the process lives.
func newOutbox(l *ledger.Ledger) *outbox {
	wake, _ := l.Follow()
	return &outbox{ledger: l, wake: wake}
}

// Waiting returns copies of the messages that wait to be sent.
func (o *outbox) Waiting() (waiting []correlate.Message) {
	o.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		for _, m := range st.Waiting() {
			waiting = append(waiting, *m.Clone())
		}
	})
	return waiting
}

// Wake gets a wake-up after each commit.
func (o *outbox) Wake() <-chan struct{} { return o.wake }

// Report journals the outcome of an attempt.
func (o *outbox) Report(ctx context.Context, d *correlate.Delivery) error {
	_, err := o.ledger.Submit(ctx, d)
	return err
}
