package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"

	"go.etcd.io/bbolt"

	"example.net/standwatch/correlate"
)

// Problem is one thing that Verify found wrong.
type Problem struct {
	File string
	Seq  correlate.Seq // where it is; 0 for the file as a whole
	What string
}

// String says it in one line.
func (p Problem) String() string {
	if p.Seq == 0 {
		return p.File + ": " + p.What
	}
	return fmt.Sprintf("%s: record %d: %s", p.File, p.Seq, p.What)
}

// Report is what Verify found.
type Report struct {
	Records  uint64 // read and decoded
	Segments int
	Sealed   int  // of these, how many the chain proves
	Runs     int  // posting runs compared with their records
	Kept     int  // records kept of dropped segments, decoded
	Compared bool // a checkpoint was there and was compared with the fold
	Problems []Problem
}

// Good reports whether nothing was wrong.
func (r *Report) Good() bool { return len(r.Problems) == 0 }

// Verify reads the whole journal and checks that every record decodes and
// follows the one before, that the hash chain holds over sealed and dropped
// segments, that the posting runs say what the records say, and that the
// checkpoint is the fold of the records. progress, which may be nil, is told now
// and then how many records of how many are done. The error is for what kept it
// from checking, ctx's end included; what it found wrong is in the report.
func (s *Store) Verify(ctx context.Context, progress func(done, total uint64)) (Report, error) {
	s.tend.Lock() // no segment is replaced or dropped meanwhile
	defer s.tend.Unlock()
	v := &verifier{s: s, progress: progress, chain: make([]byte, sha256.Size)}
	s.checkpoint.Lock()
	snap, err := s.readSnapshot(checkpointFile)
	s.checkpoint.Unlock()
	var damage *DamageError
	switch {
	case err == nil && snap.Fold == correlate.FoldVersion:
		v.snap = snap
	case errors.As(err, &damage):
		v.fail(checkpointFile, 0, "%s", damage.What)
	}
	if v.st, err = s.base(); err != nil {
		v.fail(baseFile, 0, "the state before the oldest segment is missing: %v", err)
	}
	for _, t := range s.Tombstones() {
		v.chain = t.Chain
	}
	s.mu.RLock()
	segments := slices.Clone(s.segments)
	ends := make([]correlate.Seq, len(segments))
	for i, g := range segments {
		ends[i] = g.last
		v.total += uint64(g.last + 1 - g.first)
	}
	s.mu.RUnlock()
	for i, g := range segments {
		if err := v.segment(ctx, g, ends[i], i == len(segments)-1); err != nil {
			return v.report, err
		}
	}
	if err := s.viewKept(v.kept); err != nil {
		v.fail(keptFile, 0, "%v", err)
	}
	if v.snap != nil && v.st != nil && !v.report.Compared && v.snap.Seq != 0 {
		v.fail(checkpointFile, v.snap.Seq, "no record of that number is there to compare it with")
	}
	return v.report, nil
}

// maxProblems bounds the report; one broken page makes many.
const maxProblems = 1000

type verifier struct {
	s           *Store
	progress    func(done, total uint64)
	total, done uint64
	chain       []byte // hash before the next segment; nil where it is not known
	st          *correlate.State
	snap        *correlate.Snapshot
	report      Report
}

func (v *verifier) fail(file string, seq correlate.Seq, format string, args ...any) {
	if len(v.report.Problems) < maxProblems {
		v.report.Problems = append(v.report.Problems, Problem{file, seq, fmt.Sprintf(format, args...)})
	}
}

func (v *verifier) segment(ctx context.Context, g *segment, last correlate.Seq, newest bool) error {
	v.report.Segments++
	if prev, err := g.prev(); err != nil {
		v.fail(g.path, 0, "%v", err)
	} else if prev != nil && v.chain != nil && !bytes.Equal(prev, v.chain) {
		v.fail(g.path, 0, "its head does not name the chain hash of what came before")
	}
	chain := v.chain
	if chain == nil {
		chain = make([]byte, sha256.Size)
	}
	sum := newChainHash(chain)
	scan := &lookup{path: g.look.path}
	for from := g.first; from <= last; from += chunkRecords {
		if err := ctx.Err(); err != nil {
			return err
		}
		to := min(from+chunkRecords-1, last)
		err := g.view(func(tx *bbolt.Tx) error {
			return v.s.eachRaw(g, tx, from, to, func(seq correlate.Seq, rec []byte) error {
				sum.add(seq, rec)
				return v.record(g, scan, seq, rec)
			})
		})
		if err != nil {
			v.fail(g.path, from, "%v", err)
			v.st, v.chain = nil, nil
			return nil
		}
		v.done += uint64(to + 1 - from)
		if v.progress != nil {
			v.progress(v.done, v.total)
		}
	}
	v.closing(g, sum.sum.Sum(nil), last)
	return v.postings(g, scan, newest)
}

// kept checks the records that were kept of dropped segments.
func (v *verifier) kept(b *bbolt.Bucket) error {
	return b.ForEach(func(k, data []byte) error {
		r, err := v.s.codec.decode(data)
		if err == nil && !bytes.Equal(k, seqKey(r.Seq)) {
			err = fmt.Errorf("it says that it is record %d", r.Seq)
		}
		if err != nil {
			v.fail(keptFile, 0, "the record kept as %x: %v", k, err)
		}
		v.report.Kept++
		return nil
	})
}

// record checks one record and folds it.
func (v *verifier) record(g *segment, scan *lookup, seq correlate.Seq, rec []byte) error {
	v.report.Records++
	r, err := v.s.codec.decode(rec)
	if err != nil {
		return err
	}
	if r.Seq != seq {
		return fmt.Errorf("it says that it is record %d", r.Seq)
	}
	scan.add(r)
	if v.st == nil || seq <= v.st.Seq {
		return nil
	}
	v.st.Fold(r)
	if v.snap == nil || seq != v.snap.Seq {
		return nil
	}
	v.report.Compared = true
	same, err := v.s.sameState(v.st.Snapshot(), v.snap)
	if err == nil && !same {
		v.fail(checkpointFile, seq, "it is not the fold of the records up to it")
	}
	return err
}

// sameState compares two snapshots octet by octet as they are written.
func (s *Store) sameState(a, b *correlate.Snapshot) (bool, error) {
	x, err := s.codec.enc.Marshal(a)
	if err != nil {
		return false, err
	}
	y, err := s.codec.enc.Marshal(b)
	return bytes.Equal(x, y), err
}

// closing compares the segment's seal with what its records give.
func (v *verifier) closing(g *segment, sum []byte, last correlate.Seq) {
	g.mu.RLock()
	defer g.mu.RUnlock()
	if g.sealed == nil {
		v.chain = nil
		return
	}
	v.report.Sealed++
	if v.chain != nil && !bytes.Equal(sum, g.sealed.Chain) {
		v.fail(g.path, 0, "its records do not give the chain hash of its seal")
	}
	if g.sealed.Last != last {
		v.fail(g.path, 0, "its seal says that it ends at %d, but it ends at %d", g.sealed.Last, last)
	}
	v.chain = g.sealed.Chain
}

// postings compares the runs of a segment with those that a scan gives. Runs
// that are still growing are compared as far as the scan went.
func (v *verifier) postings(g *segment, scan *lookup, newest bool) error {
	for i, want := range scan.runs {
		v.s.mu.RLock()
		var have *run
		if i < len(g.look.runs) {
			have = g.look.runs[i]
		}
		v.s.mu.RUnlock()
		if have == nil || have.first != want.first {
			v.fail(g.look.path, want.first, "its posting run is missing")
			continue
		}
		v.report.Runs++
		growing := newest && want.spans.Records < runRecords
		if same, err := v.sameRun(g.look, have, want, growing); err != nil || !same {
			v.fail(g.look.path, want.first, "its posting run does not say what the records say (%v)", err)
		}
	}
	return nil
}

func (v *verifier) sameRun(l *lookup, have, want *run, growing bool) (bool, error) {
	v.s.mu.RLock()
	written, spans := have.terms == nil, have.spans
	same := true
	if !written {
		for t, list := range want.terms {
			got := have.terms[t]
			same = same && got != nil && len(*got) >= len(*list) && slices.Equal((*got)[:len(*list)], *list)
		}
		same = same && (growing || len(have.terms) == len(want.terms))
	}
	v.s.mu.RUnlock()
	if !growing {
		same = same && spans.Records == want.spans.Records && slices.Equal(spans.Min, want.spans.Min) && slices.Equal(spans.Max, want.spans.Max)
	}
	if !written || !same {
		return same, nil
	}
	return l.sameTerms(want)
}

// sameTerms compares a written run with another.
func (l *lookup) sameTerms(want *run) (same bool, err error) {
	err = guard(l.path, func() error {
		return l.db.View(func(tx *bbolt.Tx) error {
			b := tx.Bucket([]byte(bucketTerms))
			if b == nil {
				return nil
			}
			n := 0
			c := b.Cursor()
			for k, list := c.Seek(seqKey(want.first)); k != nil && binary.BigEndian.Uint64(k) == uint64(want.first); k, list = c.Next() {
				w := want.terms[string(k[8:])]
				if w == nil || !slices.Equal(unpackOffsets(list), *w) {
					return nil
				}
				n++
			}
			same = n == len(want.terms)
			return nil
		})
	})
	return same, err
}
