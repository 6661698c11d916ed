package configs_test

import (
	"os"
	"testing"
	"time"

	"example.net/standwatch/configs"
	"example.net/standwatch/configs/example"
)

// loadExample loads the embedded example, which must be without any problem.
func loadExample(tb testing.TB) *configs.Config {
	tb.Helper()
	cfg, problems := configs.Load(tb.Context(), example.FS, configs.Options{Env: example.Env(nil)})
	if len(problems) > 0 {
		problems.Print(os.Stderr)
		tb.Fatalf("%d problems in the example", len(problems))
	}
	return cfg
}

func TestExampleHasNothingToComplainAbout(t *testing.T) {
	cfg := loadExample(t)
	if findings := cfg.Check(time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC), 30*24*time.Hour); len(findings) > 0 {
		findings.Print(os.Stderr)
		t.Fatalf("%d findings in the example", len(findings))
	}
}
