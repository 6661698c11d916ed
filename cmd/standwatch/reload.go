package main

import (
	"context"
	"fmt"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
)

// reload puts the configuration that is on disk in force, or changes nothing:
// a mistake leaves the old one running, stands as an alarm on the site self,
// and is told to the log.
func (d *daemon) reload(ctx context.Context) error {
	cfg, problems := d.opts.Reload(ctx)
	if problems.Mistakes() {
		for _, p := range problems {
			d.log.Error().Msg(p.Error())
		}
		return d.reloadFailed(fmt.Errorf("%d problems in the configuration, such as %w; the old one stays in force", len(problems), problems[0]))
	}
	channels, err := d.gatewayChannels(cfg)
	if err != nil {
		return d.reloadFailed(err)
	}
	summary := configs.Diff(d.current(), cfg).String()
	if err := d.receiver.Use(cfg.Receiver); err != nil {
		return d.reloadFailed(err)
	}
	if _, err := d.ledger.Reconfigure(ctx, cfg.Network, cfg.Plan, &correlate.Reconfigure{Hash: cfg.Hash, Summary: summary, Actor: "reload"}); err != nil {
		return d.reloadFailed(err)
	}
	d.runner.Use(channels)
	d.mu.Lock()
	d.config, d.channels, d.reloaded = cfg, channels, ""
	d.mu.Unlock()
	d.log.Info().Str("changed", summary).Msg("configuration reloaded; changes of listeners, console and store need a restart")
	return nil
}

func (d *daemon) reloadFailed(err error) error {
	d.mu.Lock()
	d.reloaded = err.Error()
	d.mu.Unlock()
	d.log.Error().Err(err).Msg("configuration not reloaded")
	return err
}
