package store_test

import (
	"testing"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// TestMark: a mark is there after the store was closed and opened.
func TestMark(t *testing.T) {
	dir := t.TempDir()
	s, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, known, err := s.Mark("north"); known || err != nil {
		t.Errorf("a mark that was never set: %v %v", known, err)
	}
	for _, seq := range []uint64{7, 1 << 40} {
		if err := s.SetMark("north", correlate.Seq(seq)); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if s, err = store.Open(dir, store.Options{}); err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if seq, known, err := s.Mark("north"); seq != 1<<40 || !known || err != nil {
		t.Errorf("got %d %v %v", seq, known, err)
	}
}
