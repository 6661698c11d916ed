package store_test

import (
	"bytes"
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"example.net/standwatch/store"
	"example.net/standwatch/store/storetest"
)

func TestConfigurationsAreKeptOnce(t *testing.T) {
	dir := t.TempDir()
	now := time.Date(2026, 3, 1, 6, 0, 0, 5, time.UTC)
	s := openStore(t, dir, store.Options{Now: func() time.Time { return now }})
	files := []store.ConfigFile{{Name: "standwatch.yaml", Text: bytes.Repeat([]byte("centre: {}\n"), 100)}, {Name: "sites/a.yaml", Text: []byte("sites: {}\n")}}
	if err := s.KeepConfiguration("first", files); err != nil {
		t.Fatal(err)
	}
	kept := now
	now = now.Add(time.Hour)
	for _, hash := range []string{"first", "second"} {
		if err := s.KeepConfiguration(hash, files[:1]); err != nil {
			t.Fatal(err)
		}
	}
	closeStore(t, s)
	s = storetest.Open(t, dir, store.Options{ReadOnly: true})
	got, err := s.Configuration("first")
	if diff := cmp.Diff(store.Configuration{Hash: "first", Kept: kept, Files: files}, got); diff != "" || err != nil {
		t.Errorf("%v (-kept +got):\n%s", err, diff)
	}
	list, err := s.Configurations()
	want := []store.Configuration{{Hash: "first", Kept: kept}, {Hash: "second", Kept: now}}
	if diff := cmp.Diff(want, list); diff != "" || err != nil {
		t.Errorf("%v (-want +got):\n%s", err, diff)
	}
	if _, err := s.Configuration("third"); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("what was never kept: %v", err)
	}
	if err := s.KeepConfiguration("third", files); !errors.Is(err, store.ErrReadOnly) {
		t.Errorf("kept in a store for reading: %v", err)
	}
}
