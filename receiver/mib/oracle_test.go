package mib

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	gosmi "github.com/sleepinggenius2/gosmi/parser"
	"github.com/sleepinggenius2/gosmi/types"
)

// TestAgainstAnotherParser reads the clean modules with the parser of gosmi,
// which is written from the same standards (RFC 2578, RFC 1212, RFC 1215) by
// others, and compares what each says of every name: what it is, the objects of
// a notification in their order, the words of an enumeration, the unit.
func TestAgainstAnotherParser(t *testing.T) {
	files, err := filepath.Glob("testdata/clean/*.mib")
	if err != nil || len(files) == 0 {
		t.Fatal("no modules", err)
	}
	lib, _ := readAll(t, "testdata/clean")
	ours := map[string]string{}
	for _, o := range lib.Objects {
		ours[o.Module+" "+o.Name] = sayOurs(o)
	}
	theirs := map[string]string{}
	for _, file := range files {
		f, err := os.Open(file)
		if err != nil {
			t.Fatal(err)
		}
		m, err := gosmi.Parse(f)
		if err := f.Close(); err != nil {
			t.Error(err)
		}
		if err != nil {
			t.Fatalf("the other parser cannot read %s: %v", file, err)
		}
		if m.Body.Identity != nil {
			theirs[string(m.Name)+" "+string(m.Body.Identity.Name)] = "node"
		}
		for _, n := range m.Body.Nodes {
			theirs[string(m.Name)+" "+string(n.Name)] = sayTheirs(n)
		}
	}
	if len(theirs) < 20 {
		t.Errorf("only %d names were compared: %v", len(theirs), slices.Sorted(maps.Keys(theirs)))
	}
	if diff := cmp.Diff(theirs, ours); diff != "" {
		t.Errorf("-theirs +ours:\n%s", diff)
	}
}

func sayOurs(o *Object) string {
	switch o.Class {
	case Notification:
		return "notification of " + strings.Join(o.Objects, " ")
	case Variable:
		var words []string
		for _, w := range o.Words {
			if !isBaseType(o.Syntax) {
				break // of a textual convention, which a parser alone does not look up
			}
			words = append(words, fmt.Sprintf("%s=%d", w.Word, w.Number))
		}
		slices.Sort(words)
		return "variable " + strings.Join(words, " ") + " " + o.Units
	}
	return "node"
}

func sayTheirs(n gosmi.Node) string {
	objects := func(all []types.SmiIdentifier) string {
		var out []string
		for _, o := range all {
			out = append(out, string(o))
		}
		return "notification of " + strings.Join(out, " ")
	}
	switch {
	case n.NotificationType != nil:
		return objects(n.NotificationType.Objects)
	case n.TrapType != nil:
		return objects(n.TrapType.Objects)
	case n.ObjectType == nil || n.ObjectType.Syntax.Type == nil || len(n.ObjectType.Index) > 0 || n.ObjectType.Augments != nil:
		return "node"
	}
	var words []string
	for _, w := range n.ObjectType.Syntax.Type.Enum {
		value, err := strconv.ParseInt(w.Value, 10, 64)
		if err != nil {
			return err.Error()
		}
		words = append(words, fmt.Sprintf("%s=%d", w.Name, value))
	}
	slices.Sort(words)
	return "variable " + strings.Join(words, " ") + " " + n.ObjectType.Units
}
