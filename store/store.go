package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/klauspost/compress/zstd"
	"github.com/rs/zerolog"
	"go.etcd.io/bbolt"

	"example.net/standwatch/correlate"
)

// Options say how a store is opened. The zero value is a store that may write,
// with segments as [Open] describes.
type Options struct {
	// ReadOnly opens without writing anything: no lock against other readers,
	// no start counted, nothing rebuilt on disk.
	ReadOnly bool
	// Now tells the wall clock; nil means time.Now.
	Now func() time.Time
	Log zerolog.Logger
	// A segment is full at SegmentRecords records (0: 2^20), SegmentBytes
	// octets (0: 1 GiB), or when its first record is SegmentSpan old (0: 31 days).
	SegmentRecords int
	SegmentBytes   int64
	SegmentSpan    time.Duration
}

func (o *Options) fill() {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.SegmentRecords <= 0 {
		o.SegmentRecords = 1 << 20
	}
	if o.SegmentBytes <= 0 {
		o.SegmentBytes = 1 << 30
	}
	if o.SegmentSpan <= 0 {
		o.SegmentSpan = 31 * 24 * time.Hour
	}
}

// Store is an open data folder.
type Store struct {
	dir      string
	opts     Options
	codec    *codec
	zip      *zstd.Encoder // Tend's only
	unzip    *zstd.Decoder
	lock     *os.File
	folder   *bbolt.DB
	identity Identity
	notes    []string
	work     chan struct{} // of 1: Tend has something to do

	write  sync.Mutex // held by Append, and by Close
	batch  []byte     // guarded by write: memory for the octets of a batch, used again
	unsure bool       // guarded by write: the last commit failed and may be there in part
	closed bool       // guarded by write

	besideMu sync.Mutex // guards accounts
	accounts *bbolt.DB  // nil until somebody asks for it

	tend sync.Mutex // held while upkeep changes files: Tend, Retain, Backup

	checkpoint   sync.Mutex // guards the checkpoint file and checkpointed
	checkpointed correlate.Seq

	mu         sync.RWMutex // guards segments, the runs of their look-up, last, tombstones, upkeep
	segments   []*segment   // oldest first; never empty while open for writing
	last       correlate.Seq
	tombstones []Tombstone
	upkeep     error // why Tend could not do its last work; nil when it could
}

// Open opens the data folder dir, which is made if it is not there. It returns
// an [ErrLocked] when another process has it, [ErrFormat] when this program
// does not know its format, and a [DamageError] when the journal has a hole or
// cannot be read where it has to be. What is missing but can be done without,
// and what does not belong there, is told by [Store.Notes].
func Open(dir string, opts Options) (*Store, error) {
	opts.fill()
	s := &Store{dir: dir, opts: opts, work: make(chan struct{}, 1)}
	var err error
	if s.codec, err = newCodec(); err != nil {
		return nil, err
	}
	if s.zip, s.unzip, err = newZstd(); err != nil {
		return nil, err
	}
	if !opts.ReadOnly {
		if err := makeFolder(dir); err != nil {
			return nil, fmt.Errorf("make data folder: %w", err)
		}
	}
	if s.lock, err = lockFolder(dir, opts.ReadOnly); err != nil {
		return nil, err
	}
	if err := s.open(); err != nil {
		return nil, errors.Join(fmt.Errorf("open data folder %s: %w", dir, err), s.release())
	}
	return s, nil
}

// makeFolder makes the data folder with the folder of the journal, durably.
func makeFolder(dir string) error {
	_, err := os.Stat(dir)
	if err := os.MkdirAll(filepath.Join(dir, journalFolder), 0o700); err != nil {
		return err
	}
	if errors.Is(err, os.ErrNotExist) {
		return syncDir(filepath.Dir(dir))
	}
	return nil
}

func (s *Store) open() error {
	if err := s.openFolder(); err != nil {
		return err
	}
	if !s.opts.ReadOnly {
		// Or the identity could be gone while records of it are there.
		if err := syncDir(s.dir); err != nil {
			return err
		}
	}
	firsts, err := s.survey()
	if err != nil {
		return err
	}
	if firsts, err = s.finishDrops(firsts); err != nil {
		return err
	}
	for i, first := range firsts {
		if err := s.join(first, i == len(firsts)-1); err != nil {
			return err
		}
	}
	if s.opts.ReadOnly {
		return nil
	}
	if len(s.segments) == 0 {
		g, err := s.createSegment(s.last+1, s.chainBefore())
		if err != nil {
			return err
		}
		s.segments = append(s.segments, g)
	}
	s.wakeTend()
	return nil
}

// survey lists the first sequence numbers of the segments that are there,
// removes what an interrupted creation left, and notes what is foreign.
func (s *Store) survey() ([]correlate.Seq, error) {
	var firsts []correlate.Seq
	own := []string{lockFile, ControlFile, folderFile, journalFolder, checkpointFile, baseFile, keptFile, accountsFile}
	top, err := os.ReadDir(s.dir)
	if err != nil {
		return nil, err
	}
	for _, f := range top {
		// What was being made when the process died is made again when it is needed.
		if !slices.Contains(own, strings.TrimSuffix(f.Name(), freshExt)) {
			s.note("%s does not belong to the data folder and is left alone", f.Name())
		}
	}
	files, err := os.ReadDir(filepath.Join(s.dir, journalFolder))
	if err != nil {
		return nil, err
	}
	for _, f := range files {
		name := f.Name()
		if strings.HasSuffix(name, freshExt) {
			if err := s.removeLeftover(name); err != nil {
				return nil, err
			}
			continue
		}
		first, ext, own := segmentName(name)
		switch {
		case !own || !f.Type().IsRegular():
			s.note("%s does not belong to the journal and is left alone", filepath.Join(journalFolder, name))
		case ext == journalExt:
			firsts = append(firsts, first)
		}
	}
	slices.Sort(firsts)
	return firsts, nil
}

// segmentName reads the name of a segment's file; own is false for any other.
func segmentName(name string) (first correlate.Seq, ext string, own bool) {
	digits, _, _ := strings.Cut(name, ".")
	ext = strings.TrimPrefix(name, digits)
	n, err := strconv.ParseUint(digits, 10, 64)
	own = err == nil && len(digits) == 20 && n > 0 && (ext == journalExt || ext == lookupExt)
	return correlate.Seq(n), ext, own
}

func (s *Store) removeLeftover(name string) error {
	if s.opts.ReadOnly {
		return nil
	}
	return os.Remove(filepath.Join(s.dir, journalFolder, name))
}

// join opens the segment that begins at first and puts it behind the others.
func (s *Store) join(first correlate.Seq, newest bool) error {
	if first != s.last+1 {
		return &DamageError{Path: segmentPath(s.dir, s.last+1, journalExt), What: fmt.Sprintf(
			"records %d to %d are missing: no file holds them", s.last+1, first-1)}
	}
	g, err := s.openSegment(first)
	if err != nil {
		return err
	}
	s.segments = append(s.segments, g)
	if g.last < first && !newest {
		return &DamageError{Path: g.path, What: "it is empty, and a later one is there"}
	}
	s.last = g.last
	return s.index(g)
}

// index loads the written runs of a segment and builds the others from its records.
func (s *Store) index(g *segment) error {
	if err := g.look.load(s.codec, g.first); err != nil {
		s.note("%s cannot be read and is built again: %v", g.look.path, err)
		g.look.runs = nil
	}
	for next := g.look.next(g.first); next <= g.last; {
		recs, err := s.chunk(g, next, g.last)
		if err != nil {
			return err
		}
		for _, r := range recs {
			g.look.add(r)
		}
		next += correlate.Seq(len(recs))
	}
	return nil
}

func (s *Store) note(format string, args ...any) {
	s.notes = append(s.notes, fmt.Sprintf(format, args...))
}

// Notes lists what Open found foreign or had to build again, in plain words.
func (s *Store) Notes() []string { return slices.Clone(s.notes) }

// Close ends the store. Nobody may use it any more. It returns the first error
// of closing the files; what Append acknowledged is durable all the same.
func (s *Store) Close() error {
	s.write.Lock()
	defer s.write.Unlock()
	if s.closed {
		return nil
	}
	s.closed = true
	if err := s.settle(); err != nil {
		s.opts.Log.Error().Err(err).Msg("a failed commit could not be taken back; its records may be there at the next start")
	}
	return s.release()
}

// Settle takes back what a failed commit may have left and tries, with a commit
// of its own, whether the disk takes commits again. It returns why not.
func (s *Store) Settle() error {
	s.write.Lock()
	defer s.write.Unlock()
	switch {
	case s.closed:
		return os.ErrClosed
	case s.opts.ReadOnly:
		return ErrReadOnly
	}
	if err := s.settle(); err != nil {
		return fmt.Errorf("take back a failed commit: %w", err)
	}
	if err := s.newest().probe(); err != nil {
		return fmt.Errorf("try a commit: %w", err)
	}
	return nil
}

// settle takes back what a failed commit may have left.
func (s *Store) settle() error {
	if !s.unsure {
		return nil
	}
	err := s.newest().put(s.last+1, nil, true)
	s.unsure = err != nil
	return err
}

func (s *Store) release() error {
	var errs []error
	for _, g := range s.segments {
		errs = append(errs, g.close())
	}
	if s.folder != nil {
		errs = append(errs, s.folder.Close())
	}
	errs = append(errs, s.closeBeside(), s.lock.Close())
	s.unzip.Close()
	return errors.Join(append(errs, s.zip.Close())...)
}

// mapped is the address space reserved for a segment that is written.
func (s *Store) mapped() int {
	if s.opts.ReadOnly {
		return 0
	}
	return int(s.opts.SegmentBytes + s.opts.SegmentBytes/2 + 64<<20)
}

// Append makes records durable in one commit. They must follow the last record
// without a gap, else it returns [ErrSequence], and must be writable, else
// [ErrRecord]. On an error nothing is appended
// and a later Append may try again with the same numbers; should the process
// die before that, the records may be found in the journal at the next start.
func (s *Store) Append(recs []*correlate.Record) error {
	s.write.Lock()
	defer s.write.Unlock()
	switch {
	case s.closed:
		return os.ErrClosed
	case s.opts.ReadOnly:
		return ErrReadOnly
	case len(recs) == 0:
		return nil
	}
	data := make([][]byte, len(recs))
	buf := s.batch[:0]
	for i, r := range recs {
		if r.Seq != s.last+1+correlate.Seq(i) {
			return fmt.Errorf("append record %d after %d: %w", r.Seq, s.last+correlate.Seq(i), ErrSequence)
		}
		begin := len(buf)
		var err error
		if buf, err = s.codec.appendRecord(buf, r); err != nil {
			return fmt.Errorf("%w: %w", ErrRecord, err)
		}
		data[i] = buf[begin:len(buf):len(buf)] // stays what it is when buf moves on
	}
	s.batch = buf
	if cap(buf) > batchKept {
		s.batch = nil
	}
	g, err := s.room(recs[0].At)
	if err != nil {
		return err
	}
	if err := g.put(recs[0].Seq, data, s.unsure); err != nil {
		s.unsure = true
		return fmt.Errorf("append %d records at %d: %w", len(recs), recs[0].Seq, err)
	}
	s.unsure = false
	s.publish(g, recs, int64(len(buf)))
	return nil
}

// batchKept bounds the memory that is kept from one batch to the next.
const batchKept = 8 << 20

// publish makes committed records visible to readers.
func (s *Store) publish(g *segment, recs []*correlate.Record, size int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if g.last < g.first {
		g.begun = recs[0].At.UnixNano()
	}
	runs := len(g.look.runs)
	for _, r := range recs {
		g.look.add(r)
	}
	g.bytes += size
	g.last = recs[len(recs)-1].Seq
	s.last = g.last
	if len(g.look.runs) > runs {
		s.wakeTend()
	}
}

// newest returns the segment that is written. Retention may be taking others
// out of the list at the same time.
func (s *Store) newest() *segment {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.segments[len(s.segments)-1]
}

// room returns the segment to append to, a new one when the newest is full.
func (s *Store) room(at time.Time) (*segment, error) {
	g := s.newest()
	n := int64(g.last) - int64(g.first) + 1
	if n < int64(s.opts.SegmentRecords) && g.bytes < s.opts.SegmentBytes && (n == 0 || at.UnixNano()-g.begun < int64(s.opts.SegmentSpan)) {
		return g, nil
	}
	if err := s.settle(); err != nil {
		return nil, fmt.Errorf("take back a failed commit: %w", err)
	}
	fresh, err := s.createSegment(s.last+1, nil)
	if err != nil {
		return nil, err
	}
	s.mu.Lock()
	s.segments = append(s.segments, fresh)
	s.mu.Unlock()
	s.wakeTend()
	return fresh, nil
}

func (s *Store) wakeTend() {
	select {
	case s.work <- struct{}{}:
	default:
	}
}

// Last returns the number of the newest record, 0 when there is none.
func (s *Store) Last() correlate.Seq {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.last
}

// First returns the number of the oldest record that is kept whole with all
// that follow; Last()+1 when there is none.
func (s *Store) First() correlate.Seq {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if len(s.segments) == 0 {
		return s.last + 1
	}
	return s.segments[0].first
}

// holding returns the segment that holds seq and the last record it holds; nil
// when no segment does.
func (s *Store) holding(seq correlate.Seq) (*segment, correlate.Seq) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if seq == 0 || seq > s.last {
		return nil, 0
	}
	i, found := slices.BinarySearchFunc(s.segments, seq, func(g *segment, seq correlate.Seq) int {
		switch {
		case seq < g.first:
			return 1
		case seq > g.last:
			return -1
		}
		return 0
	})
	if !found {
		return nil, 0
	}
	return s.segments[i], s.segments[i].last
}

// Get returns one record, or [ErrNotFound].
func (s *Store) Get(seq correlate.Seq) (*correlate.Record, error) {
	g, _ := s.holding(seq)
	if g == nil {
		return s.kept(seq)
	}
	var r *correlate.Record
	err := g.view(func(tx *bbolt.Tx) error {
		data, err := s.blocks(g, tx).record(seq)
		if err != nil {
			return err
		}
		if data == nil {
			return &DamageError{Path: g.path, What: fmt.Sprintf("record %d is missing", seq)}
		}
		r, err = s.codec.decode(data)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("get record %d: %w", seq, err)
	}
	return r, nil
}

// chunkRecords bounds how long one read transaction lasts.
const chunkRecords = 512

// chunk reads records from on, up to last, in one short transaction.
func (s *Store) chunk(g *segment, from, last correlate.Seq) ([]*correlate.Record, error) {
	return s.chunkAs(g, from, last, s.codec.decode)
}

func (s *Store) chunkAs(g *segment, from, last correlate.Seq, decode func([]byte) (*correlate.Record, error)) ([]*correlate.Record, error) {
	last = min(last, from+chunkRecords-1)
	recs := make([]*correlate.Record, 0, last-from+1)
	err := g.view(func(tx *bbolt.Tx) error {
		return s.eachRaw(g, tx, from, last, func(seq correlate.Seq, data []byte) error {
			r, err := decode(data)
			if err != nil {
				return &DamageError{Path: g.path, What: fmt.Sprintf("record %d: %v", seq, err)}
			}
			recs = append(recs, r)
			return nil
		})
	})
	if err != nil {
		return nil, fmt.Errorf("read records from %d: %w", from, err)
	}
	return recs, nil
}

// eachRaw calls fn for the octets of each record in [from, last].
func (s *Store) eachRaw(g *segment, tx *bbolt.Tx, from, last correlate.Seq, fn func(correlate.Seq, []byte) error) error {
	b := s.blocks(g, tx)
	for seq := from; seq <= last; seq++ {
		data, err := b.record(seq)
		if err == nil && data == nil {
			err = &DamageError{Path: g.path, What: fmt.Sprintf("record %d is missing", seq)}
		}
		if err == nil {
			err = fn(seq, data)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// Scan calls fn for every record from on, in order, up to the newest when it
// gets there. It holds no transaction or lock while fn runs, and stops at the
// first error, which it returns, or when ctx ends. A from before the oldest
// record starts there.
func (s *Store) Scan(ctx context.Context, from correlate.Seq, fn func(*correlate.Record) error) error {
	return s.scan(ctx, from, s.codec.decode, fn)
}

// ScanEvents is Scan without the inputs, which are nil: what was decided, several
// times as fast. Reports over many records want no more.
func (s *Store) ScanEvents(ctx context.Context, from correlate.Seq, fn func(*correlate.Record) error) error {
	return s.scan(ctx, from, s.codec.decodeEvents, fn)
}

// Since returns the number of a record from which on a scan meets every record
// of the time t or later, such as for a shift. It may lie up to 1,024 records
// early; where the clock was set back, further. Last()+1 when there is none.
func (s *Store) Since(t time.Time) correlate.Seq {
	s.mu.RLock()
	defer s.mu.RUnlock()
	for _, g := range s.segments {
		for _, u := range g.look.runs {
			for i, latest := range u.spans.Max {
				if latest >= t.UnixNano() {
					return u.first + correlate.Seq(i*spanRecords)
				}
			}
		}
	}
	return s.last + 1
}

func (s *Store) scan(ctx context.Context, from correlate.Seq, decode func([]byte) (*correlate.Record, error), fn func(*correlate.Record) error) error {
	for from = max(from, s.First()); ; {
		g, last := s.holding(from)
		if g == nil {
			return nil
		}
		recs, err := s.chunkAs(g, from, last, decode)
		if err != nil {
			return err
		}
		for _, r := range recs {
			if err := fn(r); err != nil {
				return err
			}
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		from += correlate.Seq(len(recs))
	}
}

// Usage is what the journal occupies.
type Usage struct {
	Records  uint64
	Segments int
	Bytes    int64 // of the whole data folder on disk
}

// Usage returns what the journal occupies.
func (s *Store) Usage() (Usage, error) {
	s.mu.RLock()
	u := Usage{Segments: len(s.segments)}
	if u.Segments > 0 {
		u.Records = uint64(s.last - s.segments[0].first + 1)
	}
	s.mu.RUnlock()
	err := filepath.WalkDir(s.dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() {
			return err
		}
		info, err := d.Info()
		if errors.Is(err, os.ErrNotExist) {
			return nil // replaced meanwhile
		}
		if err == nil {
			u.Bytes += allocated(info)
		}
		return err
	})
	if err != nil {
		return Usage{}, fmt.Errorf("measure data folder: %w", err)
	}
	return u, nil
}
