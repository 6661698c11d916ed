package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"os"
	"path/filepath"
	"time"

	"go.etcd.io/bbolt"

	"example.net/standwatch/correlate"
)

// tendAgain is how long upkeep waits after it could not do its work.
const tendAgain = 15 * time.Second

// Tend does the upkeep until ctx ends: it writes complete posting runs, and
// seals full segments. Nothing is lost when it does not run, or ends in the
// middle: the next start goes on where it was. Reading and appending go on
// meanwhile. It must not run twice at a time.
func (s *Store) Tend(ctx context.Context) error {
	for {
		var again <-chan time.Time
		err := s.tendOnce(ctx)
		s.mu.Lock()
		s.upkeep = err
		s.mu.Unlock()
		if err != nil && ctx.Err() == nil {
			s.opts.Log.Error().Err(err).Msg("upkeep of the journal will be tried again")
			again = time.After(tendAgain)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-s.work:
		case <-again:
		}
	}
}

// Upkeep returns why [Store.Tend] could not do its last work, or nil.
func (s *Store) Upkeep() error {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.upkeep
}

// Tended reports whether [Store.Tend] has nothing left to do: every segment but
// the newest is sealed.
func (s *Store) Tended() bool {
	s.mu.RLock()
	defer s.mu.RUnlock()
	for _, g := range s.segments[:max(len(s.segments)-1, 0)] {
		if !g.isSealed() {
			return false
		}
	}
	return true
}

func (s *Store) tendOnce(ctx context.Context) error {
	s.tend.Lock()
	defer s.tend.Unlock()
	if s.opts.ReadOnly {
		return nil
	}
	if err := s.writeRuns(ctx); err != nil {
		return err
	}
	return s.sealFull(ctx)
}

// settledRun is a run that nothing is added to any more.
type settledRun struct {
	look *lookup
	u    *run
}

func (s *Store) settledRuns() []settledRun {
	s.mu.RLock()
	defer s.mu.RUnlock()
	var out []settledRun
	for i, g := range s.segments {
		for _, u := range g.look.runs {
			if u.terms != nil && (u.spans.Records == runRecords || i < len(s.segments)-1) {
				out = append(out, settledRun{g.look, u})
			}
		}
	}
	return out
}

func (s *Store) writeRuns(ctx context.Context) error {
	for _, r := range s.settledRuns() {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := r.look.write(s.codec, r.u); err != nil {
			return err
		}
		s.mu.Lock()
		r.u.terms = nil
		s.mu.Unlock()
	}
	return nil
}

// sealFull seals every segment but the newest, oldest first, and hands each
// one's chain hash to the next.
func (s *Store) sealFull(ctx context.Context) error {
	s.mu.RLock()
	segments := append([]*segment(nil), s.segments...)
	s.mu.RUnlock()
	chain := s.chainBefore()
	for i, g := range segments {
		if err := g.setPrev(chain); err != nil {
			return fmt.Errorf("link segment %d: %w", g.first, err)
		}
		if i == len(segments)-1 {
			return nil
		}
		if !g.isSealed() {
			if err := s.seal(ctx, g, chain); err != nil {
				return fmt.Errorf("seal segment %d: %w", g.first, err)
			}
		}
		chain = g.sealed.Chain
	}
	return nil
}

// chainBefore returns the chain hash before the oldest segment.
func (s *Store) chainBefore() []byte {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if n := len(s.tombstones); n > 0 {
		return s.tombstones[n-1].Chain
	}
	return make([]byte, sha256.Size)
}

// prev returns the chain hash that the segment's head names, or nil.
func (g *segment) prev() ([]byte, error) {
	var out []byte
	err := g.view(func(tx *bbolt.Tx) error {
		out = bytes.Clone(tx.Bucket([]byte(bucketHead)).Get([]byte(keyPrev)))
		return nil
	})
	return out, err
}

// setPrev puts the chain hash into the head, unless it is there.
func (g *segment) setPrev(chain []byte) error {
	have, err := g.prev()
	if err != nil {
		return err
	}
	if have != nil {
		if !bytes.Equal(have, chain) {
			return &DamageError{Path: g.path, What: "its head does not name the hash of the segment before it"}
		}
		return nil
	}
	return guard(g.path, func() error {
		return g.db.Update(func(tx *bbolt.Tx) error {
			return tx.Bucket([]byte(bucketHead)).Put([]byte(keyPrev), chain)
		})
	})
}

// chainHash computes the chain hash of a segment record by record.
type chainHash struct{ sum hash.Hash }

func newChainHash(before []byte) chainHash {
	h := chainHash{sha256.New()}
	h.sum.Write(before)
	return h
}

func (h chainHash) add(seq correlate.Seq, rec []byte) {
	var head [16]byte
	binary.BigEndian.PutUint64(head[:8], uint64(seq))
	binary.BigEndian.PutUint64(head[8:], uint64(len(rec)))
	h.sum.Write(head[:])
	h.sum.Write(rec)
}

// seal rewrites a full segment compressed and closed, and puts it in place of
// the old one.
func (s *Store) seal(ctx context.Context, g *segment, before []byte) error {
	fresh := g.path + freshExt
	if err := os.Remove(fresh); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	info, err := s.writeSealed(ctx, g, before, fresh)
	if err != nil {
		return errors.Join(err, removeIfThere(fresh))
	}
	return s.swap(g, fresh, info)
}

func removeIfThere(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}

// writeSealed writes the sealed form of g to a file of its own and syncs it.
func (s *Store) writeSealed(ctx context.Context, g *segment, before []byte, path string) (*sealInfo, error) {
	db, err := openBolt(path, false, s.mapped())
	if err != nil {
		return nil, err
	}
	db.NoSync = true // one sync at the end; until then the file does not count
	if err = db.Update(func(tx *bbolt.Tx) error { return initSegment(tx, g.first, before) }); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	s.mu.RLock()
	w := &sealWriter{s: s, db: db, chain: newChainHash(before), info: sealInfo{Last: g.last}}
	s.mu.RUnlock()
	for from := g.first; from <= w.info.Last && err == nil; from += chunkRecords {
		if err = ctx.Err(); err == nil {
			to := min(from+chunkRecords-1, w.info.Last)
			err = g.view(func(tx *bbolt.Tx) error { return s.eachRaw(g, tx, from, to, w.add) })
		}
	}
	if err == nil {
		err = w.close()
	}
	return &w.info, errors.Join(err, db.Close())
}

// sealWriter packs records into compressed blocks.
type sealWriter struct {
	s      *Store
	db     *bbolt.DB
	chain  chainHash
	info   sealInfo
	block  blockBuilder
	ready  [][2][]byte
	queued int
}

// sealCommit is how many octets of blocks go into one transaction.
const sealCommit = 8 << 20

func (w *sealWriter) add(seq correlate.Seq, rec []byte) error {
	w.chain.add(seq, rec)
	w.info.Bytes += uint64(len(rec))
	w.block.add(seq, rec)
	if seq < w.info.Last && !w.block.full(sealedBlockRecords, sealedBlockBytes) {
		return nil
	}
	first := w.block.first
	packed := compress(w.s.zip, w.block.take())
	w.ready = append(w.ready, [2][]byte{seqKey(first), packed})
	if w.queued += len(packed); w.queued < sealCommit {
		return nil
	}
	return w.flush()
}

func (w *sealWriter) flush() error {
	err := w.db.Update(func(tx *bbolt.Tx) error {
		b := tx.Bucket([]byte(bucketRecords))
		b.FillPercent = 1
		for _, kv := range w.ready {
			if err := b.Put(kv[0], kv[1]); err != nil {
				return err
			}
		}
		return nil
	})
	w.ready, w.queued = w.ready[:0], 0
	return err
}

func (w *sealWriter) close() error {
	if err := w.flush(); err != nil {
		return err
	}
	w.info.Chain = w.chain.sum.Sum(nil)
	seal, err := w.s.codec.enc.Marshal(&w.info)
	if err != nil {
		return err
	}
	err = w.db.Update(func(tx *bbolt.Tx) error { return tx.Bucket([]byte(bucketHead)).Put([]byte(keySealed), seal) })
	if err != nil {
		return err
	}
	return w.db.Sync()
}

// swap puts the sealed file in place. Readers wait only for the exchange.
func (s *Store) swap(g *segment, fresh string, info *sealInfo) error {
	if err := os.Rename(fresh, g.path); err != nil {
		return errors.Join(err, removeIfThere(fresh))
	}
	if err := syncDir(filepath.Dir(g.path)); err != nil {
		return err
	}
	db, err := openBolt(g.path, false, 0)
	if err != nil {
		return err
	}
	g.mu.Lock()
	old := g.db
	g.db, g.sealed = db, info
	g.mu.Unlock()
	return old.Close()
}
