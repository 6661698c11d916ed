package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// How often old history is let go, and how soon again when room is needed.
const (
	keepEvery = time.Hour
	keepSoon  = time.Minute
)

// keeper lets old history go as the configuration in force allows.
type keeper struct {
	d *daemon

	mu     sync.Mutex // guards looked and failed
	looked time.Time
	failed string
}

// run lets history go every hour until ctx ends, and every minute while the
// disk is nearly full and the configuration allows to make room.
func (k *keeper) run(ctx context.Context) error {
	ticker := time.NewTicker(keepSoon)
	defer ticker.Stop()
	for next := k.d.opts.Now(); ; {
		if now := k.d.opts.Now(); !now.Before(next) || k.wanted() > 0 {
			k.once(ctx)
			next = now.Add(keepEvery)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-ticker.C:
		}
	}
}

// once lets go what may go now. A failure is shown and tried again.
func (k *keeper) once(ctx context.Context) {
	policy, err := k.policy()
	var gone []store.Tombstone
	if err == nil {
		gone, err = k.d.store.Retain(ctx, policy)
	}
	for _, t := range gone {
		k.d.log.Info().Uint64("first", uint64(t.First)).Uint64("last", uint64(t.Last)).Time("to", t.To).Str("why", t.Why).Int("kept", t.Kept).Msg("history let go")
	}
	if ctx.Err() != nil {
		return
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	k.looked, k.failed = k.d.opts.Now(), ""
	if err != nil {
		k.failed = err.Error()
		k.d.log.Error().Err(err).Msg("old history was not let go")
	}
}

// policy says what may go under the configuration in force.
func (k *keeper) policy() (store.Policy, error) {
	cfg, now := k.d.current(), k.d.opts.Now()
	p := store.Policy{MaxBytes: cfg.Store.Keep.Size}
	if age := cfg.Store.Keep.Age; age > 0 {
		p.Before = now.Add(-age)
	}
	if wanted := k.wanted(); wanted > 0 {
		used, err := k.d.store.Usage()
		if err != nil {
			return p, err
		}
		if most := max(used.Bytes-wanted, 1); p.MaxBytes == 0 || most < p.MaxBytes {
			p.MaxBytes = most
		}
	}
	k.d.ledger.Read(func(st *correlate.State, _ *correlate.Network) { p.Needs = store.Needs(st) })
	p.Keep = mustKeep(cfg, now)
	return p, nil
}

// mustKeep says of a record whether a hold or the law keeps it: a record of a
// regulated point for as long as configured (47 CFR 17.49: two years), by the
// points that are regulated now.
func mustKeep(cfg *configs.Config, now time.Time) func(*correlate.Record) bool {
	regulated := func(k correlate.Key) bool {
		p := cfg.Network.Point(k)
		return p != nil && p.Regulated
	}
	return func(r *correlate.Record) bool {
		if now.Sub(r.At) < cfg.Store.Keep.Regulated && store.Mentions(r, regulated) {
			return true
		}
		mentions := func(is func(correlate.Key) bool) bool { return store.Mentions(r, is) }
		return slices.ContainsFunc(cfg.Store.Holds, func(h configs.Hold) bool { return h.Holds(r.At, mentions) })
	}
}

// wanted returns how many octets the disk lacks, where history may go for them.
func (k *keeper) wanted() int64 {
	if !k.d.current().Store.Keep.MakeRoom {
		return 0
	}
	disk, err := k.d.machine.disk(k.d.dir)
	least := max(disk.total/100*diskLeast, diskOctets)
	if err != nil || disk.free >= least {
		return 0
	}
	return int64(least - disk.free)
}

// trouble is why the history needs care, or "".
func (k *keeper) trouble() string {
	k.mu.Lock()
	defer k.mu.Unlock()
	var why []string
	if k.failed != "" {
		why = append(why, "old history was not let go: "+k.failed)
	}
	if err := k.d.store.Upkeep(); err != nil {
		why = append(why, "the upkeep of the journal fails: "+err.Error())
	}
	return strings.Join(why, "; ")
}

// upkeep is what the API and the console show beside the store's own figures.
func (k *keeper) upkeep() api.Upkeep {
	s := k.d.current().Store
	out := api.Upkeep{Age: s.Keep.Age, Size: s.Keep.Size, Regulated: s.Keep.Regulated, MakeRoom: s.Keep.MakeRoom, Trouble: k.trouble()}
	for _, h := range s.Holds {
		out.Holds = append(out.Holds, api.Hold{Why: h.Why, Site: h.Site, From: h.From, To: h.To})
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	out.Looked = k.looked
	return out
}

// history raises what is wrong with the history on the site self.
func (w *selfWatch) history(ctx context.Context) {
	trouble := w.d.keeper.trouble()
	w.say(ctx, configs.SelfHistory, "", trouble != "", trouble)
	notes := w.d.store.Notes()
	w.say(ctx, configs.SelfHistory, "folder", len(notes) > 0, strings.Join(notes, "; "))
}

// journalStart journals that the master watches, and which configuration is in
// force, which is kept beside the journal first.
func (d *daemon) journalStart(ctx context.Context) error {
	d.reloading.Lock() // or a reload could be overtaken by what it replaced
	defer d.reloading.Unlock()
	cfg := d.current()
	if err := d.keepConfig(cfg); err != nil {
		return err
	}
	before := ""
	d.ledger.Read(func(st *correlate.State, _ *correlate.Network) { before = st.Hash })
	if _, err := d.ledger.Submit(ctx, &correlate.Start{Version: version, Hash: cfg.Hash}); err != nil {
		return fmt.Errorf("journal the start: %w", err)
	}
	if before == cfg.Hash {
		return nil
	}
	summary := "the first configuration"
	if before != "" {
		summary = "changed while the daemon did not run"
	}
	in := &correlate.Reconfigure{Hash: cfg.Hash, Summary: summary, Actor: "start"}
	if _, err := d.ledger.Reconfigure(ctx, cfg.Network, cfg.Plan, in); err != nil {
		return fmt.Errorf("journal the configuration: %w", err)
	}
	return nil
}

// keepConfig keeps the configuration's files, so that its hash in the journal
// can be read back. A configuration holds no secrets, only where they come from.
func (d *daemon) keepConfig(cfg *configs.Config) error {
	files := make([]store.ConfigFile, 0, len(cfg.Files))
	texts := cfg.Texts()
	for _, name := range cfg.Files {
		files = append(files, store.ConfigFile{Name: name, Text: texts[name]})
	}
	if err := d.store.KeepConfiguration(cfg.Hash, files); err != nil {
		return errors.Join(errors.New("the configuration cannot be kept beside the journal"), err)
	}
	return nil
}
