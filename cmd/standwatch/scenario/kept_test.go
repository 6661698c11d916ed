package scenario_test

import (
	"archive/zip"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/rs/zerolog"

	"example.net/standwatch/cmd/standwatch/scenario"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// makeJournals is set once for each version of the records, when it is made: the
// kept journal is then never made anew, because it has to stay as the program of
// its time wrote it. A new kind of event gets a journal of its own.
const makeJournals = "SCENARIO_MAKE_JOURNALS"

// TestKeptJournals opens the data folders that programs of their time wrote when
// the story in which everything happens was played, reads every record, and folds
// them. Every kind of event that there is stands in one of them, so that none can
// change its form unseen.
func TestKeptJournals(t *testing.T) {
	const kept = "../../../testdata/journals"
	if name := os.Getenv(makeJournals); name != "" {
		makeJournal(t, filepath.Join(kept, name+".zip"))
	}
	files, err := filepath.Glob(filepath.Join(kept, "*.zip"))
	if err != nil || len(files) == 0 {
		t.Fatalf("%d journals, %v", len(files), err)
	}
	missing := maps.Clone(correlate.EventKinds)
	for _, name := range files {
		dir := t.TempDir()
		unpack(t, name, dir)
		s, err := store.Open(dir, store.Options{Log: zerolog.Nop()})
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		err = s.Scan(t.Context(), 1, func(r *correlate.Record) error {
			for _, ev := range r.Events {
				delete(missing, ev.Kind())
			}
			return nil
		})
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		st, err := s.State(t.Context())
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		water := st.Alarms[correlate.Key{Site: "hill", Point: "water"}]
		if water == nil || !water.Standing || water.Acknowledged || st.Shift.Name != "late" || st.Shift.ReadBy != "crew" {
			t.Errorf("%s: at its end stands %+v, in the shift %+v", name, water, st.Shift)
		}
		report, err := s.Verify(t.Context(), nil)
		if err != nil || !report.Good() {
			t.Errorf("%s: %v %v", name, report.Problems, err)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}
	for _, kind := range slices.Sorted(maps.Keys(missing)) {
		t.Errorf("no kept journal has an event of the kind %d, %s", kind, missing[kind].Word)
	}
}

func makeJournal(t *testing.T, name string) {
	t.Helper()
	file := filepath.Join(folder, "everything.txt")
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	sc, err := scenario.Parse(file, string(text))
	if err != nil {
		t.Fatal(err)
	}
	o := scenario.Options{Folder: t.TempDir(), Config: os.DirFS(filepath.Join(folder, sc.Config))}
	if _, err := scenario.Run(t.Context(), sc, o); err != nil {
		t.Fatal(err)
	}
	s, err := store.Open(filepath.Join(o.Folder, "data"), store.Options{Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	copied := t.TempDir()
	if _, err := s.Backup(t.Context(), copied, nil); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		t.Fatal(err)
	}
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

func unpack(t *testing.T, name, dir string) {
	t.Helper()
	z, err := zip.OpenReader(name)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	if err := os.CopyFS(dir, z); err != nil {
		t.Fatal(err)
	}
}
