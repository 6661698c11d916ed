package packs_test

import (
	"os"
	"testing"

	"go.yaml.in/yaml/v4"

	"example.net/standwatch/receiver/mib"
	"example.net/standwatch/receiver/rules"
)

// TestDraftsCompile: what the MIB reader drafts is in the form that packs and a
// person's own rules have, and compiles, whether the configuration knows the
// MIB's names or not.
func TestDraftsCompile(t *testing.T) {
	lib, problems := mib.ReadFolder(os.DirFS("../../receiver/mib/testdata/clean"), nil)
	for _, p := range problems {
		t.Error(p)
	}
	for name, known := range map[string]*mib.Names{"known": lib.Names, "unknown": mib.Standard()} {
		var file rules.File
		draft := mib.Draft(lib, mib.DraftOptions{Configured: known})
		if err := yaml.Load([]byte(draft.Rules), &file, yaml.WithKnownFields()); err != nil {
			t.Fatalf("%s: %v\n%s", name, err, draft.Rules)
		}
		if len(file.Rules) != 5 {
			t.Errorf("%s: %d rules", name, len(file.Rules))
		}
		if _, faults := rules.Compile(file.Rules, rules.Options{Names: known}); len(faults) > 0 {
			t.Errorf("%s: %v", name, faults)
		}
		var sheet struct {
			Templates map[string]struct{ Points map[string]any }
		}
		if err := yaml.Load([]byte(draft.Points), &sheet); err != nil || len(sheet.Templates["drafted"].Points) != 5 {
			t.Errorf("%s: points: %v\n%s", name, err, draft.Points)
		}
	}
}
