package main

import (
	"context"
	"time"

	"example.net/standwatch/cmd/standwatch/shift"
	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
)

func (d *daemon) shifts() []configs.Shift { return d.current().Shifts }

// shiftLook is how often the clock is looked at for a turn of the watch: often
// enough that a step of the clock or another configuration is found soon.
const shiftLook = 10 * time.Second

// turnShifts journals each begin of a shift, with what stands then, until ctx
// ends.
func (d *daemon) turnShifts(ctx context.Context) error {
	ticker := time.NewTicker(shiftLook)
	defer ticker.Stop()
	for {
		if err := d.turnShift(ctx); err != nil {
			// It is said again at the next look, when the journal may work.
			d.log.Error().Err(err).Msg("the begin of a shift was not journaled")
		}
		select {
		case <-ctx.Done():
			return nil
		case <-ticker.C:
		}
	}
}

func (d *daemon) turnShift(ctx context.Context) error {
	span, ok := shift.At(d.shifts(), d.opts.Now(), d.current().Centre.Zone)
	if !ok {
		return nil
	}
	began := false
	d.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		began = st.Shift.Name == span.Name && st.Shift.From.Equal(span.From)
	})
	if began {
		return nil
	}
	_, err := d.ledger.Submit(ctx, &correlate.ShiftTurn{Name: span.Name, From: span.From.UTC(), To: span.To.UTC()})
	return err
}
