package scenario_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"example.net/standwatch/cmd/standwatch/scenario"
)

const folder = "../../../testdata/scenarios"

// play runs a scenario over a fresh folder.
func play(t *testing.T, sc *scenario.Scenario, restarts bool) string {
	t.Helper()
	o := scenario.Options{Folder: t.TempDir(), Restarts: restarts}
	if sc.Config != "" {
		o.Config = os.DirFS(filepath.Join(filepath.Dir(sc.File), sc.Config))
	}
	picture, err := scenario.Run(t.Context(), sc, o)
	if err != nil {
		t.Fatal(err)
	}
	return picture
}

// TestScenarios plays every story of testdata twice: straight, and with the
// store closed and opened again before every step. Both must end the same.
func TestScenarios(t *testing.T) {
	files, err := fs.Glob(os.DirFS(folder), "*.txt")
	if err != nil || len(files) < 40 {
		t.Fatalf("%d scenarios, %v; there are 40 and more", len(files), err)
	}
	for _, name := range files {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			file := filepath.Join(folder, name)
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			sc, err := scenario.Parse(file, string(text))
			if err != nil {
				t.Fatal(err)
			}
			straight := play(t, sc, false)
			if restarted := play(t, sc, true); restarted != straight {
				t.Errorf("with restarts it ended\n%s\nand not\n%s", restarted, straight)
			}
		})
	}
}
