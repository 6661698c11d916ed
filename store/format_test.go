package store_test

import (
	"archive/zip"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"example.net/standwatch/store"
	"example.net/standwatch/store/storetest"
)

// makeFormat is set once per format, when it is made: the kept folder is then
// never made anew, because it has to stay as the program of its time wrote it.
const makeFormat = "STORE_MAKE_FORMAT"

// TestKeptFolders opens a data folder of every format that was ever released.
func TestKeptFolders(t *testing.T) {
	kept := filepath.Join("testdata", "folder-1.zip")
	want := storetest.NewMaker(14, 0).Records(120)
	if os.Getenv(makeFormat) == "1" {
		makeFolder(t, kept)
	}
	dir := t.TempDir()
	unzip(t, kept, dir)
	s := storetest.Open(t, dir, store.Options{SegmentRecords: 50})
	if notes := s.Notes(); len(notes) > 0 {
		t.Errorf("notes %v", notes)
	}
	if diff := cmp.Diff(want, scanAll(t, s, 1)); diff != "" {
		t.Errorf("records (-want +got):\n%s", diff)
	}
	if secret, err := s.Secret("session", nil); err != nil || string(secret) != "kept since format 1" {
		t.Errorf("secret %q (%v)", secret, err)
	}
	q := store.Query{Site: "site-3", Limit: 5}
	if diff := cmp.Diff(naive(want, q), pages(t, s, q)); diff != "" {
		t.Error(diff)
	}
	appendAll(t, s, storetest.NewMaker(15, 120).Records(60), 20)
	tend(t, s)
}

func makeFolder(t *testing.T, name string) {
	t.Helper()
	s := openStore(t, t.TempDir(), store.Options{SegmentRecords: 50})
	appendAll(t, s, storetest.NewMaker(14, 0).Records(120), 10)
	tend(t, s)
	st, err := s.State(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := s.SaveCheckpoint(st.Snapshot()); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Secret("session", func() []byte { return []byte("kept since format 1") }); err != nil {
		t.Fatal(err)
	}
	copied := t.TempDir()
	if _, err := s.Backup(t.Context(), copied, nil); err != nil {
		t.Fatal(err)
	}
	closeStore(t, s)
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z := zip.NewWriter(f)
	if err := z.AddFS(os.DirFS(copied)); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
}

func unzip(t *testing.T, name, dir string) {
	t.Helper()
	z, err := zip.OpenReader(name)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	for _, f := range z.File {
		path := filepath.Join(dir, filepath.FromSlash(f.Name))
		if f.FileInfo().IsDir() {
			continue
		}
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}
