package store

import (
	"context"

	"example.net/standwatch/correlate"
)

// TendOnce does the upkeep that waits and returns.
func (s *Store) TendOnce(ctx context.Context) error { return s.tendOnce(ctx) }

// RunRecords is the number of records in a full posting run.
const RunRecords = runRecords

// Sizes returns the encoded lengths of records.
func Encode(r *correlate.Record) ([]byte, error) {
	c, err := newCodec()
	if err != nil {
		return nil, err
	}
	return c.encode(r)
}
