package main

import (
	"context"

	"example.net/standwatch/configs"
)

// backup notes that the journal has had records for too long that no backup has.
// A master to which nothing happened needs no new one.
func (w *selfWatch) backup(ctx context.Context) {
	cfg := w.d.current()
	unsaved, err := w.d.store.Unsaved()
	if err != nil {
		w.say(ctx, configs.SelfBackup, "", true, "It cannot be read when the data folder was backed up: "+err.Error())
		return
	}
	old := cfg.Store.BackupWithin > 0 && !unsaved.IsZero() && w.d.opts.Now().Sub(unsaved) > cfg.Store.BackupWithin
	text := "What happened since " + unsaved.In(cfg.Centre.Zone).Format("2 January 2006, 15:04 MST") + " is in no backup"
	if made, known, err := w.d.store.BackedUp(); err == nil && known {
		text += "; the newest was made on " + made.At.In(cfg.Centre.Zone).Format("2 January 2006, 15:04 MST")
	}
	w.say(ctx, configs.SelfBackup, "", old, text)
}
