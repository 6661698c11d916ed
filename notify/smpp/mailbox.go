package smpp

import (
	"context"
	"time"

	"example.net/standwatch/notify"
	"example.net/standwatch/notify/sms"
)

const (
	mailboxRoom = 100                    // deliveries that wait to be taken
	lookAgain   = 200 * time.Millisecond // at receipts that came too early
)

// mailbox takes what the centre delivers over one link, one after the other.
type mailbox struct {
	link  *link
	in    notify.Inbox
	queue chan pdu
	texts sms.Assembly
	early notify.EarlyReceipts
}

func newMailbox(l *link, in notify.Inbox) *mailbox {
	return &mailbox{link: l, in: in, queue: make(chan pdu, mailboxRoom)}
}

// offer puts a deliver_sm into the queue; false means that it is full.
func (b *mailbox) offer(p pdu) bool {
	select {
	case b.queue <- p:
		return true
	default:
		return false
	}
}

// serve takes deliveries until the link ends.
func (b *mailbox) serve(ctx context.Context) {
	ticker := time.NewTicker(lookAgain)
	defer ticker.Stop()
	for {
		select {
		case <-b.link.gone:
			return
		case p := <-b.queue:
			answer := pdu{command: deliverSM | response, status: b.take(ctx, p), seq: p.seq, body: []byte{0}}
			if answer.status == badField {
				answer.command, answer.body = genericNack, nil
			}
			if b.link.write(answer) != nil {
				return
			}
		case <-ticker.C:
			b.early.Again(ctx, b.in)
		}
	}
}

// take returns the status to answer a delivery with.
func (b *mailbox) take(ctx context.Context, p pdu) status {
	m, err := parseMessage(p.body)
	if err != nil {
		return badField
	}
	if m.class&classKinds == classReceipt {
		return b.receipt(ctx, &m)
	}
	if m.class&classKinds != 0 {
		return ok // intermediate and other notices are none of our business
	}
	from, text, part := readText(&m)
	whole, done := b.texts.Add(from, text, part)
	if !done {
		return ok
	}
	if b.in.Text(ctx, from, whole) != nil {
		return notNow
	}
	return ok
}

func (b *mailbox) receipt(ctx context.Context, m *message) status {
	r, readable := readReceipt(m)
	if !readable {
		return ok // coming again would make it no clearer
	}
	outcome, final := r.outcome()
	if final && b.early.Take(ctx, b.in, notify.Receipt{GatewayID: r.id, Outcome: outcome, Answer: r.String()}) != nil {
		return notNow
	}
	return ok
}
