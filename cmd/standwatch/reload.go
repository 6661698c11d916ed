package main

import (
	"context"
	"fmt"

	"example.net/standwatch/correlate"
)

// reload puts the configuration that is on disk in force, or changes nothing:
// a mistake leaves the old one running, stands as an alarm on the site self,
// and is told to the log.
func (d *daemon) reload(ctx context.Context) error {
	cfg, problems := d.opts.Reload(ctx)
	if len(problems) > 0 {
		for _, p := range problems {
			d.log.Error().Str("at", p.Where()).Msg(p.What)
		}
		return d.reloadFailed(fmt.Errorf("%d problems in the configuration; the old one stays in force", len(problems)))
	}
	if err := d.receiver.Use(cfg.Receiver); err != nil {
		return d.reloadFailed(err)
	}
	if _, err := d.ledger.Reconfigure(ctx, cfg.Network, cfg.Plan, &correlate.Reconfigure{Hash: cfg.Hash, Actor: "reload"}); err != nil {
		return d.reloadFailed(err)
	}
	d.mu.Lock()
	d.config, d.reloaded = cfg, ""
	d.mu.Unlock()
	d.log.Info().Str("hash", cfg.Hash).Msg("configuration reloaded; changes of listeners, gateways, console and store need a restart")
	return nil
}

func (d *daemon) reloadFailed(err error) error {
	d.mu.Lock()
	d.reloaded = err.Error()
	d.mu.Unlock()
	d.log.Error().Err(err).Msg("configuration not reloaded")
	return err
}
