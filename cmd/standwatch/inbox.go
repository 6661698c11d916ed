package main

import (
	"context"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
)

// inbox takes what comes back over one gateway: answers of people, and
// receipts for what was sent.
type inbox struct {
	d       *daemon
	gateway string
}

// inbox returns the inbox of a gateway.
func (d *daemon) inbox(gateway string) notify.Inbox { return inbox{d, gateway} }

// Text lets an answer take the alarm whose code it has, or pass it on, and
// whoever sent it hears what came of it.
func (i inbox) Text(ctx context.Context, from, text string) error {
	return i.d.hear(ctx, notify.Heard{Gateway: i.gateway, From: from, Text: text})
}

// Receipt journals what a receipt says, once.
func (i inbox) Receipt(ctx context.Context, gatewayID string, outcome correlate.Outcome, answer string) error {
	id, settled := i.message(gatewayID)
	switch {
	case id == "":
		return notify.ErrUnknownReceipt
	case settled:
		return nil // a receipt that comes again says nothing new
	}
	_, err := i.d.ledger.Submit(ctx, &correlate.Delivery{Message: id, Outcome: outcome, Answer: answer, GatewayID: gatewayID})
	return err
}

// message finds the newest message that the gateway took under an ID of its own, and
// whether it is settled.
func (i inbox) message(gatewayID string) (id correlate.MessageID, settled bool) {
	var newest correlate.Attempt
	i.d.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		for _, m := range st.Messages {
			if m.Channel != i.gateway || m.State == correlate.MessageWaiting && len(m.Attempts) == 0 {
				continue
			}
			for _, a := range m.Attempts {
				// Gateways count from the beginning again some day.
				if a.Outcome == correlate.Accepted && a.GatewayID == gatewayID && !a.At.Before(newest.At) {
					newest, id = a, m.ID
					settled = m.State == correlate.MessageDelivered || m.State == correlate.MessageFailed
				}
			}
		}
	})
	return id, settled
}
