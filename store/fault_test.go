package store_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"go.etcd.io/bbolt"
	"golang.org/x/sys/unix"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
	"example.net/standwatch/store/storetest"
)

// roleEnv makes the test binary do one thing as a child process.
const roleEnv = "STORE_TEST_ROLE"

func TestMain(m *testing.M) {
	role, dir, _ := strings.Cut(os.Getenv(roleEnv), " ")
	var err error
	switch role {
	case "fill-disk":
		err = fillDisk(dir)
	case "small-disk":
		err = smallDisk(dir)
	case "power-load":
		err = powerLoad(dir)
	default:
		os.Exit(m.Run())
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(0)
}

func runChild(t *testing.T, role, dir string) {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), exe)
	cmd.Env = append(os.Environ(), roleEnv+"="+role+" "+dir)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("child %s: %v\n%s", role, err, out)
	}
}

// TestFullDisk runs in a child, because the bound on file sizes that stands in
// for a full disk holds for a whole process.
func TestFullDisk(t *testing.T) {
	dir := t.TempDir()
	runChild(t, "fill-disk", dir)
	s := storetest.Open(t, dir, store.Options{})
	want := storetest.NewMaker(7, 0).Records(int(s.Last()))
	if diff := cmp.Diff(want, scanAll(t, s, 1)); diff != "" {
		t.Errorf("what was acknowledged around the full disk (-want +got):\n%s", diff)
	}
}

func fillDisk(dir string) error {
	s, err := store.Open(dir, store.Options{})
	if err != nil {
		return err
	}
	m := storetest.NewMaker(7, 0)
	recs := m.Records(1000)
	if err := s.Append(recs); err != nil {
		return err
	}
	for round := range 3 {
		if err := failAndRecover(s, m); err != nil {
			return fmt.Errorf("round %d: %w", round, err)
		}
	}
	return s.Close()
}

// failAndRecover bounds the size of files at what the journal has, appends
// until that is refused, checks that nothing changed, and goes on without the
// bound.
func failAndRecover(s *store.Store, m *storetest.Maker) error {
	if err := limitFiles(256 << 10); err != nil {
		return err
	}
	var batch []*correlate.Record
	var refused error
	for range 1000 {
		batch = m.Records(500)
		if refused = s.Append(batch); refused != nil {
			break
		}
	}
	last := s.Last()
	if refused == nil || last != batch[0].Seq-1 {
		return fmt.Errorf("the full disk was not met: last %d, error %w", last, refused)
	}
	if s.Settle() == nil {
		return errors.New("the disk is full, and a trial commit says it is not")
	}
	if _, err := s.Get(last); err != nil {
		return err
	}
	if _, err := s.Get(last + 1); !errors.Is(err, store.ErrNotFound) {
		return fmt.Errorf("a record of the refused batch: %w", err)
	}
	if p, err := s.History(store.Query{Limit: 1}); err != nil || p.Records[0].Seq != last {
		return fmt.Errorf("history after the refusal: %v (%w)", p, err)
	}
	if err := limitFiles(unix.RLIM_INFINITY); err != nil {
		return err
	}
	if err := s.Settle(); err != nil {
		return err
	}
	return s.Append(batch)
}

func limitFiles(size uint64) error {
	var r unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_FSIZE, &r); err != nil {
		return err
	}
	r.Cur = min(size, r.Max)
	return unix.Setrlimit(unix.RLIMIT_FSIZE, &r)
}

// TestFullDiskAtBirth: a file that could not be made for want of room is made when
// there is room, and half of one is no reason to refuse.
func TestFullDiskAtBirth(t *testing.T) {
	if !storetest.Alone(t) {
		return
	}
	dir := filepath.Join(t.TempDir(), "data")
	full := func(fn func() error) {
		t.Helper()
		var was unix.Rlimit
		if err := unix.Getrlimit(unix.RLIMIT_FSIZE, &was); err != nil {
			t.Fatal(err)
		}
		if err := limitFiles(4096); err != nil {
			t.Fatal(err)
		}
		err := fn()
		if unlimited := unix.Setrlimit(unix.RLIMIT_FSIZE, &was); err == nil || unlimited != nil {
			t.Fatalf("the full disk was not met (%v)", unlimited)
		}
	}
	full(func() error { _, err := store.Open(dir, store.Options{}); return err })
	s := openStore(t, dir, store.Options{SegmentRecords: 100})
	appendAll(t, s, storetest.NewMaker(16, 0).Records(300), 50)
	tend(t, s)
	all := store.Policy{MaxBytes: 1, Keep: func(r *correlate.Record) bool { return r.Seq%9 == 0 }}
	full(func() error { _, err := s.Retain(t.Context(), all); return err })
	if stones, err := s.Retain(t.Context(), all); err != nil || len(stones) != 2 || stones[0].Kept != 11 {
		t.Errorf("after room was made: %+v, %v", stones, err)
	}
	closeStore(t, s)
	lookups, err := filepath.Glob(filepath.Join(dir, "journal", "*.lookup"))
	if err != nil || len(lookups) != 1 {
		t.Fatal(lookups, err)
	}
	if err := os.Truncate(lookups[0], 4096); err != nil {
		t.Fatal(err)
	}
	s = storetest.Open(t, dir, store.Options{})
	storetest.Verify(t, s)
	if notes := s.Notes(); len(notes) > 0 {
		t.Errorf("notes %v", notes)
	}
}

func TestOneHolder(t *testing.T) {
	dir := t.TempDir()
	storetest.Open(t, dir, store.Options{})
	for _, opts := range []store.Options{{}, {ReadOnly: true}} {
		_, err := store.Open(dir, opts)
		var locked *store.LockedError
		if !errors.Is(err, store.ErrLocked) || !errors.As(err, &locked) || locked.PID != os.Getpid() || locked.Host == "" {
			t.Errorf("second holder: %v", err)
		}
	}
}

func TestReadOnlyWritesNothing(t *testing.T) {
	dir := t.TempDir()
	want := storetest.NewMaker(8, 0).Records(1500)
	s := openStore(t, dir, store.Options{SegmentRecords: 600})
	appendAll(t, s, want, 200)
	boots := s.Identity().Boots
	closeStore(t, s)
	before := contents(t, dir)
	a := storetest.Open(t, dir, store.Options{ReadOnly: true})
	b := storetest.Open(t, dir, store.Options{ReadOnly: true})
	if diff := cmp.Diff(want, scanAll(t, a, 1)); diff != "" {
		t.Error(diff)
	}
	q := store.Query{Site: "site-2", Limit: 40}
	if diff := cmp.Diff(naive(want, q), pages(t, b, q)); diff != "" {
		t.Error(diff)
	}
	for what, err := range map[string]error{
		"append":     a.Append(storetest.NewMaker(8, 1500).Records(1)),
		"checkpoint": a.SaveCheckpoint(correlate.NewState().Snapshot()),
		"settle":     a.Settle(),
		"secret":     secretError(a),
		"retain":     retainError(a),
	} {
		if !errors.Is(err, store.ErrReadOnly) {
			t.Errorf("%s: %v", what, err)
		}
	}
	if got := a.Identity().Boots; got != boots {
		t.Errorf("reading counted a start: %d, was %d", got, boots)
	}
	if diff := cmp.Diff(before, contents(t, dir)); diff != "" {
		t.Error("reading changed the folder")
	}
}

func secretError(s *store.Store) error {
	_, err := s.Secret("new", func() []byte { return []byte("x") })
	return err
}

func retainError(s *store.Store) error {
	_, err := s.Retain(context.Background(), store.Policy{})
	return err
}

func contents(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := os.ReadFile(path)
		out[strings.TrimPrefix(path, dir)] = string(data)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestForeignFilesAreLeftAlone(t *testing.T) {
	dir := t.TempDir()
	closeStore(t, openStore(t, dir, store.Options{}))
	for _, name := range []string{"notes.txt", "journal/copy of 1", "journal/00000000000000000001.old"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte("mine"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s := storetest.Open(t, dir, store.Options{})
	notes := strings.Join(s.Notes(), "\n")
	for _, name := range []string{"notes.txt", "copy of 1", "00000000000000000001.old"} {
		if !strings.Contains(notes, name) {
			t.Errorf("nobody is told of %s:\n%s", name, notes)
		}
	}
	if len(s.Notes()) != 3 {
		t.Errorf("notes:\n%s", notes)
	}
}

func TestAMissingSegmentIsNamed(t *testing.T) {
	dir := t.TempDir()
	s := openStore(t, dir, store.Options{SegmentRecords: 100})
	appendAll(t, s, storetest.NewMaker(9, 0).Records(400), 100)
	closeStore(t, s)
	if err := os.Remove(filepath.Join(dir, "journal", "00000000000000000101.journal")); err != nil {
		t.Fatal(err)
	}
	_, err := store.Open(dir, store.Options{})
	var damage *store.DamageError
	if !errors.As(err, &damage) || !strings.Contains(err.Error(), "101 to 200 are missing") {
		t.Errorf("open: %v", err)
	}
}

func TestAnotherFormatIsRefused(t *testing.T) {
	dir := t.TempDir()
	closeStore(t, openStore(t, dir, store.Options{}))
	change(t, filepath.Join(dir, "folder.db"), func(tx *bbolt.Tx) error {
		return tx.Bucket([]byte("folder")).Put([]byte("format"), []byte{2})
	})
	for _, opts := range []store.Options{{}, {ReadOnly: true}} {
		if _, err := store.Open(dir, opts); !errors.Is(err, store.ErrFormat) {
			t.Errorf("open: %v", err)
		}
	}
}

// change edits a file of the folder behind the store's back.
func change(t *testing.T, path string, fn func(tx *bbolt.Tx) error) {
	t.Helper()
	db, err := bbolt.Open(path, 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(db.Update(fn), db.Close()); err != nil {
		t.Fatal(err)
	}
}

// sealedFolder makes a folder of three segments, two of them sealed, with a
// checkpoint.
func sealedFolder(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	s := openStore(t, dir, store.Options{SegmentRecords: 300})
	appendAll(t, s, storetest.NewMaker(10, 0).Records(800), 100)
	tend(t, s)
	st, err := s.State(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := s.SaveCheckpoint(st.Snapshot()); err != nil {
		t.Fatal(err)
	}
	closeStore(t, s)
	return dir
}

func TestVerifyFindsWhatWasChanged(t *testing.T) {
	first := func(dir string) string { return filepath.Join(dir, "journal", "00000000000000000001.journal") }
	look := func(dir string) string { return filepath.Join(dir, "journal", "00000000000000000001.lookup") }
	cases := map[string]struct {
		do   func(t *testing.T, dir string)
		want string
	}{
		"record changed": {func(t *testing.T, dir string) {
			change(t, first(dir), func(tx *bbolt.Tx) error { return putRecord(t, tx, 5) })
		}, "do not give the chain hash"},
		"seal forged": {func(t *testing.T, dir string) {
			change(t, first(dir), func(tx *bbolt.Tx) error {
				b := tx.Bucket([]byte("head"))
				seal := bytes.Clone(b.Get([]byte("sealed")))
				seal[len(seal)-10] ^= 1
				return b.Put([]byte("sealed"), seal)
			})
		}, "chain hash"},
		"term added": {func(t *testing.T, dir string) {
			change(t, look(dir), func(tx *bbolt.Tx) error {
				return tx.Bucket([]byte("terms")).Put([]byte("\x00\x00\x00\x00\x00\x00\x00\x01ssomewhere"), []byte{3})
			})
		}, "does not say what the records say"},
		"checkpoint of another life": {func(t *testing.T, dir string) {
			s := openStore(t, dir, store.Options{})
			st, err := s.State(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			for _, a := range st.Alarms {
				a.Repeats++
				break
			}
			if err := s.SaveCheckpoint(st.Snapshot()); err != nil {
				t.Fatal(err)
			}
			closeStore(t, s)
		}, "not the fold"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			dir := sealedFolder(t)
			c.do(t, dir)
			s := openStore(t, dir, store.Options{ReadOnly: true})
			defer closeStore(t, s)
			report, err := s.Verify(t.Context(), nil)
			if err != nil {
				t.Fatal(err)
			}
			if report.Good() || !strings.Contains(fmt.Sprint(report.Problems), c.want) {
				t.Errorf("problems %v, want %q", report.Problems, c.want)
			}
		})
	}
}

// putRecord replaces the first record's block with one whose record n differs
// in one text.
func putRecord(t *testing.T, tx *bbolt.Tx, n int) error {
	recs := storetest.NewMaker(10, 0).Records(300)
	recs[n].Input.(*correlate.Arrival).From = "192.0.2.254:162"
	b := tx.Bucket([]byte("records"))
	c := b.Cursor()
	k, _ := c.First()
	next, _ := c.Next()
	count := 300
	if next != nil {
		count = int(next[7]) + int(next[6])<<8 - 1
	}
	block := []byte{1}
	var lens, body []byte
	for _, r := range recs[:count] {
		data, err := store.Encode(r)
		if err != nil {
			return err
		}
		lens = append(lens, byte(len(data)&0x7f|0x80), byte(len(data)>>7))
		body = append(body, data...)
	}
	if count > 127 {
		t.Fatalf("block of %d records", count)
	}
	block = append(append(append(block, byte(count)), lens...), body...)
	return b.Put(bytes.Clone(k), block)
}

func TestVerifyOfWhatIsGood(t *testing.T) {
	s := storetest.Open(t, sealedFolder(t), store.Options{})
	var seen uint64
	report, err := s.Verify(t.Context(), func(done, total uint64) {
		if total != 800 || done < seen {
			t.Errorf("progress %d of %d after %d", done, total, seen)
		}
		seen = done
	})
	if err != nil {
		t.Fatal(err)
	}
	want := store.Report{Records: 800, Segments: 3, Sealed: 2, Runs: 3, Compared: true}
	if diff := cmp.Diff(want, report); diff != "" || seen != 800 {
		t.Errorf("report (-want +got):\n%s(progress to %d)", diff, seen)
	}
}

func TestCheckpointsThatCannotBeTrusted(t *testing.T) {
	dir := sealedFolder(t)
	path := filepath.Join(dir, "checkpoint")
	good, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	s := openStore(t, dir, store.Options{})
	t.Cleanup(func() { closeStore(t, s) })
	whole, err := s.State(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	other := whole.Snapshot()
	other.Fold = correlate.FoldVersion + 1
	ahead := whole.Snapshot()
	ahead.Seq++
	cases := map[string]func() error{
		"none":                 func() error { return os.Remove(path) },
		"empty":                func() error { return os.WriteFile(path, nil, 0o600) },
		"cut short":            func() error { return os.WriteFile(path, good[:len(good)-7], 0o600) },
		"another fold version": func() error { return s.SaveCheckpoint(other) },
		"ahead of the journal": func() error { return s.SaveCheckpoint(ahead) },
	}
	for name, do := range cases {
		if err := do(); err != nil {
			t.Fatal(err)
		}
		if snap, err := s.LoadCheckpoint(); snap != nil || err != nil {
			t.Errorf("%s: it was used (%v)", name, err)
		}
		st, err := s.State(t.Context())
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if diff := cmp.Diff(whole.Snapshot(), st.Snapshot()); diff != "" {
			t.Errorf("%s: rebuilt state (-want +got):\n%s", name, diff)
		}
	}
}

// Broken octets anywhere in the folder never make it panic: it opens and
// verify says what is wrong, or it refuses.
func TestBrokenPagesNeverPanic(t *testing.T) {
	source := sealedFolder(t)
	files, err := filepath.Glob(filepath.Join(source, "journal", "*"))
	if err != nil {
		t.Fatal(err)
	}
	files = append(files, filepath.Join(source, "folder.db"))
	rnd := rand.New(rand.NewPCG(1, 2))
	for range 60 {
		path := files[rnd.IntN(len(files))]
		good, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		bad := bytes.Clone(good)
		for range 1 + rnd.IntN(40) {
			bad[rnd.IntN(len(bad))] = byte(rnd.Uint32())
		}
		if rnd.IntN(10) == 0 {
			bad = bad[:rnd.IntN(len(bad))]
		}
		if err := os.WriteFile(path, bad, 0o600); err != nil {
			t.Fatal(err)
		}
		useAll(source)
		if err := os.WriteFile(path, good, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// useAll opens a folder for reading and reads everything in it. Errors are as
// good as answers here.
func useAll(dir string) {
	s, err := store.Open(dir, store.Options{ReadOnly: true})
	if err != nil {
		return
	}
	_, _ = s.Verify(context.Background(), nil)
	_, _ = s.History(store.Query{Site: "site-1", Limit: 1000})
	_, _ = s.Get(450)
	_, _ = s.State(context.Background())
	_ = s.Close()
}
