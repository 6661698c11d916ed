package main

import (
	"context"
	"fmt"
	"time"

	"example.net/standwatch/configs"
	"example.net/standwatch/receiver"
)

// machineWatch remembers what the looks at the machine and the counters need.
type machineWatch struct {
	growth   growth
	wrongs   wrongs
	unsynced time.Time // since when the clock is not kept right, by the steady scale
}

// disk notes that the data folder's disk is nearly full, or will be soon.
func (w *selfWatch) disk(ctx context.Context) {
	s, err := w.asks.disk(w.d.dir)
	if err != nil {
		w.say(ctx, configs.SelfDisk, "", true, "The disk of the data folder cannot be looked at: "+err.Error())
		return
	}
	now := w.steady()
	w.say(ctx, configs.SelfDisk, "", s.free*100 < s.total*diskLeast || s.free < diskOctets, fmt.Sprintf("The disk of the data folder has %d MiB left", s.free>>20))
	w.say(ctx, configs.SelfDisk, "inodes", s.inodes > 0 && s.inodesFree*100 < s.inodes*inodesLeast, fmt.Sprintf("The disk of the data folder has room for %d more files only", s.inodesFree))
	days, grows := w.growth.daysLeft(now, s.free)
	w.growth.add(now, s.free)
	w.say(ctx, configs.SelfDisk, "growth", grows && days < diskDays, fmt.Sprintf("At its present growth the disk of the data folder is full in %.0f days", days))
}

// memory notes that the machine, or this service's share of it, runs out.
func (w *selfWatch) memory(ctx context.Context) {
	left, total, err := w.asks.memory()
	if err != nil {
		return // a machine that does not say is no fault
	}
	w.say(ctx, configs.SelfMemory, "", left*100 < total*memoryLeast, fmt.Sprintf("%d of %d MiB of memory are left", left>>20, total>>20))
}

// synced notes that no time service keeps the clock right any more.
func (w *selfWatch) synced(ctx context.Context) {
	synced, err := w.asks.synced()
	if err != nil {
		return // not every machine lets itself be asked
	}
	now := w.steady()
	if synced {
		w.unsynced = time.Time{}
	} else if w.unsynced.IsZero() {
		w.unsynced = now
	}
	lost := !w.unsynced.IsZero() && now.Sub(w.unsynced) >= unsyncedLong
	since := w.d.opts.Now().Add(-now.Sub(w.unsynced)).UTC()
	w.say(ctx, configs.SelfClock, "time-service", lost, "No time service has kept this machine's clock right since "+since.Format(time.RFC3339))
}

// unreadables are the fates that speak of a sender that is configured wrongly,
// or of one that tries.
var unreadables = [...]receiver.Fate{
	receiver.NotSNMP, receiver.Truncated, receiver.BadLength, receiver.BadVersion, receiver.BadHeader, receiver.BadSecurity, receiver.BadPDU,
	receiver.BadVarbind, receiver.BadValue, receiver.TooManyVarbinds, receiver.NoTrapOID, receiver.NotNotified, receiver.WrongCommunity,
	receiver.WeakLevel, receiver.WrongUser, receiver.UnknownUser, receiver.UnsupportedSec, receiver.WrongDigest, receiver.NotInTimeWindow,
	receiver.NotDecrypted, receiver.Replayed, receiver.Faulty,
}

// wrong notes that much of what arrives cannot be read or believed, and that
// rules fail at what they are given.
func (w *selfWatch) wrong(ctx context.Context) {
	s := wrongAt{at: w.steady()}
	for _, l := range w.d.receiver.Accounts().Listeners {
		s.arrived += l.Arrived
		for _, fate := range unreadables {
			s.refused += l.Tally[fate]
		}
	}
	for _, r := range w.d.current().Rules.Rules() {
		s.rules += r.Faults
	}
	d := w.wrongs.add(s)
	w.say(ctx, configs.SelfRefused, "", d.unreadable(), fmt.Sprintf("%d of %d datagrams of the last minutes could not be read or believed", d.refused, d.arrived))
	w.say(ctx, configs.SelfRules, "", d.rules >= wrongFaults, fmt.Sprintf("Rules failed %d times within the last minutes", d.rules))
}
