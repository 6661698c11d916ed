package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"
)

// TestManPages writes a manual page for every command, into the folder that
// STANDWATCH_MAN names for whoever makes packages, and sees that each says
// what its command is for and names every flag.
func TestManPages(t *testing.T) {
	dir := t.TempDir()
	if want := os.Getenv("STANDWATCH_MAN"); want != "" {
		dir = want
	}
	root := newRootCommand()
	root.DisableAutoGenTag = true
	// The day of the release, so that the same source gives the same pages.
	day := time.Date(2026, time.November, 25, 0, 0, 0, 0, time.UTC)
	header := &doc.GenManHeader{Section: "1", Source: "standwatch " + version, Manual: "Standwatch", Date: &day}
	if err := doc.GenManTree(root, header, dir); err != nil {
		t.Fatal(err)
	}
	var check func(*cobra.Command)
	check = func(cmd *cobra.Command) {
		if !cmd.IsAvailableCommand() && cmd != root {
			return
		}
		name := strings.ReplaceAll(cmd.CommandPath(), " ", "-")
		page, err := os.ReadFile(filepath.Join(dir, name+".1"))
		if err != nil {
			t.Error(err)
			return
		}
		if !bytes.Contains(page, []byte(strings.ReplaceAll(cmd.Short, "-", `\-`))) && !bytes.Contains(page, []byte(cmd.Short)) {
			t.Errorf("the page of %s does not say what it is for", cmd.CommandPath())
		}
		if cmd.HasSubCommands() {
			for _, sub := range cmd.Commands() {
				check(sub)
			}
			return
		}
		if cmd.Long == "" && cmd.Example == "" && cmd.Name() != "version" {
			t.Errorf("%s has no description for its page", cmd.CommandPath())
		}
	}
	check(root)
}
