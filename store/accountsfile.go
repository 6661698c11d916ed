package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"go.etcd.io/bbolt"
)

// accountsFile is what the package accounts keeps: see there for its form. It
// is no part of the fold, so it lies beside the journal.
const accountsFile = "accounts.db"

// bucketSessions is the bucket of accountsFile that a restore empties.
const bucketSessions = "sessions"

// AccountsFile returns the file of console accounts, opened at the first call
// and closed with the store. A store that is open for reading only returns
// fs.ErrNotExist when there is none. It is for the package accounts.
func (s *Store) AccountsFile() (*bbolt.DB, error) {
	s.besideMu.Lock()
	defer s.besideMu.Unlock()
	if s.accounts != nil {
		return s.accounts, nil
	}
	path := filepath.Join(s.dir, accountsFile)
	if s.opts.ReadOnly {
		if _, err := os.Stat(path); err != nil {
			return nil, fmt.Errorf("open console accounts: %w", err)
		}
	}
	db, err := openBolt(path, s.opts.ReadOnly, 0)
	if err != nil {
		return nil, err
	}
	s.accounts = db
	return db, nil
}

func (s *Store) closeBeside() error {
	s.besideMu.Lock()
	defer s.besideMu.Unlock()
	if s.accounts == nil {
		return nil
	}
	return s.accounts.Close()
}

// accountsOf copies the accounts into a backup.
func (b *backup) accountsOf() error {
	db, err := b.s.AccountsFile()
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	return b.bolt(db, accountsFile)
}

// dropSessions ends the sessions of a restored folder: some of them may have
// been ended after the backup was made.
func dropSessions(dir string) error {
	path := filepath.Join(dir, accountsFile)
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
		return nil
	}
	db, err := openBolt(path, false, 0)
	if err != nil {
		return err
	}
	err = db.Update(func(tx *bbolt.Tx) error {
		if tx.Bucket([]byte(bucketSessions)) == nil {
			return nil
		}
		return tx.DeleteBucket([]byte(bucketSessions))
	})
	return errors.Join(err, db.Close())
}
