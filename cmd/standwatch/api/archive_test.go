package api

import (
	"net/http"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
	"example.net/standwatch/store/storetest"
)

// keptHere is how the history of a stage is kept.
func keptHere() Upkeep {
	return Upkeep{Age: 24 * time.Hour, Size: 5, Regulated: 48 * time.Hour, Holds: []Hold{{Why: "inquiry", Site: "harrow-knoll", From: time.Unix(0, 0)}}}
}

func TestConfigurationsInForce(t *testing.T) {
	st := newStage(t)
	for i, hash := range []string{"first", "second"} {
		if err := st.Store.KeepConfiguration(hash, []store.ConfigFile{{Name: "standwatch.yaml", Text: []byte("# " + hash + "\n")}}); err != nil {
			t.Fatal(err)
		}
		st.Step(time.Duration(i) * time.Hour)
		st.Do(t, &correlate.Reconfigure{Hash: hash, Summary: "what changed", Actor: "setup"})
	}
	list := decode[ConfigurationsAnswer](t, st.ask("GET", "/api/v1/configurations", "")).Configurations
	if len(list) != 2 || list[0].Hash != "second" || list[1].Hash != "first" || list[0].Since.Sub(list[1].Since) != time.Hour || list[0].Actor != "setup" {
		t.Errorf("in force: %+v", list)
	}
	one := decode[ConfigurationAnswer](t, st.ask("GET", "/api/v1/configurations/second", ""))
	if diff := cmp.Diff([]ConfigText{{"standwatch.yaml", "# second\n"}}, one.Files); diff != "" {
		t.Error(diff)
	}
	if r := st.ask("GET", "/api/v1/configurations/third", ""); r.StatusCode != http.StatusNotFound {
		t.Errorf("a configuration that never was: %d", r.StatusCode)
	}
}

func TestStoreTellsWhatItLetGo(t *testing.T) {
	s := storetest.Open(t, t.TempDir(), store.Options{SegmentRecords: 100})
	m := storetest.NewMaker(1, 0)
	for range 5 {
		if err := s.Append(m.Records(50)); err != nil {
			t.Fatal(err)
		}
	}
	st := newStage(t)
	st.server.Archive, st.server.Journal = s, s
	storetest.Tend(t, s)
	if _, err := s.Retain(t.Context(), store.Policy{MaxBytes: 1, Keep: func(r *correlate.Record) bool { return r.Seq == 7 }}); err != nil {
		t.Fatal(err)
	}
	got := decode[StoreAnswer](t, st.ask("GET", "/api/v1/store", ""))
	if got.Records != 50 || got.First != 201 || got.Last != 250 || got.Octets == 0 || len(got.Dropped) != 2 || got.Since.IsZero() {
		t.Errorf("store %+v", got)
	}
	if d := got.Dropped[1]; d.First != 1 || d.Last != 100 || d.Kept != 1 || d.Why != "size" || len(d.Chain) != 64 {
		t.Errorf("dropped %+v", d)
	}
	want := KeepAnswer{AgeSeconds: 86400, SizeOctets: 5, RegulatedSeconds: 172800}
	if diff := cmp.Diff(want, got.Keep); diff != "" || len(got.Holds) != 1 {
		t.Errorf("holds %v, keep:\n%s", got.Holds, diff)
	}
}
