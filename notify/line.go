package notify

import (
	"context"
	"sync"

	"example.net/standwatch/correlate"
)

// Line is a channel that keeps a connection or a device of its own, over which
// something may come back. The runner runs it.
type Line interface {
	Channel
	// Run keeps the line up until ctx ends, connecting anew whenever it has to,
	// and hands what comes back to in. When ctx ends it lets what is being sent
	// finish, for a few seconds at most, takes leave and returns. It owns the
	// line's goroutines. Sends that find the line down fail for the moment.
	Run(ctx context.Context, in Inbox)
	// Trouble is a sentence that says why the line cannot be used now, or "".
	// It never has a secret in it. It may be called at any time.
	Trouble() string
}

// Wide is a channel that knows how many sends at once suit it, at least 1. Other
// channels get [RunnerOptions.PerGateway].
type Wide interface{ Width() int }

// Inbox takes what comes back over one gateway. It is safe for concurrent use.
type Inbox interface {
	// Text takes a text that somebody sent. It returns nil once whatever
	// follows from it is durable; after an error the gateway should offer the
	// text again where its protocol can.
	Text(ctx context.Context, from, text string) error
	// Receipt takes what a receipt says about a message that the gateway
	// accepted under an ID of its own: Delivered, or Permanent. It returns
	// [ErrUnknownReceipt] when no message is known to have that ID, which is
	// so for a moment when a receipt overtakes the record of the acceptance.
	Receipt(ctx context.Context, gatewayID string, outcome correlate.Outcome, answer string) error
}

// lines runs the lines of a runner.
type lines struct {
	running map[string]running
	all     sync.WaitGroup
}

type running struct {
	line Line
	stop context.CancelFunc
}

// tend ends the lines that are no longer in force and starts those that are
// new. inbox may be nil.
func (l *lines) tend(ctx context.Context, channels map[string]Channel, inbox func(gateway string) Inbox) {
	for name, r := range l.running {
		if channels[name] != Channel(r.line) {
			r.stop()
			delete(l.running, name)
		}
	}
	for name, ch := range channels {
		line, ok := ch.(Line)
		if _, runs := l.running[name]; !ok || runs {
			continue
		}
		in := Inbox(deaf{})
		if inbox != nil {
			in = inbox(name)
		}
		lineCtx, stop := context.WithCancel(ctx)
		l.running[name] = running{line: line, stop: stop}
		l.all.Go(func() { line.Run(lineCtx, in) })
	}
}

// end ends all lines and waits for them.
func (l *lines) end() {
	for _, r := range l.running {
		r.stop()
	}
	l.all.Wait()
}

// deaf is the inbox of a runner that was given none.
type deaf struct{}

func (deaf) Text(context.Context, string, string) error                       { return nil }
func (deaf) Receipt(context.Context, string, correlate.Outcome, string) error { return nil }
