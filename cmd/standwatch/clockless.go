package main

import (
	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// Bounds of what is looked for: as many messages as the receiver remembers, and
// some ten seconds of the journal at its fullest, so that a start stays quick.
const (
	clocklessKept   = 65_536
	clocklessLooked = 200_000
)

// clockless returns the newest datagrams of SNMPv3 senders that have no clock:
// they say boots 0 and time 0 for ever, so that the time window cannot tell an
// old message from a new one. Only the memory of what came can, and it has to
// outlive a restart. Where every sender has a clock nothing is read.
func (d *daemon) clockless() (datagrams [][]byte) {
	any := false
	d.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		for _, c := range st.Engines {
			any = any || c.Boots == 0 && c.Time == 0
		}
	})
	q := store.Query{Limit: 1000}
	for looked := 0; any && looked < clocklessLooked && len(datagrams) < clocklessKept; looked += q.Limit {
		page, err := d.store.History(q)
		if err != nil {
			d.log.Error().Err(err).Msg("messages of senders without a clock are not all remembered; one of before this start could be played back")
			return datagrams
		}
		for _, rec := range page.Records {
			if a, ok := rec.Input.(*correlate.Arrival); ok && len(a.EngineID) > 0 && a.Boots == 0 && a.EngineTime == 0 {
				datagrams = append(datagrams, a.Datagram)
			}
		}
		if q.Before = page.Next; q.Before == 0 {
			break
		}
	}
	return datagrams
}
