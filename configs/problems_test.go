package configs_test

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/rogpeppe/go-internal/txtar"

	"example.net/standwatch/configs"
	"example.net/standwatch/receiver/mib"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// base is a small good configuration; a test replaces the files it is about.
func base() fstest.MapFS {
	file := func(text string) *fstest.MapFile { return &fstest.MapFile{Data: []byte(text)} }
	return fstest.MapFS{
		"standwatch.yaml": file("centre: {name: Test centre, time-zone: UTC}\nsecurity:\n  communities: {field: '${env:COMMUNITY}'}\n" +
			"traps:\n  listeners:\n    field: {address: '127.0.0.1:0', community: field}\n"),
		"people.yaml": file("routes:\n  - {name: all, board-only: yes}\n"),
		"sites/one.yaml": file("sites:\n  one:\n    agents:\n      one-remote: {addresses: 192.0.2.1, community: field}\n" +
			"    points:\n      door: {severity: minor}\n"),
	}
}

// sealed are the secrets of the tests; none may ever be shown.
const (
	communityText = "hunter2community"
	passText      = "hunter2passphrase"
	inlineText    = "hunter2inline"
)

// standardNames are made once: there are many of them.
var standardNames = sync.OnceValue(mib.Standard)

func testOptions() configs.Options {
	env := map[string]string{"COMMUNITY": communityText, "PASS": passText, "EMPTY": "", "LONG": passText + passText, "CREDENTIALS_DIRECTORY": "/run/creds", "SHORT": "hunter2", "KEY": "00112233445566778899aabbccddeeff00112233"}
	return configs.Options{
		Names: standardNames(),
		Env:   func(name string) (string, bool) { v, ok := env[name]; return v, ok },
		ReadFile: func(path string) ([]byte, error) {
			if path == "/etc/secret" || path == "/run/creds/pass" {
				return []byte(passText + "\n"), nil
			}
			return nil, &os.PathError{Op: "open", Path: path, Err: os.ErrNotExist}
		},
	}
}

// TestProblems loads each configuration in testdata/problems and compares what
// is said about it, positions and carets included, with what was read and found
// good before.
func TestProblems(t *testing.T) {
	files, err := filepath.Glob("testdata/problems/*.txtar")
	if err != nil || len(files) == 0 {
		t.Fatalf("golden files: %d, %v", len(files), err)
	}
	for _, name := range files {
		t.Run(strings.TrimSuffix(filepath.Base(name), ".txtar"), func(t *testing.T) {
			archive, err := txtar.ParseFile(name)
			if err != nil {
				t.Fatal(err)
			}
			fsys, want := base(), ""
			for _, f := range archive.Files {
				if f.Name == "want" {
					want = string(f.Data)
					continue
				}
				fsys[f.Name] = &fstest.MapFile{Data: f.Data}
			}
			got := said(t, fsys)
			if *update {
				archive.Files = slices.DeleteFunc(archive.Files, func(f txtar.File) bool { return f.Name == "want" })
				archive.Files = append(archive.Files, txtar.File{Name: "want", Data: []byte(got)})
				if err := os.WriteFile(name, txtar.Format(archive), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("problems (-want +got):\n%s", diff)
			}
		})
	}
}

// said loads a configuration and returns all that is said about it, by Check
// too if it is good.
func said(t *testing.T, fsys fstest.MapFS) string {
	t.Helper()
	cfg, problems := configs.Load(t.Context(), fsys, testOptions())
	if (cfg == nil) != problems.Mistakes() {
		t.Errorf("a configuration that is nil: %v, with mistakes: %v", cfg == nil, problems.Mistakes())
	}
	if cfg != nil {
		problems = append(problems, cfg.Check(time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC), 14*24*time.Hour)...)
	}
	var b bytes.Buffer
	if err := problems.Print(&b); err != nil {
		t.Fatal(err)
	}
	for _, secret := range []string{communityText, passText, inlineText} {
		if strings.Contains(b.String(), secret) {
			t.Errorf("a secret is shown:\n%s", b.String())
		}
	}
	return b.String()
}
