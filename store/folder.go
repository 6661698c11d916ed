package store

import (
	"crypto/rand"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"

	"go.etcd.io/bbolt"
	"golang.org/x/sys/unix"
)

const (
	folderFormat   = 1
	folderFile     = "folder.db"
	lockFile       = "lock"
	bucketFolder   = "folder"
	bucketSecrets  = "secrets"
	bucketDropped  = "dropped"
	keyCreated     = "created"
	keyEngine      = "engine"
	keyBoots       = "boots"
	keyBackedUp    = "backed-up"
	lockPatience   = 2 * time.Second // for a file whose holder is just ending
	enterpriseID   = 32473           // RFC 5612: for documentation
	engineOctets   = 12              // random octets in an engine ID
	engineIDFormat = 5               // RFC 3411 SnmpEngineID: octets, administratively assigned
)

// ControlFile is the name of the socket in the data folder at which a running
// daemon answers commands. The daemon makes it and removes it; to the store it
// is nothing but a name that belongs there.
const ControlFile = "control"

// Identity is what the master is to SNMP: its engine ID (RFC 3411,
// SnmpEngineID) and how often it has started with it (RFC 3414 section 2.2,
// snmpEngineBoots). Boots is raised durably by every Open that may write, so two
// runs never share a value; at 2^31-1 it stays, as RFC 3414 section 2.2.2 wants.
type Identity struct {
	EngineID []byte
	Boots    uint32
	Created  time.Time
}

// lockFolder takes the folder's lock: for itself alone, or shared for reading.
func lockFolder(dir string, readOnly bool) (*os.File, error) {
	path := filepath.Join(dir, lockFile)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	how := unix.LOCK_EX
	if readOnly {
		how = unix.LOCK_SH
		if err != nil {
			f, err = os.Open(path)
		}
	}
	if err != nil {
		return nil, fmt.Errorf("lock data folder: %w", err)
	}
	err = unix.Flock(int(f.Fd()), how|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return nil, errors.Join(holder(dir, f), f.Close())
	}
	if err == nil && !readOnly {
		host, _ := os.Hostname() // an empty host name is shown as such
		err = f.Truncate(0)
		if err == nil {
			_, err = f.WriteAt(fmt.Appendf(nil, "%d %s\n", os.Getpid(), host), 0)
		}
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("lock data folder: %w", err), f.Close())
	}
	return f, nil
}

// holder reads who has the lock.
func holder(dir string, f *os.File) *LockedError {
	e := &LockedError{Dir: dir}
	text := make([]byte, 300)
	n, err := f.ReadAt(text, 0)
	if n == 0 && err != nil {
		return e
	}
	if _, err := fmt.Sscanf(strings.TrimSpace(string(text[:n])), "%d %s", &e.PID, &e.Host); err != nil {
		return &LockedError{Dir: dir}
	}
	return e
}

// openFolder opens folder.db, made on first use, and counts the start.
func (s *Store) openFolder() error {
	db, err := openBolt(filepath.Join(s.dir, folderFile), s.opts.ReadOnly, 0)
	if err != nil {
		return err
	}
	s.folder = db
	if !s.opts.ReadOnly {
		if err := db.Update(s.countStart); err != nil {
			return fmt.Errorf("count the start: %w", err)
		}
	}
	return guard(db.Path(), func() error { return db.View(s.readFolder) })
}

func (s *Store) countStart(tx *bbolt.Tx) error {
	for _, name := range []string{bucketSecrets, bucketDropped} {
		if _, err := tx.CreateBucketIfNotExists([]byte(name)); err != nil {
			return err
		}
	}
	b := tx.Bucket([]byte(bucketFolder))
	if b == nil {
		return s.initFolder(tx)
	}
	if f := b.Get([]byte(keyFormat)); len(f) != 1 || f[0] != folderFormat {
		return ErrFormat
	}
	boots := b.Get([]byte(keyBoots))
	if len(boots) != 4 {
		return &DamageError{Path: folderFile, What: "the number of starts is missing"}
	}
	return putBoots(b, binary.BigEndian.Uint32(boots), 1)
}

// putBoots stores boots raised by add, up to the latch of RFC 3414.
func putBoots(b *bbolt.Bucket, boots, add uint32) error {
	return b.Put([]byte(keyBoots), binary.BigEndian.AppendUint32(nil, min(boots+add, math.MaxInt32)))
}

func (s *Store) initFolder(tx *bbolt.Tx) error {
	b, err := tx.CreateBucket([]byte(bucketFolder))
	if err != nil {
		return err
	}
	id := binary.BigEndian.AppendUint32(nil, 1<<31|enterpriseID)
	id = append(id, engineIDFormat)
	random := make([]byte, engineOctets)
	if _, err := rand.Read(random); err != nil {
		return err
	}
	return errors.Join(
		b.Put([]byte(keyFormat), []byte{folderFormat}),
		b.Put([]byte(keyCreated), binary.BigEndian.AppendUint64(nil, uint64(s.opts.Now().UnixNano()))),
		b.Put([]byte(keyEngine), append(id, random...)),
		putBoots(b, 0, 1),
	)
}

func (s *Store) readFolder(tx *bbolt.Tx) error {
	b := tx.Bucket([]byte(bucketFolder))
	if b == nil {
		return &DamageError{Path: s.folder.Path(), What: "it has no identity"}
	}
	if f := b.Get([]byte(keyFormat)); len(f) != 1 || f[0] != folderFormat {
		return ErrFormat
	}
	created, boots := b.Get([]byte(keyCreated)), b.Get([]byte(keyBoots))
	if len(created) != 8 || len(boots) != 4 {
		return &DamageError{Path: s.folder.Path(), What: "its identity is incomplete"}
	}
	s.identity = Identity{
		EngineID: append([]byte(nil), b.Get([]byte(keyEngine))...),
		Boots:    binary.BigEndian.Uint32(boots),
		Created:  time.Unix(0, int64(binary.BigEndian.Uint64(created))).UTC(),
	}
	return s.readTombstones(tx)
}

// Identity returns the master's SNMP identity.
func (s *Store) Identity() Identity {
	id := s.identity
	id.EngineID = append([]byte(nil), id.EngineID...)
	return id
}

// Secret returns the octets kept under name. When there are none yet, what
// make returns is kept and returned.
func (s *Store) Secret(name string, make func() []byte) ([]byte, error) {
	var out []byte
	read := func(tx *bbolt.Tx) error {
		if b := tx.Bucket([]byte(bucketSecrets)); b != nil {
			out = append(out, b.Get([]byte(name))...)
		}
		return nil
	}
	if err := guard(folderFile, func() error { return s.folder.View(read) }); err != nil || out != nil {
		return out, err
	}
	if s.opts.ReadOnly {
		return nil, fmt.Errorf("keep secret %q: %w", name, ErrReadOnly)
	}
	err := s.folder.Update(func(tx *bbolt.Tx) error {
		b := tx.Bucket([]byte(bucketSecrets))
		if out = append(out, b.Get([]byte(name))...); out != nil {
			return nil // another caller was first
		}
		out = make()
		return b.Put([]byte(name), out)
	})
	if err != nil {
		return nil, fmt.Errorf("keep secret %q: %w", name, err)
	}
	return out, nil
}
