package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"os/exec"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

const module = "example.net/standwatch"

// house is the project's own packages, by their folder, each with what it
// imports, tests not counted.
type house map[string][]string

// listHouse asks the go tool. Packages are named by their folder, imports of
// the project too; imports from outside keep their path.
func listHouse(t *testing.T) house {
	t.Helper()
	cmd := exec.Command("go", "list", "-json=ImportPath,Imports", module+"/...")
	var complaint strings.Builder
	cmd.Stderr = &complaint
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v\n%s", err, complaint.String())
	}
	h := house{}
	for d := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p struct {
			ImportPath string
			Imports    []string
		}
		if err := d.Decode(&p); errors.Is(err, io.EOF) {
			return h
		} else if err != nil {
			t.Fatalf("go list: %v", err)
		}
		var imports []string
		for _, i := range p.Imports {
			imports = append(imports, strings.TrimPrefix(i, module+"/"))
		}
		h[strings.TrimPrefix(p.ImportPath, module+"/")] = imports
	}
}

// within reports whether the package lies in folder or below it.
func within(pkg, folder string) bool { return pkg == folder || strings.HasPrefix(pkg, folder+"/") }

// own returns the folder's packages; a folder without any fails the test, so
// that a rule does not outlive what it speaks of.
func (h house) own(t *testing.T, folder string) []string {
	t.Helper()
	var found []string
	for pkg := range h {
		if within(pkg, folder) {
			found = append(found, pkg)
		}
	}
	if len(found) == 0 {
		t.Errorf("a rule speaks of %s, which is not there any more", folder)
	}
	return found
}

// TestDirections holds the directions in which packages may import each other
// (the design's section 3).
func TestDirections(t *testing.T) {
	h := listHouse(t)
	for _, rule := range []struct{ folder, never, reason string }{
		{"receiver", "store", "receiver, store and notify meet in types of correlate only"},
		{"receiver", "notify", "receiver, store and notify meet in types of correlate only"},
		{"store", "receiver", "receiver, store and notify meet in types of correlate only"},
		{"store", "notify", "receiver, store and notify meet in types of correlate only"},
		{"notify", "receiver", "receiver, store and notify meet in types of correlate only"},
		{"notify", "store", "receiver, store and notify meet in types of correlate only"},
		{"receiver", "configs", "constructors take narrow options; the shapes of files end at cmd"},
		{"store", "configs", "constructors take narrow options; the shapes of files end at cmd"},
		{"notify", "configs", "constructors take narrow options; the shapes of files end at cmd"},
		{"receiver/usm", "receiver/snmp", "security is below the messages"},
		{"receiver/usm", "correlate", "security knows nothing of alarms"},
		{"receiver/snmp", "correlate", "bytes to notifications and back, nothing of alarms"},
		{"receiver/snmp", "receiver/rules", "bytes to notifications and back, nothing of rules"},
		{"receiver/mib", "correlate", "names of objects, nothing of alarms"},
		{"receiver/mib", "receiver/rules", "rules are above names"},
		{"store", "store/ledger", "the ledger is above the store"},
		{"cmd/standwatch/access", "cmd/standwatch/api", "the way in is below what it leads to"},
		{"cmd/standwatch/access", "cmd/standwatch/console", "the way in is below what it leads to"},
		{"cmd/standwatch/api", "cmd/standwatch/console", "console and api do not reach into each other"},
		{"cmd/standwatch/console", "cmd/standwatch/demo", "the demonstration is not part of the product's pages"},
		{"cmd/standwatch/api", "cmd/standwatch/demo", "the demonstration is not part of the product's API"},
		{"cmd/standwatch/demo", "cmd/standwatch/console", "the demonstration knows the daemon from outside only"},
		{"cmd/standwatch/demo", "cmd/standwatch/api", "the demonstration knows the daemon from outside only"},
		{"cmd/standwatch/terminal", "cmd/standwatch/console", "the terminal knows the master by its API only"},
		{"cmd/standwatch/terminal", "store", "the terminal knows the master by its API only"},
		{"cmd/standwatch/demo", "store", "the demonstration knows the daemon from outside only"},
	} {
		for _, pkg := range h.own(t, rule.folder) {
			if within(pkg, rule.never) {
				continue
			}
			for _, i := range h[pkg] {
				if within(i, rule.never) && !(rule.never == "store/ledger" && pkg == "store/ledger") {
					t.Errorf("%s imports %s: %s", pkg, i, rule.reason)
				}
			}
		}
	}
}

// TestCorrelateStandsAlone: the core imports nothing of the project but its own
// leaves, and nothing imports cmd.
func TestCorrelateStandsAlone(t *testing.T) {
	h := listHouse(t)
	for _, pkg := range h.own(t, "correlate") {
		for _, i := range h[pkg] {
			if _, ours := h[i]; ours && !within(i, "correlate") {
				t.Errorf("%s imports %s: the core knows only its own leaves", pkg, i)
			}
		}
	}
	for pkg, imports := range h {
		for _, i := range imports {
			if within(i, "cmd") && !within(pkg, "cmd") {
				t.Errorf("%s imports %s: nothing imports cmd", pkg, i)
			}
		}
	}
}

// TestNamedImporters holds which packages may use a library. A type of these
// libraries that leaks into another folder would make it theirs too.
func TestNamedImporters(t *testing.T) {
	h := listHouse(t)
	for _, rule := range []struct {
		library, reason string
		may             []string
	}{
		{"github.com/gosnmp/gosnmp", "the receiver decodes by itself; the library asks agents, plays remotes and sends to other managers", []string{"cmd/race", "cmd/standwatch/demo", "receiver/audit", "notify/northbound"}},
		{"go.etcd.io/bbolt", "one package knows the file", []string{"store"}},
		{"github.com/fxamacker/cbor/v2", "records are encoded where they are kept", []string{"store"}},
		{"github.com/coreos/go-oidc/v3", "other providers are a way in", []string{"cmd/standwatch/access"}},
		{"golang.org/x/oauth2", "other providers are a way in", []string{"cmd/standwatch/access"}},
		{"github.com/alexedwards/argon2id", "passwords are hashed where they are kept", []string{"store/accounts"}},
		{"go.yaml.in/yaml/v4", "files end at configs", []string{"configs"}},
		{"cel.dev/cel-go", "conditions are rules", []string{"receiver/rules"}},
		{"github.com/wneessen/go-mail", "mail is one channel", []string{"notify/mail"}},
		{"go.bug.st/serial", "one package opens lines", []string{"notify/tty"}},
		{"github.com/prometheus/client_golang", "components expose plain counters", []string{"cmd/standwatch"}},
		{"github.com/spf13/cobra", "commands are cmd's", []string{"cmd/standwatch"}},
		{"github.com/coreos/go-systemd/v22", "the service manager is the program's business", []string{"cmd/standwatch"}},
		{"github.com/gopacket/gopacket", "one package reads captures", []string{"receiver/capture"}},
		{"charm.land/bubbletea/v2", "the terminal is one way to look", []string{"cmd/standwatch/terminal"}},
		{"github.com/emersion/go-smtp", "the mail server is a stand-in", []string{"cmd/standwatch/demo"}},
	} {
		used := false
		for pkg, imports := range h {
			if !slices.ContainsFunc(imports, func(i string) bool { return within(i, rule.library) }) {
				continue
			}
			used = true
			if !slices.ContainsFunc(rule.may, func(folder string) bool { return within(pkg, folder) }) {
				t.Errorf("%s imports %s: %s", pkg, rule.library, rule.reason)
			}
		}
		if !used {
			t.Errorf("a rule speaks of %s, which nothing imports", rule.library)
		}
	}
}

// pure are the folders that are handed the time and start nothing.
var pure = []string{"correlate", "receiver/rules", "receiver/usm", "receiver/mib", "receiver/snmp", "notify/roster", "notify/ladder", "notify/text", "notify/sms"}

// TestPurePackages: no clock, no goroutine, no process state in the packages
// that decide.
func TestPurePackages(t *testing.T) {
	for _, folder := range pure {
		eachFile(t, folder, func(name string, set *token.FileSet, file *ast.File) {
			ast.Inspect(file, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.GoStmt:
					t.Errorf("%s starts a goroutine", set.Position(n.Pos()))
				case *ast.SelectorExpr:
					x, ok := n.X.(*ast.Ident)
					if ok && x.Name == "time" && slices.Contains([]string{"Now", "Since", "Until", "After", "Sleep", "NewTimer", "NewTicker", "Tick", "AfterFunc"}, n.Sel.Name) {
						t.Errorf("%s asks the clock (time.%s); the time is an argument here", set.Position(n.Pos()), n.Sel.Name)
					}
					if ok && x.Name == "os" {
						t.Errorf("%s asks the system (os.%s)", set.Position(n.Pos()), n.Sel.Name)
					}
				}
				return true
			})
		})
	}
}

// TestNoInit: nothing happens before main, and no test passes over itself.
func TestNoInit(t *testing.T) {
	for pkg := range listHouse(t) {
		eachFile(t, pkg, func(name string, set *token.FileSet, file *ast.File) {
			for _, d := range file.Decls {
				if f, ok := d.(*ast.FuncDecl); ok && f.Recv == nil && f.Name.Name == "init" {
					t.Errorf("%s: init() runs before anybody can pass it anything", set.Position(f.Pos()))
				}
			}
		})
	}
}

// TestPackageComments: every package says what it answers for.
func TestPackageComments(t *testing.T) {
	for pkg := range listHouse(t) {
		documented, files := false, 0
		eachFile(t, pkg, func(name string, _ *token.FileSet, file *ast.File) {
			files++
			documented = documented || file.Doc != nil
		})
		if files > 0 && !documented {
			t.Errorf("%s has no package comment", pkg)
		}
	}
}

// eachFile parses the Go files of one folder, tests left out.
func eachFile(t *testing.T, folder string, visit func(name string, set *token.FileSet, file *ast.File)) {
	t.Helper()
	root := filepath.Join("..", "..")
	names, err := filepath.Glob(filepath.Join(root, filepath.FromSlash(folder), "*.go"))
	if err != nil {
		t.Fatal(err)
	}
	set := token.NewFileSet()
	found := 0
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(set, name, nil, parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		found++
		visit(path.Base(name), set, file)
	}
	if found == 0 {
		t.Errorf("%s holds no Go file: a rule speaks of what is not there", fmt.Sprint(folder))
	}
}
