package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"sync/atomic"
	"time"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
)

// How often proofs are looked for, and how long one heartbeat may take.
const (
	proofEvery    = 20 * time.Second
	heartbeatTime = 15 * time.Second
	beatsMissed   = 3 // in a row that make a fault
)

// tendDuties sends the daily proofs to those on call, and the heartbeat to the
// watcher outside, until ctx ends.
func (d *daemon) tendDuties(ctx context.Context) error {
	proofs := time.NewTicker(proofEvery)
	defer proofs.Stop()
	client := &http.Client{Timeout: heartbeatTime, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	defer client.CloseIdleConnections()
	beat := time.NewTimer(0)
	defer beat.Stop()
	d.proofs(ctx)
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-proofs.C:
			d.proofs(ctx)
		case <-beat.C:
			beat.Reset(d.beat(ctx, client))
		}
	}
}

// proofs journals each proof that is due; the climber tells it.
func (d *daemon) proofs(ctx context.Context) {
	var due []string
	plan := d.planNow()
	d.ledger.Read(func(st *correlate.State, _ *correlate.Network) { due = plan.ProofsDue(st, d.opts.Now()) })
	for _, roster := range due {
		if _, err := d.ledger.Submit(ctx, &correlate.RosterAct{Action: correlate.ActProve, Roster: roster, Actor: "time"}); err != nil {
			// It stays due and is tried again.
			d.log.Error().Err(err).Str("roster", roster).Msg("the daily proof could not be journaled")
		}
	}
}

// heart is how the heartbeats to the watcher outside went.
type heart struct {
	missed atomic.Int64 // in a row
	words  atomic.Value // string: why the last of them
}

// beat sends one heartbeat and returns when the next is due. A master that
// cannot do its work sends none: that is what the watcher is for.
func (d *daemon) beat(ctx context.Context, client *http.Client) time.Duration {
	w := d.current().Watcher
	if w == nil {
		d.heart.missed.Store(0)
		return proofEvery
	}
	if d.trouble() == "" {
		if err := d.heart.beat(ctx, client, w); err != nil {
			d.log.Warn().Err(err).Msg("the heartbeat to the watcher outside failed")
		}
	}
	return w.Every
}

func (h *heart) beat(ctx context.Context, client *http.Client, w *configs.Watcher) error {
	err := sendBeat(ctx, client, w)
	switch {
	case ctx.Err() != nil: // nobody's fault
		return nil
	case err == nil:
		h.missed.Store(0)
	default:
		h.words.Store(err.Error())
		h.missed.Add(1)
	}
	return err
}

func sendBeat(ctx context.Context, client *http.Client, w *configs.Watcher) error {
	req, err := http.NewRequestWithContext(ctx, w.Method, w.URL, strings.NewReader(w.Body))
	if err != nil {
		return errors.New("the address cannot be used")
	}
	for name, value := range w.Headers {
		req.Header.Set(name, value)
	}
	res, err := client.Do(req)
	if err != nil {
		// The address may hold a secret.
		if e, ok := errors.AsType[*url.Error](err); ok {
			err = e.Err
		}
		return err
	}
	defer res.Body.Close()
	// What it says is of no use; reading it lets the connection be used again.
	_, _ = io.Copy(io.Discard, io.LimitReader(res.Body, 64<<10))
	if res.StatusCode/100 != 2 {
		return fmt.Errorf("it answered %s", res.Status)
	}
	return nil
}

// watcher says on the site self when the watcher outside does not hear us.
func (w *selfWatch) watcher(ctx context.Context) {
	words, _ := w.d.heart.words.Load().(string)
	w.say(ctx, configs.SelfWatcher, "", w.d.heart.missed.Load() >= beatsMissed, "The watcher outside does not hear the heartbeat: "+words)
}
