package notify_test

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
)

// wire is a line that notes when it is run and that hears one text.
type wire struct {
	script
	up    chan struct{}
	down  chan struct{}
	width int
}

func newWire() *wire { return &wire{up: make(chan struct{}), down: make(chan struct{}), width: 3} }

func (w *wire) Run(ctx context.Context, in notify.Inbox) {
	close(w.up)
	if err := in.Text(ctx, "+12025550147", "K4RTW"); err != nil {
		panic(err)
	}
	<-ctx.Done()
	close(w.down)
}

func (w *wire) Trouble() string { return "no registration" }
func (w *wire) Width() int      { return w.width }

// heard is an inbox that notes what it was told.
type heard struct {
	gateway string
	texts   chan string
}

func (h heard) Text(_ context.Context, from, text string) error {
	h.texts <- h.gateway + " " + from + " " + text
	return nil
}

func (h heard) Receipt(context.Context, string, correlate.Outcome, string) error { return nil }

// TestLines: the runner runs the lines in force, hands on what comes back, and
// ends a line that another takes the place of.
func TestLines(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOutbox(newWorld(t, fromThen))
		texts := make(chan string, 4)
		first, second := newWire(), newWire()
		r, err := notify.New(notify.RunnerOptions{Outbox: o, Channels: map[string]notify.Channel{"sms": first}, Now: time.Now,
			Inbox: func(gateway string) notify.Inbox { return heard{gateway, texts} }})
		if err != nil {
			t.Fatal(err)
		}
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- r.Run(ctx) }()
		<-first.up
		if got := <-texts; got != "sms +12025550147 K4RTW" {
			t.Errorf("heard %q", got)
		}
		if h := r.Health(); len(h) != 1 || h[0].Trouble != "no registration" {
			t.Errorf("health %+v", h)
		}
		r.Use(map[string]notify.Channel{"sms": second})
		<-first.down
		<-second.up
		r.Use(map[string]notify.Channel{"sms": second, "mail": &script{}})
		synctest.Wait()
		select {
		case <-second.down:
			t.Error("a line that stays in force was ended")
		default:
		}
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		<-second.down
	})
}
