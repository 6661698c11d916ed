package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"sync"

	"github.com/klauspost/compress/zstd"
	"go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"

	"example.net/standwatch/correlate"
)

const (
	journalFolder = "journal"
	journalExt    = ".journal"
	lookupExt     = ".lookup"
	freshExt      = ".fresh" // being made; removed at the next Open
	segmentFormat = 1
	keyFormat     = "format"
	keyFirst      = "first"
	keyPrev       = "prev"
	keySealed     = "sealed"
	bucketHead    = "head"
	bucketRecords = "records"
)

// sealInfo is what a sealed segment says about itself.
type sealInfo struct {
	Last  correlate.Seq `cbor:"1,keyasint"`
	Chain []byte        `cbor:"2,keyasint"`
	Bytes uint64        `cbor:"3,keyasint"` // of all records before compression
}

// segment is one file of the journal.
type segment struct {
	path  string
	first correlate.Seq
	look  *lookup

	mu     sync.RWMutex // guards db and sealed
	db     *bbolt.DB
	sealed *sealInfo

	// Guarded by Store.mu.
	last  correlate.Seq // first-1 while empty
	begun int64         // UnixNano of the first record
	bytes int64         // of records appended since it was opened, plus the file then
}

func seqKey(seq correlate.Seq) []byte { return binary.BigEndian.AppendUint64(nil, uint64(seq)) }

func segmentPath(dir string, first correlate.Seq, ext string) string {
	return filepath.Join(dir, journalFolder, fmt.Sprintf("%020d%s", first, ext))
}

// guard runs fn, which reads a mapped file, and turns the panics and memory
// faults that damage in the file causes into a DamageError.
func guard(path string, fn func() error) (err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if p := recover(); p != nil {
			err = &DamageError{Path: path, What: fmt.Sprint(p)}
		}
	}()
	return fn()
}

// openBolt opens a bbolt file, which is made if it is not there. mapped is the
// address space to reserve, so that growing does not have to wait for readers.
func openBolt(path string, readOnly bool, mapped int) (*bbolt.DB, error) {
	info, err := os.Stat(path)
	switch {
	case readOnly && err == nil && info.Size() == 0:
		return nil, &DamageError{Path: path, What: "it is empty"} // which the library would begin anew
	case err == nil && info.Size() > 0 && info.Size() < 2*int64(os.Getpagesize()):
		return nil, &DamageError{Path: path, What: "it is cut short"} // to less than its two first pages
	case !readOnly && errors.Is(err, os.ErrNotExist) && filepath.Ext(path) != freshExt:
		if err := makeBolt(path); err != nil {
			return nil, fmt.Errorf("make %s: %w", path, err)
		}
	}
	return openMade(path, readOnly, mapped)
}

// makeBolt makes an empty bbolt file that appears under its name only when it is
// whole: a full disk or a loss of power must not leave half of one.
func makeBolt(path string) error {
	if err := removeIfThere(path + freshExt); err != nil {
		return err
	}
	db, err := openMade(path+freshExt, false, 0)
	if err == nil {
		err = db.Close()
	}
	if err == nil {
		err = os.Rename(path+freshExt, path)
	}
	if err == nil {
		return syncDir(filepath.Dir(path))
	}
	return errors.Join(err, removeIfThere(path+freshExt))
}

func openMade(path string, readOnly bool, mapped int) (*bbolt.DB, error) {
	var db *bbolt.DB
	err := guard(path, func() (err error) {
		db, err = bbolt.Open(path, 0o600, &bbolt.Options{
			Timeout: lockPatience, FreelistType: bbolt.FreelistMapType, InitialMmapSize: mapped, ReadOnly: readOnly,
		})
		return err
	})
	switch {
	case errors.Is(err, bolterrors.ErrInvalid), errors.Is(err, bolterrors.ErrChecksum), errors.Is(err, bolterrors.ErrVersionMismatch):
		return nil, &DamageError{Path: path, What: err.Error()}
	case err != nil:
		return nil, fmt.Errorf("open %s: %w", path, err)
	}
	return db, nil
}

// createSegment makes an empty segment. It appears under its name only when it
// is whole.
func (s *Store) createSegment(first correlate.Seq, prev []byte) (*segment, error) {
	path := segmentPath(s.dir, first, journalExt)
	if err := os.Remove(path + freshExt); err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("create segment %d: %w", first, err)
	}
	db, err := openBolt(path+freshExt, false, s.mapped())
	if err != nil {
		return nil, fmt.Errorf("create segment %d: %w", first, err)
	}
	err = db.Update(func(tx *bbolt.Tx) error { return initSegment(tx, first, prev) })
	if err = errors.Join(err, db.Close()); err == nil {
		err = os.Rename(path+freshExt, path)
	}
	if err == nil {
		err = syncDir(filepath.Dir(path))
	}
	if err != nil {
		return nil, fmt.Errorf("create segment %d: %w", first, err)
	}
	return s.openSegment(first)
}

func initSegment(tx *bbolt.Tx, first correlate.Seq, prev []byte) error {
	head, err := tx.CreateBucketIfNotExists([]byte(bucketHead))
	if err != nil {
		return err
	}
	if _, err := tx.CreateBucketIfNotExists([]byte(bucketRecords)); err != nil {
		return err
	}
	if err := head.Put([]byte(keyFormat), []byte{segmentFormat}); err != nil {
		return err
	}
	if err := head.Put([]byte(keyFirst), seqKey(first)); err != nil {
		return err
	}
	if prev == nil {
		return nil
	}
	return head.Put([]byte(keyPrev), prev)
}

// openSegment opens an existing segment and reads how far it goes.
func (s *Store) openSegment(first correlate.Seq) (*segment, error) {
	g := &segment{path: segmentPath(s.dir, first, journalExt), first: first, last: first - 1}
	db, err := openBolt(g.path, s.opts.ReadOnly, s.mapped())
	if err != nil {
		return nil, err
	}
	g.db = db
	if err := g.view(func(tx *bbolt.Tx) error { return s.readHead(g, tx) }); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	if g.look, err = openLookup(segmentPath(s.dir, first, lookupExt), s.opts.ReadOnly); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return g, nil
}

func (s *Store) readHead(g *segment, tx *bbolt.Tx) error {
	head, records := tx.Bucket([]byte(bucketHead)), tx.Bucket([]byte(bucketRecords))
	if head == nil || records == nil {
		return &DamageError{Path: g.path, What: "it has no head"}
	}
	if f := head.Get([]byte(keyFormat)); len(f) != 1 || f[0] != segmentFormat {
		return fmt.Errorf("%s: %w", g.path, ErrFormat)
	}
	if f := head.Get([]byte(keyFirst)); len(f) != 8 || correlate.Seq(binary.BigEndian.Uint64(f)) != g.first {
		return &DamageError{Path: g.path, What: "its head names another first record than its file name"}
	}
	if v := head.Get([]byte(keySealed)); v != nil {
		g.sealed = new(sealInfo)
		if err := s.codec.dec.Unmarshal(v, g.sealed); err != nil {
			return &DamageError{Path: g.path, What: "its seal cannot be read: " + err.Error()}
		}
	}
	g.bytes = tx.Size()
	c := records.Cursor()
	k, v := c.Last()
	if k == nil {
		return nil
	}
	last, err := s.blockAt(g, k, v)
	if err != nil {
		return err
	}
	g.last = last.last()
	k, v = c.First()
	block, err := s.blockAt(g, k, v)
	if err != nil {
		return err
	}
	r, err := s.codec.decode(block.record(0))
	if err != nil {
		return &DamageError{Path: g.path, What: err.Error()}
	}
	g.begun = r.At.UnixNano()
	return nil
}

// view runs fn in a short read transaction.
func (g *segment) view(fn func(tx *bbolt.Tx) error) error {
	g.mu.RLock()
	defer g.mu.RUnlock()
	return guard(g.path, func() error { return g.db.View(fn) })
}

// isSealed reports whether the segment is complete and closed in the chain.
func (g *segment) isSealed() bool {
	g.mu.RLock()
	defer g.mu.RUnlock()
	return g.sealed != nil
}

func (s *Store) blockAt(g *segment, k, v []byte) (*blockView, error) {
	if len(k) != 8 {
		return nil, &DamageError{Path: g.path, What: "a record key is not 8 octets long"}
	}
	b, err := parseBlock(s.unzip, correlate.Seq(binary.BigEndian.Uint64(k)), v)
	if err != nil {
		return nil, &DamageError{Path: g.path, What: err.Error()}
	}
	return b, nil
}

// blocks reads a segment's blocks within one transaction.
type blocks struct {
	s      *Store
	g      *segment
	cursor *bbolt.Cursor
	now    *blockView
}

func (s *Store) blocks(g *segment, tx *bbolt.Tx) *blocks {
	return &blocks{s: s, g: g, cursor: tx.Bucket([]byte(bucketRecords)).Cursor()}
}

// record returns the octets of one record, valid within the transaction, or
// nil when the segment does not hold it.
func (b *blocks) record(seq correlate.Seq) ([]byte, error) {
	if b.now == nil || seq < b.now.first || seq > b.now.last() {
		if err := b.seek(seq); err != nil || b.now == nil {
			return nil, err
		}
	}
	if seq > b.now.last() {
		return nil, nil
	}
	return b.now.record(int(seq - b.now.first)), nil
}

// seek makes the block current that begins at or before seq, or none.
func (b *blocks) seek(seq correlate.Seq) error {
	b.now = nil
	want := seqKey(seq)
	k, v := b.cursor.Seek(want)
	switch {
	case k == nil:
		k, v = b.cursor.Last()
	case string(k) != string(want):
		k, v = b.cursor.Prev()
	}
	if k == nil {
		return nil
	}
	var err error
	b.now, err = b.s.blockAt(b.g, k, v)
	return err
}

// put writes records into the segment in one durable commit. clean says that a
// commit before failed, so that part of it may be there after all.
func (g *segment) put(first correlate.Seq, records [][]byte, clean bool) error {
	return guard(g.path, func() error {
		return g.db.Update(func(tx *bbolt.Tx) error {
			b := tx.Bucket([]byte(bucketRecords))
			b.FillPercent = 1 // keys only ever grow
			if clean {
				if err := cutFrom(b, first); err != nil {
					return err
				}
			}
			return putBlocks(b, first, records)
		})
	})
}

func putBlocks(b *bbolt.Bucket, first correlate.Seq, records [][]byte) error {
	var block blockBuilder
	for i, rec := range records {
		block.add(first+correlate.Seq(i), rec)
		if i == len(records)-1 || block.full(plainBlockRecords, plainBlockBytes) {
			if err := b.Put(seqKey(block.first), block.take()); err != nil {
				return err
			}
		}
	}
	return nil
}

// probeBytes is enough that a full disk cannot take it in pages it has.
const probeBytes = 256 << 10

// probe writes something of a batch's size and takes it away again.
func (g *segment) probe() error {
	key := []byte("probe")
	step := func(fn func(b *bbolt.Bucket) error) error {
		return guard(g.path, func() error {
			return g.db.Update(func(tx *bbolt.Tx) error { return fn(tx.Bucket([]byte(bucketHead))) })
		})
	}
	if err := step(func(b *bbolt.Bucket) error { return b.Put(key, make([]byte, probeBytes)) }); err != nil {
		return err
	}
	return step(func(b *bbolt.Bucket) error { return b.Delete(key) })
}

// cutFrom removes every block that begins at or after seq.
func cutFrom(b *bbolt.Bucket, seq correlate.Seq) error {
	var doomed [][]byte
	c := b.Cursor()
	for k, _ := c.Seek(seqKey(seq)); k != nil; k, _ = c.Next() {
		doomed = append(doomed, append([]byte(nil), k...))
	}
	for _, k := range doomed {
		if err := b.Delete(k); err != nil {
			return err
		}
	}
	return nil
}

func (g *segment) close() error {
	g.mu.Lock()
	defer g.mu.Unlock()
	return errors.Join(g.db.Close(), g.look.close())
}

// syncDir makes renames and removals in a folder durable.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

func newZstd() (*zstd.Encoder, *zstd.Decoder, error) {
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithEncoderLevel(zstd.SpeedDefault))
	if err != nil {
		return nil, nil, fmt.Errorf("set up compression: %w", err)
	}
	dec, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(2), zstd.WithDecoderMaxMemory(maxBlockBytes))
	if err != nil {
		return nil, nil, fmt.Errorf("set up decompression: %w", err)
	}
	return enc, dec, nil
}
