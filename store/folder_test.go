package store_test

import (
	"bytes"
	"encoding/hex"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
	"example.net/standwatch/store/storetest"
)

// RFC 3411 section 5, SnmpEngineID: the first bit set, an enterprise number in
// the first four octets, 5 in the fifth for octets assigned by the
// administrator, at most 32 in all. RFC 3414 section 2.2: boots count up.
func TestIdentityLasts(t *testing.T) {
	dir := t.TempDir()
	now := time.Date(2026, 5, 6, 7, 8, 9, 10, time.UTC)
	opts := store.Options{Now: func() time.Time { return now }}
	s := openStore(t, dir, opts)
	first := s.Identity()
	closeStore(t, s)
	if id := hex.EncodeToString(first.EngineID); len(id) != 34 || id[:10] != "80007ed905" {
		t.Errorf("engine ID %s", id)
	}
	if first.Boots != 1 || !first.Created.Equal(now) {
		t.Errorf("first start: %+v", first)
	}
	now = now.Add(time.Hour)
	second := storetest.Open(t, dir, opts).Identity()
	want := first
	want.Boots = 2
	if diff := cmp.Diff(want, second); diff != "" {
		t.Errorf("second start (-want +got):\n%s", diff)
	}
	if other := storetest.Open(t, t.TempDir(), opts).Identity(); bytes.Equal(other.EngineID, first.EngineID) {
		t.Error("two masters have the same engine ID")
	}
}

func TestSecretsLast(t *testing.T) {
	dir := t.TempDir()
	s := openStore(t, dir, store.Options{})
	for range 2 {
		got, err := s.Secret("session", func() []byte { return []byte("made once") })
		if err != nil || string(got) != "made once" {
			t.Fatalf("secret %q (%v)", got, err)
		}
		closeStore(t, s)
		s = openStore(t, dir, store.Options{})
		if got, err = s.Secret("session", func() []byte { return []byte("made again") }); err != nil || string(got) != "made once" {
			t.Fatalf("secret %q after a restart (%v)", got, err)
		}
	}
	closeStore(t, s)
}

func TestBackupWhileInUse(t *testing.T) {
	target := filepath.Join(t.TempDir(), "backup")
	all := storetest.NewMaker(11, 0).Records(1500)
	s := storetest.Open(t, t.TempDir(), store.Options{SegmentRecords: 400})
	appendAll(t, s, all[:1000], 100)
	tend(t, s)
	st, err := s.State(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := s.SaveCheckpoint(st.Snapshot()); err != nil {
		t.Fatal(err)
	}
	report, err := s.Backup(t.Context(), target, nil)
	if err != nil {
		t.Fatal(err)
	}
	if report.Copied != 3 || report.Present != 0 || report.Last != 1000 {
		t.Errorf("first backup: %+v", report)
	}
	appendAll(t, s, all[1000:], 100)
	report, err = s.Backup(t.Context(), target, nil)
	if err != nil {
		t.Fatal(err)
	}
	if report.Copied != 2 || report.Present != 2 || report.Last != 1500 {
		t.Errorf("second backup: %+v", report)
	}
	if b, known, err := s.BackedUp(); err != nil || !known || b.Last != 1500 {
		t.Errorf("of its backup the folder knows %+v, %v, %v", b, known, err)
	}
	if since, err := s.Unsaved(); err != nil || !since.IsZero() {
		t.Errorf("unsaved since %v, %v", since, err)
	}
	restored := filepath.Join(t.TempDir(), "restored")
	if _, err := store.Restore(t.Context(), target, restored, store.Options{}, nil); err != nil {
		t.Fatal(err)
	}
	r := storetest.Open(t, restored, store.Options{})
	if diff := cmp.Diff(all, scanAll(t, r, 1)); diff != "" {
		t.Errorf("restored records (-want +got):\n%s", diff)
	}
	was, is := s.Identity(), r.Identity()
	if !bytes.Equal(was.EngineID, is.EngineID) || is.Boots < was.Boots+1000 {
		t.Errorf("identity %+v became %+v", was, is)
	}
	more := storetest.NewMaker(12, 1500).Records(10)
	appendAll(t, r, more, 10)
	if since, err := r.Unsaved(); err != nil || !since.Equal(all[1000].At) {
		t.Errorf("restored, unsaved since %v, %v; the backup before last went to record 1000, then %v", since, err, all[1000].At)
	}
}

// A backup by a reader, while nothing runs, is noted afterwards.
func TestNoteBackup(t *testing.T) {
	dir := t.TempDir()
	s := openStore(t, dir, store.Options{})
	appendAll(t, s, storetest.NewMaker(17, 0).Records(20), 10)
	boots := s.Identity().Boots
	if err := store.NoteBackup(dir, store.BackedUp{Last: 10}); !errors.Is(err, store.ErrLocked) {
		t.Errorf("noted in a folder that is in use: %v", err)
	}
	closeStore(t, s)
	want := store.BackedUp{Last: 10, At: time.Date(2026, 5, 6, 7, 8, 9, 0, time.UTC)}
	if err := store.NoteBackup(dir, want); err != nil {
		t.Fatal(err)
	}
	r := storetest.Open(t, dir, store.Options{ReadOnly: true})
	if got, known, err := r.BackedUp(); err != nil || !known || got != want || r.Identity().Boots != boots {
		t.Errorf("%+v, %v, %v, boots %d after %d", got, known, err, r.Identity().Boots, boots)
	}
}

func TestBackupRefusesAnotherMastersFolder(t *testing.T) {
	target := t.TempDir()
	closeStore(t, openStore(t, target, store.Options{}))
	s := storetest.Open(t, t.TempDir(), store.Options{})
	if _, err := s.Backup(t.Context(), target, nil); err == nil {
		t.Error("another master's data was overwritten")
	}
	if _, err := store.Restore(t.Context(), target, target, store.Options{}, nil); err == nil {
		t.Error("a folder that holds data was restored into")
	}
}

func TestRetainDropsWhatMayGo(t *testing.T) {
	dir := t.TempDir()
	all := storetest.NewMaker(13, 0).Records(1000)
	s := openStore(t, dir, store.Options{SegmentRecords: 200})
	appendAll(t, s, all, 100)
	tend(t, s)
	whole, err := s.State(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	needs := store.Needs(whole)
	regulated := func(r *correlate.Record) bool { return r.Seq%50 == 7 }
	stones, err := s.Retain(t.Context(), store.Policy{Before: all[450].At, Needs: needs, Keep: regulated})
	if err != nil {
		t.Fatal(err)
	}
	if len(stones) != 2 || stones[0].First != 1 || stones[1].Last != 400 || stones[1].Why != "age" {
		t.Fatalf("tombstones %+v", stones)
	}
	check := func(s *store.Store) {
		t.Helper()
		if s.First() != 401 || s.Last() != 1000 {
			t.Errorf("holds %d to %d", s.First(), s.Last())
		}
		kept := 0
		for _, want := range all[:400] {
			got, err := s.Get(want.Seq)
			needed := regulated(want)
			for _, n := range needs {
				needed = needed || n == want.Seq
			}
			switch {
			case needed && err != nil:
				t.Errorf("record %d was needed: %v", want.Seq, err)
			case needed:
				kept++
				if diff := cmp.Diff(want, got); diff != "" {
					t.Errorf("kept record (-want +got):\n%s", diff)
				}
			case !errors.Is(err, store.ErrNotFound):
				t.Errorf("record %d was dropped: %v", want.Seq, err)
			}
		}
		if kept != stones[0].Kept+stones[1].Kept || kept < 8 {
			t.Errorf("%d kept, tombstones %+v", kept, stones)
		}
		st, err := s.State(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(whole.Snapshot(), st.Snapshot()); diff != "" {
			t.Errorf("state after dropping (-want +got):\n%s", diff)
		}
		if got := pages(t, s, store.Query{Limit: 64}); len(got) != 600+kept {
			t.Errorf("history holds %d, want %d", len(got), 600+kept)
		}
	}
	check(s)
	storetest.Verify(t, s)
	closeStore(t, s)
	s = openStore(t, dir, store.Options{SegmentRecords: 200})
	check(s)
	if stones, err = s.Retain(t.Context(), store.Policy{MaxBytes: 1}); err != nil || len(stones) != 2 || stones[0].Why != "size" {
		t.Fatalf("dropping by size: %+v (%v)", stones, err)
	}
	if s.First() != 801 {
		t.Errorf("the newest segment went too: begins at %d", s.First())
	}
	storetest.Verify(t, s)
	closeStore(t, s)
}

// A process that dies between the tombstone and the removal of the files
// leaves both.
func TestAnInterruptedDropIsFinished(t *testing.T) {
	dir := t.TempDir()
	s := openStore(t, dir, store.Options{SegmentRecords: 200})
	appendAll(t, s, storetest.NewMaker(13, 0).Records(500), 100)
	tend(t, s)
	name := filepath.Join(dir, "journal", "00000000000000000001.journal")
	file, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Retain(t.Context(), store.Policy{MaxBytes: 1}); err != nil {
		t.Fatal(err)
	}
	closeStore(t, s)
	if err := os.WriteFile(name, file, 0o600); err != nil {
		t.Fatal(err)
	}
	s = storetest.Open(t, dir, store.Options{})
	if _, err := os.Stat(name); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the dropped segment is still there: %v", err)
	}
	if s.First() != 401 {
		t.Errorf("begins at %d", s.First())
	}
}
