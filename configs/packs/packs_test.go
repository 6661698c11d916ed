package packs_test

import (
	"flag"
	"fmt"
	"io/fs"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/rogpeppe/go-internal/txtar"
	"go.yaml.in/yaml/v4"

	"example.net/standwatch/configs/packs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/audit"
	"example.net/standwatch/receiver/mib"
	"example.net/standwatch/receiver/rules"
	"example.net/standwatch/receiver/snmp"
)

var update = flag.Bool("update", false, "write the golden files anew")

// packFile is a pack as written: its rules, and its questions.
type packFile struct {
	rules.File `yaml:",inline"`
	Sequence   string       `yaml:"sequence"`
	Questions  []audit.Spec `yaml:"questions"`
}

// load decodes the packs as they are embedded. Positions stay unknown.
func load(t *testing.T) map[string]rules.File {
	t.Helper()
	names, err := fs.Glob(packs.FS, "*.yaml")
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]rules.File{}
	for _, name := range names {
		text, err := packs.FS.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		var file packFile
		if err := yaml.Load(text, &file, yaml.WithKnownFields()); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if file.Pack+".yaml" != name {
			t.Errorf("%s says it is pack %q", name, file.Pack)
		}
		if file.Source == "" {
			t.Errorf("%s names no source document", name)
		}
		for i := range file.Rules {
			file.Rules[i].Pack = file.Pack
			file.Rules[i].Pos = rules.Pos{File: name, Line: i + 1}
		}
		out[file.Pack] = file.File
	}
	return out
}

func compile(t *testing.T) *rules.Set {
	t.Helper()
	var specs []rules.Spec
	for _, file := range load(t) {
		specs = append(specs, file.Rules...)
	}
	set, problems := rules.Compile(specs, rules.Options{})
	for _, p := range problems {
		t.Error(p)
	}
	return set
}

// everywhere is a site that has every point the packs speak of, and the first
// few of a remote's point list.
func everywhere(files map[string]rules.File) *correlate.Site {
	site := &correlate.Site{ID: "tern-point", Name: "Tern Point", Points: map[correlate.PointID]*correlate.Point{}}
	add := func(id string, number int) {
		if id != "" {
			site.Points[correlate.PointID(id)] = &correlate.Point{ID: correlate.PointID(id), Name: id, Number: number, Scale: 0.1, Decimals: 1}
		}
	}
	for _, file := range files {
		for _, rule := range file.Rules {
			for _, o := range rule.Observe {
				add(o.Point, 0)
				if o.Bits != nil {
					for _, id := range o.Bits.Points {
						add(id, 0)
					}
				}
			}
		}
	}
	for _, n := range []int{1, 2, 7, 32, 201, 202, 221, 241} {
		add("point-"+strconv.Itoa(n), n)
	}
	return site
}

// TestGolden runs the notifications in testdata through all packs at once, each
// also in its v1 spelling. Case files are txtar: the notification, "=>", and
// what comes of it.
func TestGolden(t *testing.T) {
	files := load(t)
	set, site := compile(t), everywhere(files)
	agent := &correlate.Agent{ID: "tern-point-remote", Site: site.ID, Point: "alive"}
	where := rules.Where{Site: site, Agent: agent}
	for pack, file := range files {
		if len(file.Rules) == 0 {
			continue // questions only; TestQuestions asks them
		}
		t.Run(pack, func(t *testing.T) {
			path := filepath.Join("testdata", pack+".txtar")
			archive, err := txtar.ParseFile(path)
			if err != nil {
				t.Fatal(err)
			}
			seen := map[string]bool{}
			for i, c := range archive.Files {
				input, want, _ := strings.Cut(string(c.Data), "=>\n")
				n := notification(t, input)
				seen[strings.Fields(input)[0]] = true
				res := set.Match(n, where)
				got := describe(res)
				if *update {
					archive.Files[i].Data = []byte(input + "=>\n" + got)
					continue
				}
				if diff := cmp.Diff(want, got); diff != "" {
					t.Errorf("%s: -want +got:\n%s", c.Name, diff)
				}
				if !strings.Contains(res.Rule, pack+".yaml") {
					t.Errorf("%s: rule %q is not of this pack", c.Name, res.Rule)
				}
			}
			for _, rule := range file.Rules {
				for _, name := range strings.Fields(rule.On) {
					if !seen[name] {
						t.Errorf("no case for %s", name)
					}
				}
			}
			if *update {
				if err := os.WriteFile(path, txtar.Format(archive), 0o644); err != nil {
					t.Fatal(err)
				}
			}
		})
	}
}

// notification reads "NAME" and then one "OBJECT TYPE VALUE" a line.
func notification(t *testing.T, text string) *snmp.Notification {
	t.Helper()
	names := mib.Standard()
	lookup := func(name string) []byte {
		oid, ok := names.Lookup(name)
		if !ok {
			t.Fatalf("no object %q", name)
		}
		return []byte(oid)
	}
	lines := strings.Split(strings.TrimSpace(text), "\n")
	head := strings.Fields(lines[0])
	n := &snmp.Notification{Version: snmp.V2c, TrapOID: lookup(head[0])}
	if len(head) > 1 { // the v1 spelling: a zero before the last number
		arcs := snmp.OID(n.TrapOID).Arcs()
		last := len(arcs) - 1
		n.Version, n.TrapOID = snmp.V1, []byte(snmp.MakeOID(append(slices.Clone(arcs[:last]), 0, arcs[last])...))
	}
	for _, line := range lines[1:] {
		parts := strings.SplitN(line, " ", 3)
		v := snmp.Varbind{Name: lookup(parts[0])}
		switch parts[1] {
		case "integer":
			number, err := strconv.Atoi(parts[2])
			if err != nil {
				t.Fatal(err)
			}
			v.Tag, v.Value = snmp.TagInteger, []byte{byte(number >> 24), byte(number >> 16), byte(number >> 8), byte(number)}
		case "text":
			v.Tag, v.Value = snmp.TagOctetString, []byte(parts[2])
		case "hex":
			v.Tag = snmp.TagOctetString
			if _, err := fmt.Sscanf(parts[2], "%x", &v.Value); err != nil {
				t.Fatal(err)
			}
		case "oid":
			v.Tag, v.Value = snmp.TagOID, lookup(parts[2])
		case "address":
			v.Tag, v.Value = snmp.TagIPAddress, netip.MustParseAddr(parts[2]).AsSlice()
		default:
			t.Fatalf("type %q", parts[1])
		}
		n.Varbinds = append(n.Varbinds, v)
	}
	return n
}

func describe(res rules.Result) string {
	var b strings.Builder
	for _, o := range res.Observations {
		fmt.Fprintf(&b, "%s %s", o.What, o.Key)
		if o.Severity != 0 {
			fmt.Fprintf(&b, " %s", o.Severity)
		}
		if o.What == correlate.Value {
			fmt.Fprintf(&b, " %g", o.Value)
		}
		if o.Text != "" {
			fmt.Fprintf(&b, " %q", o.Text)
		}
		if o.Actor != "" {
			fmt.Fprintf(&b, " by %q", o.Actor)
		}
		b.WriteString("\n")
	}
	if res.Restart {
		b.WriteString("restart\n")
	}
	if res.Unmatched != "" {
		fmt.Fprintf(&b, "unmatched: %s\n", res.Unmatched)
	}
	return b.String()
}

// claims lists the notifications that rules of packs are on.
func claims(t *testing.T) map[string]bool {
	t.Helper()
	out := map[string]bool{}
	for _, file := range load(t) {
		for _, rule := range file.Rules {
			for _, name := range strings.Fields(rule.On) {
				out[name] = true
			}
		}
	}
	return out
}

// TestEveryNotificationHasARule: of the modules in the built-in table, the
// packs leave none out.
func TestEveryNotificationHasARule(t *testing.T) {
	claimed := claims(t)
	for _, n := range mib.Standard().Notifications() {
		if !claimed[n.Name] {
			t.Errorf("no pack has a rule on %s::%s", n.Module, n.Name)
		}
	}
}
