package notify

import (
	"context"
	"time"

	"example.net/standwatch/correlate"
)

// Channel hands messages to one gateway. It is safe for concurrent use.
type Channel interface {
	// Send makes one attempt and says what came of it. It returns by the time
	// ctx ends. It must not retry: the runner does, by the journal.
	Send(ctx context.Context, m correlate.Message) Result
}

// Result is what came of one attempt.
type Result struct {
	Outcome    correlate.Outcome // Accepted, Temporary or Permanent
	Answer     string            // the gateway's words; never a secret
	GatewayID  string            // the gateway's own ID of the message
	RetryAfter time.Duration     // the gateway's wish, with Temporary; 0 is none
	InDoubt    bool              // with Temporary: the gateway may have taken it all the same
}

// Outbox is where committed messages wait.
type Outbox interface {
	// Waiting returns copies of the committed messages that wait, whatever
	// their NotBefore, in the order they were queued.
	Waiting() []correlate.Message
	// Wake is signalled after a commit; one signal may stand for several.
	Wake() <-chan struct{}
	// Report hands in what came of an attempt and returns once that is
	// durable. An error means that it is not.
	Report(ctx context.Context, d *correlate.Delivery) error
}
