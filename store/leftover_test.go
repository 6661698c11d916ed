package store

import (
	"context"
	"testing"
	"time"

	"example.net/standwatch/correlate"
)

// A commit whose last sync failed may be in the file all the same. The next
// Append, or the end, must take it back.
func TestWhatAFailedCommitLeftIsTakenBack(t *testing.T) {
	record := func(seq correlate.Seq, version string) *correlate.Record {
		return &correlate.Record{Seq: seq, At: time.Unix(int64(seq), 0).UTC(), Input: &correlate.Start{Version: version}}
	}
	for name, next := range map[string]func(s *Store) error{
		"by the next append": func(s *Store) error { return s.Append([]*correlate.Record{record(2, "true")}) },
		"by the end":         func(*Store) error { return nil },
		"by settling":        (*Store).Settle,
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			s, err := Open(dir, Options{})
			if err != nil {
				t.Fatal(err)
			}
			if err := s.Append([]*correlate.Record{record(1, "true")}); err != nil {
				t.Fatal(err)
			}
			var left [][]byte
			for seq := correlate.Seq(2); seq < 200; seq++ {
				data, err := s.codec.encode(record(seq, "never acknowledged"))
				if err != nil {
					t.Fatal(err)
				}
				left = append(left, data)
			}
			if err := s.segments[0].put(2, left, false); err != nil {
				t.Fatal(err)
			}
			s.unsure = true
			if err := next(s); err != nil {
				t.Fatal(err)
			}
			last := s.Last()
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			if s, err = Open(dir, Options{}); err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			if s.Last() != last {
				t.Errorf("opened again it goes to %d, want %d", s.Last(), last)
			}
			err = s.Scan(context.Background(), 1, func(r *correlate.Record) error {
				if v := r.Input.(*correlate.Start).Version; v != "true" {
					t.Errorf("record %d: %s", r.Seq, v)
				}
				return nil
			})
			if err != nil {
				t.Error(err)
			}
		})
	}
}
