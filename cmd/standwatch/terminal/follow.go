package terminal

import (
	"context"
	"encoding/json"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
)

// What the follower tells the screen.
type (
	// boardRead is everything that stands, read anew.
	boardRead Board
	// changed are alarms as a record left them.
	changed []api.Alarm
	// alive says that the stream gave a sign of life.
	alive struct{}
	// lost says that the stream is not there, and when it is asked for again.
	lost struct {
		err   error
		again time.Duration
	}
)

// Waits between attempts to get the stream back.
const (
	firstWait = time.Second
	lastWait  = 15 * time.Second
)

// follow keeps the screen told until ctx ends.
func (c *Client) follow(ctx context.Context, tell func(any)) {
	wait := firstWait
	for ctx.Err() == nil {
		err := c.followOnce(ctx, func(v any) { wait = firstWait; tell(v) })
		if ctx.Err() != nil {
			return
		}
		tell(lost{err: err, again: wait})
		select {
		case <-ctx.Done():
		case <-time.After(wait):
		}
		wait = min(2*wait, lastWait)
	}
}

// followOnce opens the stream, reads the board behind its opening, so that
// nothing falls between the two, and tells what comes until the stream ends.
func (c *Client) followOnce(ctx context.Context, tell func(any)) error {
	next, end, err := c.stream(ctx)
	if err != nil {
		return err
	}
	defer end()
	if err := c.tellBoard(ctx, tell); err != nil {
		return err
	}
	for {
		e, err := next()
		if err != nil {
			return err
		}
		switch e.name {
		case "record":
			var rec api.Record
			if err := json.Unmarshal(e.data, &rec); err != nil {
				return err
			}
			if len(rec.Alarms) > 0 {
				tell(changed(rec.Alarms))
				continue
			}
			tell(alive{})
		case "gap":
			if err := c.tellBoard(ctx, tell); err != nil {
				return err
			}
		default:
			tell(alive{})
		}
	}
}

func (c *Client) tellBoard(ctx context.Context, tell func(any)) error {
	board, err := c.board(ctx)
	if err != nil {
		return err
	}
	tell(boardRead(board))
	return nil
}
