package api

import (
	"bytes"
	"encoding/json"
	"io"
	"maps"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/cmd/standwatch/api/apitest"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store"

	"github.com/google/go-cmp/cmp"
	"github.com/santhosh-tekuri/jsonschema/v6"
)

type description struct {
	OpenAPI string
	Info    struct{ Version string }
	Paths   map[string]map[string]struct {
		Responses map[string]struct {
			Content map[string]struct {
				Schema struct {
					Ref string `json:"$ref"`
				}
			}
		}
	}
}

func described(t *testing.T, st *stage) (description, []byte) {
	t.Helper()
	r := st.ask("GET", "/api/v1/openapi.json", "")
	body, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	var d description
	if err := json.Unmarshal(body, &d); err != nil {
		t.Fatal(err)
	}
	return d, body
}

func TestOpenAPIListsTheRoutes(t *testing.T) {
	st := newStage(t)
	d, _ := described(t, st)
	var want, got []string
	for _, rt := range st.server.routes() {
		want = append(want, rt.Method+" "+rt.Path)
	}
	for path, methods := range d.Paths {
		for method := range methods {
			got = append(got, strings.ToUpper(method)+" "+path)
		}
	}
	slices.Sort(want)
	slices.Sort(got)
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("routes (-served +described):\n%s", diff)
	}
	if d.Info.Version != `1.0 "test"` || !strings.HasPrefix(d.OpenAPI, "3.1") {
		t.Errorf("version %q of OpenAPI %q", d.Info.Version, d.OpenAPI)
	}
}

// Each answer is checked against the schema that the document gives for it
// (OpenAPI 3.1 schemas are JSON Schema 2020-12), formats included.
func TestAnswersFollowTheirSchemas(t *testing.T) {
	st := newStage(t)
	fill(t, st)
	d, doc := described(t, st)
	raw, err := jsonschema.UnmarshalJSON(bytes.NewReader(doc))
	if err != nil {
		t.Fatal(err)
	}
	compiler := jsonschema.NewCompiler()
	compiler.DefaultDraft(jsonschema.Draft2020)
	compiler.AssertFormat()
	if err := compiler.AddResource("openapi.json", raw); err != nil {
		t.Fatal(err)
	}
	asked := map[string]string{ // described path: an address of it
		"/alarms": "/alarms?state=all", "/alarms/{id}": "/alarms/harrow-knoll:mains", "/history": "/history?limit=1000", "/sites": "/sites",
		"/sites/{id}": "/sites/harrow-knoll", "/rosters": "/rosters", "/rosters/{name}": "/rosters/south", "/intake": "/intake", "/outbox": "/outbox", "/sentence": "/sentence",
		"/shifts": "/shifts", "/shifts/{date}/{name}": "/shifts/2026-11-25/day", "/report": "/report?from=2026-11-20T00:00:00Z&to=2026-11-30T00:00:00Z",
		"/store": "/store", "/silences": "/silences", "/configurations": "/configurations", "/configurations/{hash}": "/configurations/first",
		"/alarms/{id}/explanation": "/alarms/harrow-knoll:mains/explanation", "/rosters/{name}/turns": "/rosters/south/turns", "/would-tell": "/would-tell?site=harrow-knoll&point=mains",
	}
	for _, path := range slices.Sorted(maps.Keys(d.Paths)) {
		get, ok := d.Paths[path]["get"]
		schema := get.Responses["200"].Content["application/json"].Schema.Ref
		if !ok || schema == "" {
			continue
		}
		if asked[path] == "" {
			t.Errorf("%s is described, but not asked here", path)
			continue
		}
		check(t, compiler, schema, st.ask("GET", "/api/v1"+asked[path], ""))
		check(t, compiler, "#/components/schemas/Problem", st.ask("GET", "/api/v1"+asked[path]+"?no=such", ""))
	}
	check(t, compiler, "#/components/schemas/Alarm", st.ask("POST", "/api/v1/alarms/harrow-knoll:mains/note", `{"text":"seen"}`))
}

func check(t *testing.T, c *jsonschema.Compiler, ref string, r *http.Response) {
	t.Helper()
	schema, err := c.Compile("openapi.json" + ref)
	if err != nil {
		t.Fatal(err)
	}
	v, err := jsonschema.UnmarshalJSON(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	if err := schema.Validate(v); err != nil {
		t.Errorf("%s: %v", ref, err)
	}
}

// fill brings about every kind of thing that answers can carry.
func fill(t *testing.T, st *stage) {
	t.Helper()
	if err := st.Store.KeepConfiguration("first", []store.ConfigFile{{Name: "standwatch.yaml", Text: []byte("centre: {}\n")}}); err != nil {
		t.Fatal(err)
	}
	st.Do(t, &correlate.Reconfigure{Hash: "first", Actor: "setup"})
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", ""), apitest.Raise("harrow-knoll", "rectifier", ""))
	st.Trap(t, correlate.Observation{Key: apitest.Key("harrow-knoll", "battery"), What: correlate.Value, Value: 46.2})
	st.Trap(t)
	for range 8 {
		st.Trap(t, apitest.Raise("sallow-fen", "door", ""))
		st.Step(2 * time.Second)
		st.Trap(t, apitest.Clear("sallow-fen", "door"))
		st.Step(2 * time.Second)
	}
	for _, a := range []struct{ path, body string }{
		{"harrow-knoll:mains/acknowledge", ``}, {"harrow-knoll:mains/note", `{"text":"generator runs"}`},
		{"sallow-fen:door/shelve", `{"text":"works","until":"` + st.Now().Add(time.Hour).Format(time.RFC3339) + `"}`},
	} {
		if r := st.ask("POST", "/api/v1/alarms/"+a.path, a.body); r.StatusCode != 200 {
			t.Fatalf("%s answered %d", a.path, r.StatusCode)
		}
	}
	silence := `{"kind":"out-of-service","scope":[{"site":"harrow-knoll","point":"mains"}],"until":"` + st.Now().Add(time.Hour).Format(time.RFC3339) + `","reason":"meter replaced"}`
	if r := st.ask("POST", "/api/v1/silences", silence); r.StatusCode != 200 {
		t.Fatalf("a silence answered %d", r.StatusCode)
	}
}

// Every operation asks for one of the ways in that the document describes.
func TestOpenAPISaysHowToGetIn(t *testing.T) {
	_, doc := described(t, newStage(t))
	var d struct {
		Security   []map[string][]string
		Paths      map[string]map[string]struct{ Security *[]map[string][]string }
		Components struct {
			SecuritySchemes map[string]struct{ Type, Scheme, In, Name string }
		}
	}
	if err := json.Unmarshal(doc, &d); err != nil {
		t.Fatal(err)
	}
	if len(d.Security) != 2 || d.Components.SecuritySchemes["token"].Scheme != "bearer" || d.Components.SecuritySchemes["session"].In != "cookie" {
		t.Errorf("ways in %v of %v", d.Security, d.Components.SecuritySchemes)
	}
	for path, methods := range d.Paths {
		for method, op := range methods {
			if op.Security != nil {
				t.Errorf("%s %s has ways in of its own: %v", method, path, *op.Security)
			}
		}
	}
}
