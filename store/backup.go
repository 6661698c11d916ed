package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"

	"go.etcd.io/bbolt"

	"example.net/standwatch/correlate"
)

// BackupReport is what a backup did.
type BackupReport struct {
	Last    correlate.Seq // newest record in the backup
	Copied  int           // segments
	Present int           // sealed segments that the backup had already
	Bytes   int64         // written
}

// restoredBoots is added to engineBoots on a restore. The backup may be older
// than starts that agents have seen since; a lower value would be refused by
// them as a replay (RFC 3414 section 3.2 step 7). The number is our own choice.
const restoredBoots = 1000

// Backup copies the data folder to dir while it is in use. What it leaves is a
// data folder as it was at one moment, to be read or restored from. A dir that
// holds an earlier backup of this folder is brought up to date: sealed segments
// that it has are not copied again. progress, which may be nil, is told how many
// segments of how many are done.
func (s *Store) Backup(ctx context.Context, dir string, progress func(done, total int)) (BackupReport, error) {
	s.tend.Lock() // no segment is replaced or dropped meanwhile
	defer s.tend.Unlock()
	b := &backup{s: s, dir: dir}
	if err := b.run(ctx, progress); err != nil {
		return b.report, fmt.Errorf("back up to %s: %w", dir, err)
	}
	return b.report, nil
}

type backup struct {
	s      *Store
	dir    string
	report BackupReport
}

func (b *backup) run(ctx context.Context, progress func(done, total int)) (err error) {
	if err := os.MkdirAll(filepath.Join(b.dir, journalFolder), 0o700); err != nil {
		return err
	}
	lock, err := lockFolder(b.dir, false)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	if err := b.sameOrigin(); err != nil {
		return err
	}
	// The checkpoint comes first: it must not be ahead of the records.
	if err := b.beside(); err != nil {
		return err
	}
	b.s.mu.RLock()
	segments := slices.Clone(b.s.segments)
	b.s.mu.RUnlock()
	for i, g := range segments {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := b.segment(g); err != nil {
			return err
		}
		if progress != nil {
			progress(i+1, len(segments))
		}
	}
	if err := b.accountsOf(); err != nil {
		return err
	}
	if err := b.bolt(b.s.folder, folderFile); err != nil {
		return err
	}
	return b.prune(b.s.First())
}

// prune removes the segments that retention has dropped since the backup before:
// the tombstones that have just been copied speak for them.
func (b *backup) prune(first correlate.Seq) error {
	files, err := os.ReadDir(filepath.Join(b.dir, journalFolder))
	if err != nil {
		return err
	}
	for _, f := range files {
		seq, _, own := segmentName(f.Name())
		if own && seq < first {
			if err := os.Remove(filepath.Join(b.dir, journalFolder, f.Name())); err != nil {
				return err
			}
		}
	}
	return syncDir(filepath.Join(b.dir, journalFolder))
}

// sameOrigin refuses a target that is the data folder of something else.
func (b *backup) sameOrigin() error {
	path := filepath.Join(b.dir, folderFile)
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
		return nil
	}
	db, err := openBolt(path, true, 0)
	if err != nil {
		return err
	}
	var engine []byte
	err = guard(path, func() error {
		return db.View(func(tx *bbolt.Tx) error {
			if f := tx.Bucket([]byte(bucketFolder)); f != nil {
				engine = bytes.Clone(f.Get([]byte(keyEngine)))
			}
			return nil
		})
	})
	if err = errors.Join(err, db.Close()); err != nil {
		return err
	}
	if !bytes.Equal(engine, b.s.identity.EngineID) {
		return errors.New("another master's data is there")
	}
	return nil
}

// beside copies the plain files and the kept records.
func (b *backup) beside() error {
	b.s.checkpoint.Lock()
	defer b.s.checkpoint.Unlock()
	for _, name := range []string{checkpointFile, baseFile, keptFile} {
		f, err := os.Open(filepath.Join(b.s.dir, name))
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err != nil {
			return err
		}
		err = b.put(name, func(w io.Writer) (int64, error) { return io.Copy(w, f) })
		if err = errors.Join(err, f.Close()); err != nil {
			return err
		}
	}
	return nil
}

// put writes one file of the backup and counts its octets.
func (b *backup) put(name string, write func(io.Writer) (int64, error)) error {
	err := replaceFile(filepath.Join(b.dir, name), func(w io.Writer) error {
		n, err := write(w)
		b.report.Bytes += n
		return err
	})
	if err != nil {
		return fmt.Errorf("copy %s: %w", name, err)
	}
	return nil
}

// segment copies one segment with its look-up, unless it is there sealed.
func (b *backup) segment(g *segment) error {
	name := filepath.Join(journalFolder, filepath.Base(g.path))
	g.mu.RLock()
	defer g.mu.RUnlock()
	if g.sealed != nil && b.has(g, name) {
		b.report.Present++
		b.report.Last = g.sealed.Last
		return nil
	}
	if err := b.bolt(g.db, name); err != nil {
		return err
	}
	if g.look.db != nil {
		if err := b.bolt(g.look.db, filepath.Join(journalFolder, filepath.Base(g.look.path))); err != nil {
			return err
		}
	}
	b.report.Copied++
	b.s.mu.RLock()
	b.report.Last = g.last // or a little more, when it is being written
	b.s.mu.RUnlock()
	return nil
}

// has reports whether the backup holds the segment with the same chain hash.
func (b *backup) has(g *segment, name string) bool {
	path := filepath.Join(b.dir, name)
	if _, err := os.Stat(path); err != nil {
		return false
	}
	there := &segment{path: path, first: g.first}
	db, err := openBolt(path, true, 0)
	if err != nil {
		return false // and is replaced
	}
	there.db = db
	err = there.view(func(tx *bbolt.Tx) error { return b.s.readHead(there, tx) })
	if err = errors.Join(err, db.Close()); err != nil || there.sealed == nil {
		return false
	}
	return bytes.Equal(there.sealed.Chain, g.sealed.Chain)
}

// bolt copies a bbolt file as it is at one moment.
func (b *backup) bolt(db *bbolt.DB, name string) error {
	return guard(name, func() error {
		return db.View(func(tx *bbolt.Tx) error { return b.put(name, tx.WriteTo) })
	})
}

// Restore makes the data folder to from a backup. to must not be there, or be
// empty. The restored master keeps the SNMP engine ID; its boots are raised, so
// that agents that have seen later starts accept it.
func Restore(ctx context.Context, from, to string, opts Options, progress func(done, total int)) (BackupReport, error) {
	files, err := os.ReadDir(to)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return BackupReport{}, fmt.Errorf("restore to %s: %w", to, err)
	}
	if len(files) > 0 {
		return BackupReport{}, fmt.Errorf("restore to %s: the folder is not empty", to)
	}
	opts.ReadOnly = true
	s, err := Open(from, opts)
	if err != nil {
		return BackupReport{}, err
	}
	report, err := s.Backup(ctx, to, progress)
	if err = errors.Join(err, s.Close()); err != nil {
		return report, err
	}
	return report, errors.Join(raiseBoots(to, s.identity.Boots), dropSessions(to))
}

func raiseBoots(dir string, boots uint32) error {
	db, err := openBolt(filepath.Join(dir, folderFile), false, 0)
	if err != nil {
		return err
	}
	err = db.Update(func(tx *bbolt.Tx) error {
		return putBoots(tx.Bucket([]byte(bucketFolder)), boots, restoredBoots)
	})
	return errors.Join(err, db.Close())
}
