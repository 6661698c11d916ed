package store

import (
	"encoding/binary"
	"fmt"

	"go.etcd.io/bbolt"

	"example.net/standwatch/correlate"
)

// bucketMarks holds, by the name of whoever follows the journal, the record up
// to which it is done: eight octets, big-endian.
const bucketMarks = "marks"

// Mark returns how far somebody who follows the journal has come; known is
// false when no mark was ever set under that name.
func (s *Store) Mark(name string) (seq correlate.Seq, known bool, err error) {
	err = guard(folderFile, func() error {
		return s.folder.View(func(tx *bbolt.Tx) error {
			if b := tx.Bucket([]byte(bucketMarks)); b != nil {
				if v := b.Get([]byte(name)); len(v) == 8 {
					seq, known = correlate.Seq(binary.BigEndian.Uint64(v)), true
				}
			}
			return nil
		})
	})
	if err != nil {
		return 0, false, fmt.Errorf("read mark %q: %w", name, err)
	}
	return seq, known, nil
}

// SetMark keeps a mark durably.
func (s *Store) SetMark(name string, seq correlate.Seq) error {
	if s.opts.ReadOnly {
		return fmt.Errorf("keep mark %q: %w", name, ErrReadOnly)
	}
	err := s.folder.Update(func(tx *bbolt.Tx) error {
		b, err := tx.CreateBucketIfNotExists([]byte(bucketMarks))
		if err != nil {
			return err
		}
		return b.Put([]byte(name), binary.BigEndian.AppendUint64(nil, uint64(seq)))
	})
	if err != nil {
		return fmt.Errorf("keep mark %q: %w", name, err)
	}
	return nil
}
