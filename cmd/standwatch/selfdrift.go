package main

import (
	"context"
	"time"

	"example.net/standwatch/configs"
)

// How often the configuration on disk is held against the one in force, and how
// long they may differ: somebody may be at work on it.
const (
	driftEvery     = time.Minute
	forgottenAfter = 10 * time.Minute
)

// driftWatch remembers how the configuration on disk was found. Times are by the
// steady scale.
type driftWatch struct {
	looked  time.Time // when it was last held against the one in force
	mark    string    // of the folder then
	inForce string    // hash of the configuration in force then
	differs string    // how it differed; empty when it did not
	since   time.Time // since when; zero when it does not
}

// drift notes that what the folder of the configuration holds is not what is in
// force: forgotten after an edit, or put there by a tool that reloads nothing.
// Contents are compared; a file that was only touched is no fault.
func (w *selfWatch) drift(ctx context.Context) {
	now := w.steady()
	if w.d.opts.Folder == "" || (!w.drifts.looked.IsZero() && now.Sub(w.drifts.looked) < driftEvery) {
		return
	}
	w.drifts.looked = now
	mark, err := folderMark(w.d.opts.Folder)
	if err != nil {
		w.say(ctx, configs.SelfConfig, "files", true, err.Error())
		return
	}
	if inForce := w.d.current().Hash; mark != w.drifts.mark || inForce != w.drifts.inForce {
		w.drifts.mark = mark
		w.drifts.differs, w.drifts.inForce = w.d.unlikeDisk(ctx)
	}
	switch {
	case w.drifts.differs == "" || w.d.refused() != "": // which has an alarm of its own
		w.drifts.since = time.Time{}
	case w.drifts.since.IsZero():
		w.drifts.since = now
	}
	forgotten := !w.drifts.since.IsZero() && now.Sub(w.drifts.since) >= forgottenAfter
	w.say(ctx, configs.SelfConfig, "files", forgotten, "The configuration on disk was changed and is not in force; "+w.drifts.differs)
}

// unlikeDisk loads what is on disk and says what to do about it, or "" when it is
// the configuration in force, whose hash it returns.
func (d *daemon) unlikeDisk(ctx context.Context) (todo, inForce string) {
	d.reloading.Lock() // or the one in force could be another one by then
	defer d.reloading.Unlock()
	inForce = d.current().Hash
	cfg, problems := d.opts.Reload(ctx)
	switch {
	case problems.Mistakes():
		return "it has mistakes: run standwatch check", inForce
	case cfg.Hash != inForce:
		return "reload it", inForce
	}
	return "", inForce
}

// refused is why the last reload failed, or "".
func (d *daemon) refused() string {
	d.mu.RLock()
	defer d.mu.RUnlock()
	return d.reloaded
}
