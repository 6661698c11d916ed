package scenario_test

import (
	"archive/zip"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"example.net/standwatch/cmd/standwatch/scenario"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// makeJournals is set once, to everything-1 for the first journal of the story
// everything.txt: a kept journal is never made anew, because it has to stay as
// the program of its time wrote it. A new kind of event gets a journal of its own.
const makeJournals = "SCENARIO_MAKE_JOURNALS"

// inputs are all that a record can be about.
var inputs = []correlate.Input{&correlate.Arrival{}, &correlate.Notice{}, &correlate.Act{}, &correlate.Tick{}, &correlate.Start{}, &correlate.Reconfigure{},
	&correlate.Delivery{}, &correlate.SetSilence{}, &correlate.EndSilence{}, &correlate.Access{}, &correlate.Reply{}, &correlate.RosterAct{},
	&correlate.Audit{}, &correlate.ShiftTurn{}, &correlate.Handover{}}

// TestKeptJournals opens the data folders that programs of their time wrote when
// a story was played, above all the one in which everything happens, reads every record, and folds
// them, from the checkpoint and from the records alone. Every kind of event and
// of input that there is stands in one of them, so that none can change its form
// unseen; and what they are folded to stands beside each, so that none can change
// its meaning.
func TestKeptJournals(t *testing.T) {
	const kept = "../../../testdata/journals"
	if name := os.Getenv(makeJournals); name != "" {
		if _, err := os.Stat(filepath.Join(kept, name+".zip")); err != nil { // never over one that is kept
			makeJournal(t, filepath.Join(kept, name+".zip"))
		}
	}
	files, err := filepath.Glob(filepath.Join(kept, "*.zip"))
	if err != nil || len(files) == 0 {
		t.Fatalf("%d journals, %v", len(files), err)
	}
	missing := maps.Clone(correlate.EventKinds)
	unseen := map[string]bool{}
	for _, in := range inputs {
		unseen[fmt.Sprintf("%T", in)] = true
	}
	for _, name := range files {
		dir := t.TempDir()
		unpack(t, name, dir)
		s := openKept(t, name, dir)
		err = s.Scan(t.Context(), 1, func(r *correlate.Record) error {
			delete(unseen, fmt.Sprintf("%T", r.Input))
			for _, ev := range r.Events {
				delete(missing, ev.Kind())
			}
			return nil
		})
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		report, err := s.Verify(t.Context(), nil)
		if err != nil || !report.Good() {
			t.Errorf("%s: %v %v", name, report.Problems, err)
		}
		sameFold(t, name, s)
		if err := os.Remove(filepath.Join(dir, "checkpoint")); err != nil {
			t.Fatal(err)
		}
		sameFold(t, name, openKept(t, name, dir))
	}
	for _, kind := range slices.Sorted(maps.Keys(missing)) {
		t.Errorf("no kept journal has an event of the kind %d, %s", kind, missing[kind].Word)
	}
	for _, in := range slices.Sorted(maps.Keys(unseen)) {
		t.Errorf("no kept journal has a record about %s", in)
	}
}

func openKept(t *testing.T, name, dir string) *store.Store {
	t.Helper()
	s, err := store.Open(dir, store.Options{Log: zerolog.Nop()})
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return s
}

// sameFold compares what the records of a kept journal are folded to with what
// they were folded to when it was kept, and closes the store. Where that has to
// change, old folders change with it: the version of the fold goes up, and the
// text is written anew with the variable.
func sameFold(t *testing.T, name string, s *store.Store) {
	t.Helper()
	st, err := s.State(t.Context())
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	got, file := folded(st), strings.TrimSuffix(name, ".zip")+".fold"
	if os.Getenv(makeJournals) != "" {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	lines, wants := strings.Split(got, "\n"), strings.Split(string(want), "\n")
	for i := range max(len(lines), len(wants)) {
		g, w := "", ""
		if i < len(lines) {
			g = lines[i]
		}
		if i < len(wants) {
			w = wants[i]
		}
		if g != w {
			t.Errorf("%s:%d: its records are folded to\n%s\nand were folded to\n%s", file, i+1, g, w)
			break
		}
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

// folded writes what a state says, one thing a line.
func folded(st *correlate.State) string {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	at := func(t time.Time) string {
		if t.IsZero() {
			return "-"
		}
		return t.UTC().Format("02T15:04:05.999")
	}
	line("record %d at %s, started %s", st.Seq, at(st.At), at(st.Started))
	for _, k := range slices.SortedFunc(maps.Keys(st.Alarms), correlate.Key.Compare) {
		a := st.Alarms[k]
		line("alarm %s %s standing %t latched %t taken %t by %q episodes %d repeats %d flaps %d merit %.3f created %s raised %s cleared %s seen %s by record %d, last %d, changes %d and %d, cause %q, told %t, agent %q: %s",
			k, a.Severity, a.Standing, a.Latched, a.Acknowledged, a.AckBy, a.Episodes, a.Repeats, a.FlapCount, a.Merit, at(a.Created), at(a.Raised), at(a.Cleared), at(a.LastSeen),
			a.RaisedBy, a.LastSeq, len(a.StatusChanges), len(a.OperatorChanges), a.Cause, a.Announced, a.Agent, a.Text)
	}
	for _, k := range slices.SortedFunc(maps.Keys(st.Readings), correlate.Key.Compare) {
		line("reading %s %g %q at %s", k, st.Readings[k].Value, st.Readings[k].Level, at(st.Readings[k].At))
	}
	for _, k := range slices.SortedFunc(maps.Keys(st.Events), correlate.Key.Compare) {
		line("event %s at %s", k, at(st.Events[k]))
	}
	for _, id := range slices.Sorted(maps.Keys(st.Agents)) {
		line("agent %s heard %s from %s, %d times, uptime %d", id, at(st.Agents[id].Heard), st.Agents[id].From, st.Agents[id].Arrivals, st.Agents[id].Uptime)
	}
	for _, id := range slices.Sorted(maps.Keys(st.Audits)) {
		x := st.Audits[id]
		line("audit %s asked %s, read %d, raised %d, cleared %d", id, at(x.Asked), x.Read, x.Raised, x.Cleared)
	}
	for _, id := range slices.Sorted(maps.Keys(st.CallOuts)) {
		c := st.CallOuts[id]
		line("call-out %s %s state %d rung %d round %d told %d passed %v taken by %q ended %s", id, c.Key, c.State, c.Rung, c.Round, len(c.Told), c.Passed, c.TakenBy, at(c.Ended))
	}
	for _, id := range slices.Sorted(maps.Keys(st.Messages)) {
		m := st.Messages[id]
		line("message %s %s %s to %s over %s state %d, attempts %d, covers %d", id, m.Purpose, m.Key, m.Person, m.Channel, m.State, len(m.Attempts), len(m.Covers))
	}
	for _, id := range slices.Sorted(maps.Keys(st.Silences)) {
		line("silence %s %s until %s", id, st.Silences[id].Kind, at(st.Silences[id].Until))
	}
	for _, id := range slices.Sorted(maps.Keys(st.StandIns)) {
		in := st.StandIns[id]
		line("stand-in %s %s for %s at %s until %s", id, in.Person, in.For, in.Roster, at(in.To))
	}
	for _, who := range slices.Sorted(maps.Keys(st.Piles)) {
		line("pile %s of %d due %s", who, len(st.Piles[who].Items), at(st.Piles[who].Due))
	}
	for _, name := range slices.Sorted(maps.Keys(st.Proofs)) {
		line("proof %s at %s", name, at(st.Proofs[name]))
	}
	line("derived %d, flood on %t, shift %s read by %q", len(st.Derived), st.Flood.On(), st.Shift.Name, st.Shift.ReadBy)
	return b.String()
}

func makeJournal(t *testing.T, name string) {
	t.Helper()
	story := filepath.Base(name)
	file := filepath.Join(folder, story[:strings.LastIndex(story, "-")]+".txt")
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
