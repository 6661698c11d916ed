package store

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"time"

	"go.etcd.io/bbolt"

	"example.net/standwatch/correlate"
)

// BackupReport is what a backup did.
type BackupReport struct {
	Last    correlate.Seq // newest record that the backup surely has
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
	if s.opts.ReadOnly {
		return b.report, nil // NoteBackup is its caller's, who may close the folder first
	}
	if err := s.folder.Update(noteBackup(BackedUp{Last: b.report.Last, At: s.opts.Now()})); err != nil {
		return b.report, fmt.Errorf("the backup at %s is good, but it cannot be noted: %w", dir, err)
	}
	return b.report, nil
}

// BackedUp is what a data folder knows of its newest backup.
type BackedUp struct {
	Last correlate.Seq // newest record that the backup surely has
	At   time.Time     // when it was finished
}

func noteBackup(b BackedUp) func(tx *bbolt.Tx) error {
	value := binary.BigEndian.AppendUint64(nil, uint64(b.Last))
	value = binary.BigEndian.AppendUint64(value, uint64(b.At.UnixNano()))
	return func(tx *bbolt.Tx) error { return tx.Bucket([]byte(bucketFolder)).Put([]byte(keyBackedUp), value) }
}

// NoteBackup notes in a data folder that nobody has open that it was backed up,
// which a backup by a reader cannot do itself. It changes nothing else: no start
// is counted, and no file is made.
func NoteBackup(dir string, b BackedUp) (err error) {
	lock, err := lockFolder(dir, false)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	db, err := openBolt(filepath.Join(dir, folderFile), false, 0)
	if err != nil {
		return err
	}
	if err := errors.Join(db.Update(noteBackup(b)), db.Close()); err != nil {
		return fmt.Errorf("note the backup: %w", err)
	}
	return nil
}

// BackedUp returns what is known of the newest backup; known is false when none
// was ever made.
func (s *Store) BackedUp() (b BackedUp, known bool, err error) {
	err = guard(folderFile, func() error {
		return s.folder.View(func(tx *bbolt.Tx) error {
			v := tx.Bucket([]byte(bucketFolder)).Get([]byte(keyBackedUp))
			if known = len(v) == 16; known {
				b = BackedUp{Last: correlate.Seq(binary.BigEndian.Uint64(v)), At: time.Unix(0, int64(binary.BigEndian.Uint64(v[8:]))).UTC()}
			}
			return nil
		})
	})
	if err != nil {
		return BackedUp{}, false, fmt.Errorf("read when the folder was backed up: %w", err)
	}
	return b, known, nil
}

// Unsaved returns since when the journal has records that no backup has: the
// time of the oldest of them, or zero when there are none.
func (s *Store) Unsaved() (time.Time, error) {
	b, _, err := s.BackedUp()
	if err != nil {
		return time.Time{}, err
	}
	for seq := max(b.Last+1, s.First()); seq <= s.Last(); seq++ {
		r, err := s.Get(seq)
		if errors.Is(err, ErrNotFound) {
			continue // it was let go meanwhile
		}
		if err != nil {
			return time.Time{}, err
		}
		return r.At, nil
	}
	return time.Time{}, nil
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
	// Before it is copied: what comes meanwhile may be in the copy or not.
	b.s.mu.RLock()
	last := g.last
	b.s.mu.RUnlock()
	if err := b.bolt(g.db, name); err != nil {
		return err
	}
	if g.look.db != nil {
		if err := b.bolt(g.look.db, filepath.Join(journalFolder, filepath.Base(g.look.path))); err != nil {
			return err
		}
	}
	b.report.Copied++
	b.report.Last = last
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
