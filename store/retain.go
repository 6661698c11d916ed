package store

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"time"

	"go.etcd.io/bbolt"

	"example.net/standwatch/correlate"
)

const (
	keptFile   = "kept.db"
	bucketKept = "records"
)

// Tombstone says that a segment was dropped, and holds its place in the chain.
type Tombstone struct {
	First   correlate.Seq `cbor:"1,keyasint"`
	Last    correlate.Seq `cbor:"2,keyasint"`
	From    time.Time     `cbor:"3,keyasint"` // earliest and latest time of its records
	To      time.Time     `cbor:"4,keyasint"`
	Chain   []byte        `cbor:"5,keyasint"` // its chain hash
	Dropped time.Time     `cbor:"6,keyasint"`
	Why     string        `cbor:"7,keyasint"` // "age" or "size"
	Kept    int           `cbor:"8,keyasint"` // how many of its records were kept
}

// Policy says what of the journal may be dropped. Only whole sealed segments
// are, the oldest first, never the newest.
type Policy struct {
	// Before allows dropping a segment all of whose records are older. Zero: none.
	Before time.Time
	// MaxBytes allows dropping while the journal occupies more. 0: no bound.
	MaxBytes int64
	// Needs lists records that are kept whatever their age; see [Needs].
	Needs []correlate.Seq
	// Keep reports whether a record must be kept for another reason (a hold, a
	// legal period). Nil keeps none.
	Keep func(*correlate.Record) bool
}

// Needs lists the records that the alarms on the board rest on: the one that
// began the episode and those of the changes that are still shown.
func Needs(st *correlate.State) []correlate.Seq {
	var out []correlate.Seq
	for _, a := range st.Alarms {
		if !a.OnBoard() {
			continue
		}
		out = append(out, a.RaisedBy, a.LastSeq)
		for _, c := range a.StatusChanges {
			out = append(out, c.Seq)
		}
		for _, c := range a.OperatorChanges {
			out = append(out, c.Seq)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// Mentions reports whether a record is about an alarm for which is holds.
func Mentions(r *correlate.Record, is func(correlate.Key) bool) bool {
	found := false
	facts(r, func(f fact) { found = found || (!f.key.IsZero() && is(f.key)) })
	return found
}

// Retain drops what the policy allows and returns the tombstones of what it
// dropped. Records that the policy needs stay readable by Get and History, for
// as long as a policy needs them: what was kept before and is no longer needed
// goes now.
func (s *Store) Retain(ctx context.Context, p Policy) ([]Tombstone, error) {
	if s.opts.ReadOnly {
		return nil, ErrReadOnly
	}
	s.tend.Lock()
	defer s.tend.Unlock()
	if err := s.letGo(&p); err != nil {
		return nil, fmt.Errorf("let kept records go: %w", err)
	}
	var out []Tombstone
	for {
		if err := ctx.Err(); err != nil {
			return out, err
		}
		g, why, err := s.droppable(&p)
		if err != nil || g == nil {
			return out, err
		}
		t, err := s.drop(ctx, g, why, &p)
		if err != nil {
			return out, fmt.Errorf("drop segment %d: %w", g.first, err)
		}
		out = append(out, t)
	}
}

// droppable returns the oldest segment if it may go, and why.
func (s *Store) droppable(p *Policy) (*segment, string, error) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if len(s.segments) < 2 || !s.segments[0].isSealed() {
		return nil, "", nil
	}
	g := s.segments[0]
	if _, to := g.times(); !p.Before.IsZero() && to < p.Before.UnixNano() {
		return g, "age", nil
	}
	if p.MaxBytes <= 0 {
		return nil, "", nil
	}
	var total int64
	for _, g := range s.segments {
		for _, path := range []string{g.path, g.look.path} {
			info, err := os.Stat(path)
			if err != nil {
				return nil, "", fmt.Errorf("measure journal: %w", err)
			}
			total += allocated(info)
		}
	}
	if total > p.MaxBytes {
		return g, "size", nil
	}
	return nil, "", nil
}

// times returns the earliest and latest time of the segment's records. The
// caller holds Store.mu.
func (g *segment) times() (from, to int64) {
	from, to = math.MaxInt64, math.MinInt64
	for _, u := range g.look.runs {
		from, to = min(from, slices.Min(u.spans.Min)), max(to, slices.Max(u.spans.Max))
	}
	return from, to
}

// drop takes a segment out. The order makes every step repeatable: what must
// be kept, the state after it, the tombstone, and only then the files.
func (s *Store) drop(ctx context.Context, g *segment, why string, p *Policy) (Tombstone, error) {
	t := Tombstone{First: g.first, Last: g.sealed.Last, Chain: g.sealed.Chain, Dropped: s.opts.Now().UTC(), Why: why}
	s.mu.RLock()
	from, to := g.times()
	s.mu.RUnlock()
	t.From, t.To = time.Unix(0, from).UTC(), time.Unix(0, to).UTC()
	st, err := s.base()
	if err != nil {
		return t, err
	}
	kept, err := s.foldOut(ctx, g, st, p)
	if err != nil {
		return t, err
	}
	t.Kept = len(kept)
	if err := s.keep(kept); err != nil {
		return t, err
	}
	if err := s.writeSnapshot(baseFile, st.Snapshot()); err != nil {
		return t, err
	}
	if err := s.bury(t); err != nil {
		return t, err
	}
	s.mu.Lock()
	s.segments = slices.Delete(s.segments, 0, 1)
	s.tombstones = append(s.tombstones, t)
	s.mu.Unlock()
	return t, errors.Join(g.close(), s.unlink(g.first))
}

// foldOut folds the segment into st and returns the records to keep.
func (s *Store) foldOut(ctx context.Context, g *segment, st *correlate.State, p *Policy) ([]*correlate.Record, error) {
	var kept []*correlate.Record
	for from := g.first; from <= g.sealed.Last; from += chunkRecords {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		recs, err := s.chunk(g, from, g.sealed.Last)
		if err != nil {
			return nil, err
		}
		for _, r := range recs {
			if r.Seq > st.Seq {
				st.Fold(r)
			}
			if p.needs(r) {
				kept = append(kept, r)
			}
		}
	}
	return kept, nil
}

func (p *Policy) needs(r *correlate.Record) bool {
	_, needed := slices.BinarySearch(p.Needs, r.Seq)
	return needed || (p.Keep != nil && p.Keep(r))
}

// letGo removes the kept records that nothing needs any more.
func (s *Store) letGo(p *Policy) error {
	var gone [][]byte
	err := s.viewKept(func(b *bbolt.Bucket) error {
		return b.ForEach(func(k, v []byte) error {
			r, err := s.codec.decode(v)
			if err == nil && !p.needs(r) {
				gone = append(gone, slices.Clone(k))
			}
			return err
		})
	})
	if err != nil || len(gone) == 0 {
		return err
	}
	return s.updateKept(func(b *bbolt.Bucket) error {
		for _, k := range gone {
			if err := b.Delete(k); err != nil {
				return err
			}
		}
		return nil
	})
}

// updateKept runs fn in a commit on the kept records.
func (s *Store) updateKept(fn func(b *bbolt.Bucket) error) error {
	path := filepath.Join(s.dir, keptFile)
	db, err := openBolt(path, false, 0)
	if err != nil {
		return err
	}
	err = guard(path, func() error {
		return db.Update(func(tx *bbolt.Tx) error {
			b, err := tx.CreateBucketIfNotExists([]byte(bucketKept))
			if err != nil {
				return err
			}
			return fn(b)
		})
	})
	return errors.Join(err, db.Close())
}

func (s *Store) keep(recs []*correlate.Record) error {
	if len(recs) == 0 {
		return nil
	}
	return s.updateKept(func(b *bbolt.Bucket) error {
		for _, r := range recs {
			data, err := s.codec.encode(r)
			if err == nil {
				err = b.Put(seqKey(r.Seq), data)
			}
			if err != nil {
				return err
			}
		}
		return nil
	})
}

// viewKept runs fn on the kept records, if there are any.
func (s *Store) viewKept(fn func(b *bbolt.Bucket) error) error {
	path := filepath.Join(s.dir, keptFile)
	if _, err := os.Stat(path); err != nil {
		return nil // none were ever kept
	}
	db, err := openBolt(path, true, 0)
	if err != nil {
		return err
	}
	err = guard(path, func() error {
		return db.View(func(tx *bbolt.Tx) error {
			if b := tx.Bucket([]byte(bucketKept)); b != nil {
				return fn(b)
			}
			return nil
		})
	})
	return errors.Join(err, db.Close())
}

// kept returns a record of a dropped segment.
func (s *Store) kept(seq correlate.Seq) (*correlate.Record, error) {
	var r *correlate.Record
	err := s.viewKept(func(b *bbolt.Bucket) (err error) {
		if data := b.Get(seqKey(seq)); data != nil {
			r, err = s.codec.decode(data)
		}
		return err
	})
	if err == nil && r == nil {
		err = ErrNotFound
	}
	if err != nil {
		return nil, fmt.Errorf("get record %d: %w", seq, err)
	}
	return r, nil
}

// gatherKept appends the kept records that match to the page, newest first.
func (s *Store) gatherKept(q *Query, page *Page) error {
	s.mu.RLock()
	dropped := len(s.tombstones) > 0
	s.mu.RUnlock()
	if !dropped {
		return nil
	}
	first := s.First()
	return s.viewKept(func(b *bbolt.Bucket) error {
		c := b.Cursor()
		for k, v := c.Last(); k != nil; k, v = c.Prev() {
			r, err := s.codec.decode(v)
			if err != nil {
				return err
			}
			if r.Seq >= q.Before || r.Seq >= first || !q.Matches(r) {
				continue
			}
			page.Records = append(page.Records, r)
			if len(page.Records) == q.Limit {
				page.Next = r.Seq
				return nil
			}
		}
		return nil
	})
}

// bury writes a tombstone.
func (s *Store) bury(t Tombstone) error {
	data, err := s.codec.enc.Marshal(&t)
	if err != nil {
		return err
	}
	return s.folder.Update(func(tx *bbolt.Tx) error {
		return tx.Bucket([]byte(bucketDropped)).Put(seqKey(t.First), data)
	})
}

func (s *Store) readTombstones(tx *bbolt.Tx) error {
	b := tx.Bucket([]byte(bucketDropped))
	if b == nil {
		return nil
	}
	return b.ForEach(func(_, v []byte) error {
		var t Tombstone
		if err := s.codec.dec.Unmarshal(v, &t); err != nil {
			return &DamageError{Path: folderFile, What: "a tombstone cannot be read: " + err.Error()}
		}
		s.tombstones = append(s.tombstones, t)
		return nil
	})
}

// Tombstones lists the segments that were dropped, oldest first.
func (s *Store) Tombstones() []Tombstone {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return slices.Clone(s.tombstones)
}

// finishDrops removes the files of segments that have a tombstone and returns
// the others.
func (s *Store) finishDrops(firsts []correlate.Seq) ([]correlate.Seq, error) {
	var out []correlate.Seq
	for _, first := range firsts {
		dead := slices.ContainsFunc(s.tombstones, func(t Tombstone) bool { return t.First == first })
		if !dead {
			out = append(out, first)
			continue
		}
		if s.opts.ReadOnly {
			continue
		}
		if err := s.unlink(first); err != nil {
			return nil, err
		}
	}
	if n := len(s.tombstones); n > 0 {
		s.last = s.tombstones[n-1].Last
	}
	return out, nil
}

func (s *Store) unlink(first correlate.Seq) error {
	return errors.Join(
		removeIfThere(segmentPath(s.dir, first, journalExt)),
		removeIfThere(segmentPath(s.dir, first, lookupExt)),
		syncDir(filepath.Join(s.dir, journalFolder)),
	)
}
