package notify

import (
	"context"
	"errors"

	"example.net/standwatch/correlate"
)

// Receipt is what a gateway says later about a message that it accepted.
type Receipt struct {
	GatewayID string
	Outcome   correlate.Outcome // Delivered or Permanent
	Answer    string
}

// EarlyReceipts hands receipts to an inbox, and keeps those that overtook the
// record of their message's acceptance until it is there. It belongs to one
// goroutine. The zero value is ready.
type EarlyReceipts struct{ waiting []early }

type early struct {
	receipt Receipt
	turns   int
}

const (
	earlyRoom  = 1000 // receipts that wait
	earlyTurns = 50   // offers of one; a receipt that nobody knows then is not ours, or for what is no longer kept
)

// Take hands in a receipt. An error means that it could not be made durable.
func (e *EarlyReceipts) Take(ctx context.Context, in Inbox, r Receipt) error {
	err := in.Receipt(ctx, r.GatewayID, r.Outcome, r.Answer)
	if !errors.Is(err, ErrUnknownReceipt) {
		return err
	}
	if len(e.waiting) < earlyRoom {
		e.waiting = append(e.waiting, early{receipt: r})
	}
	return nil
}

// Again offers what waits once more; it is to be called several times a second.
func (e *EarlyReceipts) Again(ctx context.Context, in Inbox) {
	still := e.waiting[:0]
	for _, w := range e.waiting {
		w.turns++
		if in.Receipt(ctx, w.receipt.GatewayID, w.receipt.Outcome, w.receipt.Answer) != nil && w.turns < earlyTurns {
			still = append(still, w)
		}
	}
	e.waiting = still
}
