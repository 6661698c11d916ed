package store_test

import (
	"context"
	"errors"
	"fmt"
	"os"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
	"example.net/standwatch/store/storetest"
)

// powerSeed makes the records that powerLoad appends.
const powerSeed = 31

// powerLoad appends, saves checkpoints, seals and lets go, and writes the number
// of the newest record to standard output each time it was told that it is
// durable.
func powerLoad(dir string) error {
	s, err := store.Open(dir, store.Options{SegmentRecords: 120})
	if err != nil {
		return err
	}
	m, st := storetest.NewMaker(powerSeed, 0), correlate.NewState()
	for round := range 40 {
		recs := m.Records(1 + round*7%23)
		if err := s.Append(recs); err != nil {
			return err
		}
		if _, err := fmt.Fprintln(os.Stdout, s.Last()); err != nil {
			return err
		}
		for _, r := range recs {
			st.Fold(r)
		}
		if err := powerUpkeep(s, st, round); err != nil {
			return err
		}
	}
	return s.Close()
}

func powerUpkeep(s *store.Store, st *correlate.State, round int) error {
	var errs []error
	if round%9 == 5 {
		errs = append(errs, s.SaveCheckpoint(st.Snapshot()))
	}
	if round%13 == 11 {
		errs = append(errs, s.TendOnce(context.Background()))
	}
	if round == 37 {
		_, err := s.Retain(context.Background(), store.Policy{MaxBytes: 1, Needs: store.Needs(st)})
		errs = append(errs, err, s.KeepConfiguration("hash", nil))
	}
	return errors.Join(errs...)
}
