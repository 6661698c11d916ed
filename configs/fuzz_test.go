package configs_test

import (
	"bytes"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/rogpeppe/go-internal/txtar"

	"example.net/standwatch/configs"
)

// FuzzLoad feeds the four kinds of file. Whatever comes, a load ends, does not
// panic, gives either a configuration or mistakes, places each of them inside a
// file, and never shows a secret.
func FuzzLoad(f *testing.F) {
	files, err := filepath.Glob("testdata/problems/*.txtar")
	if err != nil || len(files) == 0 {
		f.Fatalf("seeds: %d, %v", len(files), err)
	}
	names := []string{"standwatch.yaml", "people.yaml", "sites/one.yaml", "rules/own.yaml"}
	for _, name := range files {
		archive, err := txtar.ParseFile(name)
		if err != nil {
			f.Fatal(err)
		}
		fsys := base()
		fsys["rules/own.yaml"] = &fstest.MapFile{Data: []byte("use: [if]\n")}
		for _, file := range archive.Files {
			fsys[file.Name] = &fstest.MapFile{Data: file.Data}
		}
		f.Add(fsys[names[0]].Data, fsys[names[1]].Data, fsys[names[2]].Data, fsys[names[3]].Data)
	}
	f.Add([]byte("console: {"), []byte("people: ["), []byte("site: \r["), []byte("rules: \u2028{"))
	f.Fuzz(func(t *testing.T, daemon, people, sites, rules []byte) {
		fsys := fstest.MapFS{}
		for i, text := range [][]byte{daemon, people, sites, rules} {
			fsys[names[i]] = &fstest.MapFile{Data: text}
		}
		cfg, problems := configs.Load(t.Context(), fsys, testOptions())
		if (cfg == nil) != problems.Mistakes() {
			t.Fatalf("nil: %v, mistakes: %v", cfg == nil, problems.Mistakes())
		}
		var b bytes.Buffer
		if err := problems.Print(&b); err != nil {
			t.Fatal(err)
		}
		if strings.Contains(b.String(), passText) || strings.Contains(b.String(), communityText) {
			t.Fatalf("a secret is shown:\n%s", b.String())
		}
		for _, p := range problems {
			file, ours := fsys[p.File]
			if p.Line < 0 || p.Column < 0 || ours && p.Line > 1+configs.LineEndsForTest(file.Data) {
				t.Fatalf("a problem outside its file: %v", p)
			}
		}
		if cfg != nil && configs.Diff(cfg, cfg).String() != "nothing changed" {
			t.Fatalf("a configuration differs from itself: %s", configs.Diff(cfg, cfg))
		}
	})
}
