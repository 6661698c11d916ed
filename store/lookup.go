package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"math"
	"os"
	"slices"

	"go.etcd.io/bbolt"

	"example.net/standwatch/correlate"
)

const (
	runRecords  = 1 << 16 // offsets in a run fit in 16 bits
	spanRecords = 1 << 10
	maxTerm     = 512
	bucketSpans = "spans"
	bucketTerms = "terms"
)

// fact is one thing that a record says, as far as history can be asked for it.
type fact struct {
	key      correlate.Key
	severity correlate.Severity
	kind     correlate.EventKind // 0 for what was observed rather than decided
}

// facts calls fn for everything a record says.
func facts(r *correlate.Record, fn func(fact)) {
	for _, ev := range r.Events {
		fn(fact{ev.Subject(), severityOf(ev), ev.Kind()})
		for _, s := range scopesOf(ev) {
			fn(fact{key: correlate.Key{Site: s.Site, Point: s.Point, Instance: s.Instance}})
		}
	}
	switch in := r.Input.(type) {
	case *correlate.Arrival:
		for i := range in.Observations {
			fn(fact{key: in.Observations[i].Key, severity: in.Observations[i].Severity})
		}
	case *correlate.Notice:
		for i := range in.Observations {
			fn(fact{key: in.Observations[i].Key, severity: in.Observations[i].Severity})
		}
	case *correlate.Act:
		fn(fact{key: in.Key})
	}
}

// scopesOf lists what a silence covers, so that the history of a site and of a
// point has the silences over it.
func scopesOf(ev correlate.Event) []correlate.Scope {
	switch e := ev.(type) {
	case *correlate.SilenceSet:
		return e.Silence.Scopes
	case *correlate.SilenceBegan:
		return e.Silence.Scopes
	case *correlate.SilenceEnded:
		return e.Scopes
	}
	return nil
}

func severityOf(ev correlate.Event) correlate.Severity {
	switch e := ev.(type) {
	case *correlate.Raised:
		return e.Severity
	case *correlate.Changed:
		return e.Severity
	case *correlate.Occurred:
		return e.Severity
	case *correlate.Pending:
		return e.Severity
	case *correlate.AlarmCleared:
		return correlate.Cleared
	case *correlate.MessageQueued:
		return e.Message.Severity
	}
	return 0
}

// The letters that terms begin with.
const (
	termSite      = 's'
	termPoint     = 'p'
	termSitePoint = 'q'
	termKey       = 'k'
	termSeverity  = 'v'
	termKind      = 'e'
	termAgent     = 'a'
	termUnmatched = 'u'
	termRunAgain  = 'r'
)

func appendTerm(buf []byte, letter byte, parts ...string) []byte {
	buf = append(buf[:0], letter)
	for i, p := range parts {
		if i > 0 {
			buf = append(buf, 0)
		}
		buf = append(buf, p...)
	}
	return buf[:min(len(buf), maxTerm)]
}

func term(letter byte, parts ...string) string { return string(appendTerm(nil, letter, parts...)) }

func numberTerm(letter, number byte) string { return string([]byte{letter, number}) }

// run is the postings of up to runRecords consecutive records.
type run struct {
	first correlate.Seq
	spans runSpans
	terms map[string]*[]uint16 // nil once they are in the lookup file
}

// runSpans is what is kept in memory of a run that is written.
type runSpans struct {
	Records int     `cbor:"1,keyasint"`
	Min     []int64 `cbor:"2,keyasint"`
	Max     []int64 `cbor:"3,keyasint"`
}

// overlaps reports whether records of span i may lie in [from, to).
func (s *runSpans) overlaps(i int, from, to int64) bool { return s.Max[i] >= from && s.Min[i] < to }

func (s *runSpans) add(at int64) {
	if s.Records%spanRecords == 0 {
		s.Min, s.Max = append(s.Min, math.MaxInt64), append(s.Max, math.MinInt64)
	}
	i := len(s.Min) - 1
	s.Min[i], s.Max[i] = min(s.Min[i], at), max(s.Max[i], at)
	s.Records++
}

// add puts the next record into the run.
func (u *run) add(r *correlate.Record) {
	at := uint16(u.spans.Records)
	u.spans.add(r.At.UnixNano())
	var scratch [maxTerm]byte
	buf := scratch[:0]
	post := func(term []byte) {
		list := u.terms[string(term)]
		if list == nil {
			list = new([]uint16)
			u.terms[string(term)] = list
		}
		if n := len(*list); n == 0 || (*list)[n-1] != at {
			*list = append(*list, at)
		}
	}
	var before correlate.Key
	facts(r, func(f fact) {
		if f.key != before {
			before = f.key
			site, point := string(f.key.Site), string(f.key.Point)
			post(appendTerm(buf, termSite, site))
			post(appendTerm(buf, termPoint, point))
			post(appendTerm(buf, termSitePoint, site, point))
			if f.key.Instance != "" {
				post(appendTerm(buf, termKey, site, point, f.key.Instance))
			}
		}
		if f.severity != 0 {
			post(append(buf[:0], termSeverity, byte(f.severity)))
		}
		if f.kind != 0 {
			post(append(buf[:0], termKind, byte(f.kind)))
		}
	})
	if in, ok := r.Input.(*correlate.Arrival); ok {
		if in.Agent != "" {
			post(appendTerm(buf, termAgent, string(in.Agent)))
		}
		if in.Unmatched != "" {
			post(append(buf[:0], termUnmatched))
		}
		if in.RunAgain != 0 {
			post(append(buf[:0], termRunAgain))
		}
	}
}

// lookup is the posting runs of one segment. Runs are guarded by Store.mu.
type lookup struct {
	path string
	db   *bbolt.DB // nil when it is kept in memory only
	runs []*run
}

// openLookup opens a lookup file. One that cannot be read is begun anew: it
// follows from the journal.
func openLookup(path string, readOnly bool) (*lookup, error) {
	l := &lookup{path: path}
	if readOnly {
		if _, err := os.Stat(path); err != nil {
			return l, nil
		}
	}
	db, err := openBolt(path, readOnly, 0)
	var damage *DamageError
	if errors.As(err, &damage) {
		if readOnly {
			return l, nil
		}
		if err := os.Remove(path); err != nil {
			return nil, fmt.Errorf("begin lookup anew: %w", err)
		}
		db, err = openBolt(path, false, 0)
	}
	if err != nil {
		return nil, err
	}
	l.db = db
	return l, nil
}

func (l *lookup) close() error {
	if l.db == nil {
		return nil
	}
	return l.db.Close()
}

// load reads which runs are written. It keeps those that follow each other
// from first without a gap; the rest are built again.
func (l *lookup) load(c *codec, first correlate.Seq) error {
	if l.db == nil {
		return nil
	}
	return guard(l.path, func() error {
		return l.db.View(func(tx *bbolt.Tx) error {
			b := tx.Bucket([]byte(bucketSpans))
			if b == nil {
				return nil
			}
			return b.ForEach(func(k, v []byte) error {
				u := &run{}
				if len(k) != 8 || correlate.Seq(binary.BigEndian.Uint64(k)) != first {
					return nil
				}
				if err := c.dec.Unmarshal(v, &u.spans); err != nil {
					return nil
				}
				n := u.spans.Records
				if n <= 0 || n > runRecords || len(u.spans.Min) != (n+spanRecords-1)/spanRecords || len(u.spans.Max) != len(u.spans.Min) {
					return nil
				}
				u.first = first
				l.runs = append(l.runs, u)
				first += correlate.Seq(n)
				return nil
			})
		})
	})
}

// next returns the sequence number after the last indexed record.
func (l *lookup) next(first correlate.Seq) correlate.Seq {
	if len(l.runs) == 0 {
		return first
	}
	u := l.runs[len(l.runs)-1]
	return u.first + correlate.Seq(u.spans.Records)
}

// add indexes the next record.
func (l *lookup) add(r *correlate.Record) {
	if len(l.runs) == 0 || l.runs[len(l.runs)-1].spans.Records == runRecords {
		l.runs = append(l.runs, &run{first: r.Seq, terms: map[string]*[]uint16{}})
	}
	l.runs[len(l.runs)-1].add(r)
}

// write puts a complete run into the file.
func (l *lookup) write(c *codec, u *run) error {
	spans, err := c.enc.Marshal(&u.spans)
	if err != nil {
		return fmt.Errorf("write run %d: %w", u.first, err)
	}
	err = guard(l.path, func() error {
		return l.db.Update(func(tx *bbolt.Tx) error {
			terms, err := tx.CreateBucketIfNotExists([]byte(bucketTerms))
			if err != nil {
				return err
			}
			b, err := tx.CreateBucketIfNotExists([]byte(bucketSpans))
			if err != nil {
				return err
			}
			terms.FillPercent, b.FillPercent = 1, 1
			for _, t := range slices.Sorted(maps.Keys(u.terms)) {
				if err := terms.Put(append(seqKey(u.first), t...), packOffsets(*u.terms[t])); err != nil {
					return err
				}
			}
			return b.Put(seqKey(u.first), spans)
		})
	})
	if err != nil {
		return fmt.Errorf("write run %d: %w", u.first, err)
	}
	return nil
}

func packOffsets(list []uint16) []byte {
	out := make([]byte, 0, len(list)+8)
	before := uint16(0)
	for _, at := range list {
		out = binary.AppendUvarint(out, uint64(at-before))
		before = at
	}
	return out
}

func unpackOffsets(data []byte) []uint16 {
	out := make([]uint16, 0, len(data))
	at := uint64(0)
	for len(data) > 0 {
		diff, n := binary.Uvarint(data)
		if n <= 0 || at+diff >= runRecords {
			break
		}
		at += diff
		out = append(out, uint16(at))
		data = data[n:]
	}
	return out
}

// offsets returns the postings of one term in a written run.
func (l *lookup) offsets(first correlate.Seq, terms []string) ([][]uint16, error) {
	out := make([][]uint16, len(terms))
	err := guard(l.path, func() error {
		return l.db.View(func(tx *bbolt.Tx) error {
			b := tx.Bucket([]byte(bucketTerms))
			if b == nil {
				return &DamageError{Path: l.path, What: "it has no terms"}
			}
			for i, t := range terms {
				if v := b.Get(append(seqKey(first), t...)); v != nil {
					out[i] = unpackOffsets(v)
				}
			}
			return nil
		})
	})
	return out, err
}
