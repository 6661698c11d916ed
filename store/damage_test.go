package store_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.net/standwatch/store"
)

// What the newest segment can suffer: a page that is not as it was written, and
// an end that never came to the disk. The store opens with everything, or refuses
// and names the file; a verification of what it opens says what is wrong.
func TestDamageInTheNewestSegmentIsNamed(t *testing.T) {
	source := sealedFolder(t)
	path := filepath.Join(source, "journal", "00000000000000000601.journal")
	good, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	page := os.Getpagesize()
	refused := 0
	try := func(name string, bad []byte) {
		if err := os.WriteFile(path, bad, 0o600); err != nil {
			t.Fatal(err)
		}
		s, err := store.Open(source, store.Options{ReadOnly: true})
		if err != nil {
			refused++
			var damage *store.DamageError
			if !errors.As(err, &damage) || !strings.Contains(err.Error(), path) {
				t.Errorf("%s: refused with %v", name, err)
			}
			return
		}
		report, err := s.Verify(t.Context(), nil)
		if err != nil || report.Good() && s.Last() != 800 {
			t.Errorf("%s: opened to record %d, verified %v %v", name, s.Last(), report.Problems, err)
		}
		closeStore(t, s)
	}
	for at := page; at < len(good); at += page {
		if bytes.Count(good[at:at+page], []byte{0}) == page {
			continue // the file grows ahead of what is written
		}
		bad := bytes.Clone(good)
		clear(bad[at : at+page])
		try("zeros in a page", bad)
	}
	for _, parts := range []int{1, 2, 3} {
		try("cut short", good[:len(good)*parts/4])
	}
	try("empty", nil)
	try("another file", bytes.Repeat([]byte("not a segment\n"), 1000))
	if refused == 0 {
		t.Error("no damage was met")
	}
}
