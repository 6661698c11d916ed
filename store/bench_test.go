package store_test

import (
	"context"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"os"
	"path/filepath"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
	"example.net/standwatch/store/storetest"
)

// plainLog is the floor that the journal is measured against: length, CRC-32C
// and octets appended to one file, and one fdatasync per batch.
type plainLog struct {
	f   *os.File
	buf []byte
	crc *crc32.Table
}

func newPlainLog(tb testing.TB) *plainLog {
	tb.Helper()
	f, err := os.Create(filepath.Join(tb.TempDir(), "plain"))
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() {
		if err := f.Close(); err != nil {
			tb.Error(err)
		}
	})
	return &plainLog{f: f, crc: crc32.MakeTable(crc32.Castagnoli)}
}

func (p *plainLog) append(records [][]byte) error {
	p.buf = p.buf[:0]
	for _, r := range records {
		p.buf = binary.BigEndian.AppendUint32(p.buf, uint32(len(r)))
		p.buf = binary.BigEndian.AppendUint32(p.buf, crc32.Checksum(r, p.crc))
		p.buf = append(p.buf, r...)
	}
	if _, err := p.f.Write(p.buf); err != nil {
		return err
	}
	return unix.Fdatasync(int(p.f.Fd()))
}

// BenchmarkAppend measures batches of real records against the plain log, turn
// by turn in one run. "of-plain" is the journal's rate as a part of the plain
// log's, which gets its octets ready made.
func BenchmarkAppend(b *testing.B) {
	for _, batch := range []int{1, 10, 100, 1000, 5000} {
		b.Run(fmt.Sprintf("batch=%d", batch), func(b *testing.B) {
			s, err := store.Open(b.TempDir(), store.Options{})
			if err != nil {
				b.Fatal(err)
			}
			ctx, stop := context.WithCancel(b.Context())
			tended := make(chan error, 1)
			go func() { tended <- s.Tend(ctx) }()
			plain, m := newPlainLog(b), storetest.NewMaker(1, 0)
			var journal, floor time.Duration
			n, octets := 0, 0
			b.ReportAllocs()
			for b.Loop() {
				b.StopTimer()
				recs := m.Records(batch)
				data := encodeAll(b, recs)
				for _, d := range data {
					octets += len(d)
				}
				n += batch
				began := time.Now()
				if err := plain.append(data); err != nil {
					b.Fatal(err)
				}
				floor += time.Since(began)
				b.StartTimer()
				began = time.Now()
				if err := s.Append(recs); err != nil {
					b.Fatal(err)
				}
				journal += time.Since(began)
			}
			stop()
			if err := <-tended; err != nil {
				b.Fatal(err)
			}
			b.ReportMetric(float64(n)/journal.Seconds(), "records/s")
			b.ReportMetric(float64(n)/floor.Seconds(), "plain-records/s")
			b.ReportMetric(floor.Seconds()/journal.Seconds(), "of-plain")
			b.ReportMetric(float64(octets)/float64(n), "octets/record")
			closeStore(b, s)
		})
	}
}

func encodeAll(tb testing.TB, recs []*correlate.Record) [][]byte {
	tb.Helper()
	out := make([][]byte, len(recs))
	for i, r := range recs {
		var err error
		if out[i], err = store.Encode(r); err != nil {
			tb.Fatal(err)
		}
	}
	return out
}

// bigStore holds three sealed segments of 2^17 records and one that grows.
func bigStore(b *testing.B) (*store.Store, []*correlate.Record) {
	b.Helper()
	const perSegment = 1 << 17
	s, err := store.Open(b.TempDir(), store.Options{SegmentRecords: perSegment})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { closeStore(b, s) })
	m := storetest.NewMaker(2, 0)
	var newest []*correlate.Record
	for s.Last() < 3*perSegment+70_000 {
		newest = m.Records(5000)
		appendAll(b, s, newest, 5000)
	}
	before, err := s.Usage()
	if err != nil {
		b.Fatal(err)
	}
	tend(b, s)
	after, err := s.Usage()
	if err != nil {
		b.Fatal(err)
	}
	b.Logf("%d records: %d octets each on disk before sealing, %d after", after.Records, uint64(before.Bytes)/before.Records, uint64(after.Bytes)/after.Records)
	return s, newest
}

func BenchmarkHistory(b *testing.B) {
	s, _ := bigStore(b)
	sealed := correlate.Seq(1 << 18)
	for _, c := range []struct {
		name string
		q    store.Query
	}{
		{"newest-100-of-site", store.Query{Site: "site-3"}},
		{"100-of-site-in-sealed", store.Query{Site: "site-3", Before: sealed}},
		{"100-of-point-in-sealed", store.Query{Site: "site-3", Point: "point-7", Before: sealed}},
		{"100-of-severity-in-sealed", store.Query{Severity: correlate.Critical, Before: sealed}},
		{"100-of-site-and-severity-in-sealed", store.Query{Site: "site-3", Severity: correlate.Critical, Before: sealed}},
		{"nothing-there", store.Query{Site: "nowhere"}},
	} {
		b.Run("query="+c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := s.History(c.q); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkScan(b *testing.B) {
	s, _ := bigStore(b)
	n := 0
	for b.Loop() {
		if err := s.Scan(b.Context(), 1, func(*correlate.Record) error { n++; return nil }); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "records/s")
}
