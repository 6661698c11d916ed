package configs

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"io/fs"
	"net/netip"
	"os"
	"path"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	reflected "github.com/invopop/jsonschema"
	"github.com/rogpeppe/go-internal/txtar"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"go.yaml.in/yaml/v4"

	"example.net/standwatch/configs/example"
	"example.net/standwatch/configs/packs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/mail"
	"example.net/standwatch/receiver/rules"
	"example.net/standwatch/receiver/usm"
)

// schemaShapes are the files that have a schema, with their shapes.
func schemaShapes() map[string]any {
	return map[string]any{"standwatch": daemonFile{}, "people": peopleFile{}, "sites": sitesFile{}, "maintenance": worksFile{}, "rules": rulesFile{}}
}

// elements is implemented by the generic shapes, so that the schema can look at
// what is within them.
type elements interface{ element() reflect.Type }

func (entries[T]) element() reflect.Type { return reflect.TypeFor[T]() }
func (list[T]) element() reflect.Type    { return reflect.TypeFor[T]() }
func (val[T]) element() reflect.Type     { return reflect.TypeFor[T]() }

type schemaMaker struct{ reflector *reflected.Reflector }

func newSchemaMaker() *schemaMaker {
	m := &schemaMaker{}
	m.reflector = &reflected.Reflector{Anonymous: true, DoNotReference: true, ExpandedStruct: true, FieldNameTag: "yaml", RequiredFromJSONSchemaTags: true, Mapper: m.of}
	return m
}

// within is the schema of a type inside another.
func (m *schemaMaker) within(t reflect.Type) *reflected.Schema {
	if t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if s := m.of(t); s != nil {
		return s
	}
	s := m.reflector.ReflectFromType(t)
	s.Version = ""
	return s
}

func oneOf(list ...string) *reflected.Schema {
	s := &reflected.Schema{Type: "string"}
	for _, w := range list {
		s.Enum = append(s.Enum, w)
	}
	return s
}

func pattern(p string) *reflected.Schema { return &reflected.Schema{Type: "string", Pattern: p} }

func either(schemas ...*reflected.Schema) *reflected.Schema { return &reflected.Schema{AnyOf: schemas} }

// fromEnv is a value that comes from the environment.
func fromEnv() *reflected.Schema { return pattern(`\$\{env:`) }

// of is the schema of the types that the reflector cannot know about.
func (m *schemaMaker) of(t reflect.Type) *reflected.Schema {
	switch t {
	case reflect.TypeFor[flapShape]():
		return either(oneOf("on", "off", "count-only"), &reflected.Schema{Type: "boolean"}, m.within(reflect.TypeFor[flapKeys]()))
	case reflect.TypeFor[useShape]():
		return either(&reflected.Schema{Type: "string"}, m.within(reflect.TypeFor[useKeys]()))
	case reflect.TypeFor[paramShape]():
		return either(m.scalar(reflect.TypeFor[string]()), &reflected.Schema{Type: "null"})
	}
	generic, ok := reflect.Zero(t).Interface().(elements)
	if !ok {
		return nil
	}
	name := t.Name()
	switch {
	case strings.HasPrefix(name, "entries["):
		return &reflected.Schema{Type: "object", AdditionalProperties: m.within(generic.element())}
	case strings.HasPrefix(name, "list["):
		item := m.within(generic.element())
		return either(item, &reflected.Schema{Type: "array", Items: item})
	}
	return m.scalar(generic.element())
}

func (m *schemaMaker) scalar(t reflect.Type) *reflected.Schema {
	switch t {
	case reflect.TypeFor[string]():
		return &reflected.Schema{Extras: map[string]any{"type": []string{"string", "number", "boolean"}}}
	case reflect.TypeFor[int]():
		return either(&reflected.Schema{Type: "integer"}, fromEnv())
	case reflect.TypeFor[float64]():
		return either(&reflected.Schema{Type: "number"}, fromEnv())
	case reflect.TypeFor[bool]():
		return either(&reflected.Schema{Type: "boolean"}, oneOf("yes", "no", "on", "off"), fromEnv())
	case reflect.TypeFor[time.Duration]():
		return either(pattern(`^([0-9]+w)?([0-9]+d)?([0-9.]+(h|m|s|ms))*$`), fromEnv())
	case reflect.TypeFor[correlate.Severity]():
		return oneOf(severityWords()...)
	case reflect.TypeFor[correlate.Kind]():
		return oneOf(correlate.Kinds()...)
	case reflect.TypeFor[size]():
		return either(pattern(`^[0-9]+ *(KiB|MiB|GiB)?$`), &reflected.Schema{Type: "integer"}, fromEnv())
	case reflect.TypeFor[Secret]():
		return pattern(`^\$\{(env|file|cred):[^}|]+\}$`)
	case reflect.TypeFor[engineID]():
		return either(&reflected.Schema{Type: "string"}, &reflected.Schema{Type: "integer"})
	case reflect.TypeFor[netip.Addr](), reflect.TypeFor[netip.Prefix](), reflect.TypeFor[netip.AddrPort]():
		return &reflected.Schema{Type: "string"}
	}
	panic("no schema for " + t.String())
}

// choices are keys whose text is one of a few words.
func choices() map[string][]string {
	return map[string][]string{
		"cause": probableCauses(), "normally": {"open", "closed"}, "minimum": levelWords(), "auth": append(usm.AuthWords(), "sha"),
		"priv": append(usm.PrivWords(), "aes"), "tls": {string(mail.StartTLS), string(mail.Implicit), string(mail.None)},
		"every": {"day", "week"}, "what": rules.Whats(),
	}
}

// narrow puts the choices where their keys are.
func narrow(s *reflected.Schema) {
	if s == nil {
		return
	}
	for _, sub := range append(s.AnyOf, s.Items, s.AdditionalProperties) {
		narrow(sub)
	}
	if s.Properties == nil {
		return
	}
	for p := s.Properties.Oldest(); p != nil; p = p.Next() {
		if p.Key == "specific" { // numbers, which YAML may take for one
			p.Value = &reflected.Schema{Description: p.Value.Description, Extras: map[string]any{"type": []string{"string", "integer"}}}
		}
		if list := choices()[p.Key]; list != nil {
			described := p.Value.Description
			p.Value = oneOf(list...)
			p.Value.Description = described
		}
		narrow(p.Value)
	}
}

func schemaText(tb testing.TB, name string, shape any) []byte {
	tb.Helper()
	s := newSchemaMaker().reflector.Reflect(shape)
	s.Title = name + " file of Standwatch"
	narrow(s)
	text, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		tb.Fatal(err)
	}
	return append(text, '\n')
}

// TestSchemasAreThoseOfTheTypes fails when a shape has changed and the schemas
// checked in have not; go test ./configs -run Schema -update writes them.
func TestSchemasAreThoseOfTheTypes(t *testing.T) {
	for name, shape := range schemaShapes() {
		file := filepath.Join("schema", name+".schema.json")
		text := schemaText(t, name, shape)
		if flag.Lookup("update").Value.String() == "true" {
			if err := os.WriteFile(file, text, 0o644); err != nil {
				t.Fatal(err)
			}
			continue
		}
		old, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(old, text) {
			t.Errorf("%s is not that of the types; run go test ./configs -run Schema -update", file)
		}
	}
}

func compiled(tb testing.TB, name string) *jsonschema.Schema {
	tb.Helper()
	s, err := jsonschema.NewCompiler().Compile(filepath.Join("schema", name+".schema.json"))
	if err != nil {
		tb.Fatal(err)
	}
	return s
}

// asJSON is a YAML text as a JSON validator wants it.
func asJSON(tb testing.TB, text []byte) any {
	tb.Helper()
	var v any
	if err := yaml.Load(text, &v); err != nil {
		tb.Fatal(err)
	}
	encoded, err := json.Marshal(stringKeys(v))
	if err != nil {
		tb.Fatal(err)
	}
	out, err := jsonschema.UnmarshalJSON(bytes.NewReader(encoded))
	if err != nil {
		tb.Fatal(err)
	}
	return out
}

func stringKeys(v any) any {
	switch v := v.(type) {
	case map[string]any:
		for k := range v {
			v[k] = stringKeys(v[k])
		}
	case map[any]any:
		out := map[string]any{}
		for k, item := range v {
			out[fmt.Sprint(k)] = stringKeys(item)
		}
		return out
	case []any:
		for i := range v {
			v[i] = stringKeys(v[i])
		}
	case time.Time:
		return v.Format(time.DateOnly)
	}
	return v
}

// schemaOf names the schema of a configuration file.
func schemaOf(name string) string {
	if dir := path.Dir(name); dir != "." {
		return dir
	}
	return strings.TrimSuffix(path.Base(name), ".yaml")
}

func TestShippedFilesFitTheSchemas(t *testing.T) {
	count := 0
	check := func(fsys fs.FS, name, schema string) {
		text, err := fs.ReadFile(fsys, name)
		if err != nil {
			t.Fatal(err)
		}
		if err := compiled(t, schema).Validate(asJSON(t, text)); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		count++
	}
	err := fs.WalkDir(example.FS, ".", func(name string, e fs.DirEntry, err error) error {
		if err == nil && !e.IsDir() {
			check(example.FS, name, schemaOf(name))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	names, err := fs.Glob(packs.FS, "*.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		check(packs.FS, name, "rules")
	}
	check(os.DirFS("."), "self.yaml", "sites")
	if count < 7+len(names) || len(names) == 0 {
		t.Errorf("only %d files were checked", count)
	}
}

// TestSchemasRefuseWhatTheLoaderRefuses checks the mistakes that a schema can
// see.
func TestSchemasRefuseWhatTheLoaderRefuses(t *testing.T) {
	for _, c := range []struct{ schema, text string }{
		{"standwatch", "center: {}"}, {"standwatch", "traps: {listeners: {a: {adress: x}}}"}, {"standwatch", "security: {communities: {a: public}}"},
		{"sites", "sites: {a: {points: {b: {severity: majr}}}}"}, {"sites", "sites: {a: {points: {b: {colour: red}}}}"}, {"sites", "sites: {a: {points: {b: {raise-after: 5}}}}"},
		{"sites", "sites: {a: {points: {b: {cause: commercialPowerFailur}}}}"}, {"sites", "sites: {a: {points: [door]}}"},
		{"people", "peple: {}"}, {"people", "ladders: {a: {rungs: [{wait: soon}]}}"}, {"rules", "rules: [{observe: [{whta: raise}]}]"},
	} {
		if err := compiled(t, c.schema).Validate(asJSON(t, []byte(c.text))); err == nil {
			t.Errorf("%s takes %s", c.schema, c.text)
		}
	}
	archive, err := txtar.ParseFile("testdata/problems/findings.txtar")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range archive.Files {
		if f.Name == "want" {
			continue
		}
		if err := compiled(t, schemaOf(f.Name)).Validate(asJSON(t, f.Data)); err != nil {
			t.Errorf("%s is good for the loader, but not for the schema: %v", f.Name, err)
		}
	}
}
