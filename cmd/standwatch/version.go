package main

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

// version is the released version; the build's own facts are added to it.
const version = "0.1.0"

func newVersionCommand() *cobra.Command {
	return &cobra.Command{
		Use: "version", Short: "Print the version and how it was built", Args: noArgs,
		Run: func(cmd *cobra.Command, _ []string) { fmt.Fprintln(cmd.OutOrStdout(), versionText()) },
	}
}

// versionText returns the version, the commit where the build knows it, the Go
// version and the platform.
func versionText() string {
	commit := ""
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if s.Key == "vcs.revision" && len(s.Value) >= 12 {
				commit = " commit " + s.Value[:12]
			}
		}
	}
	return fmt.Sprintf("standwatch %s%s %s %s/%s", version, commit, runtime.Version(), runtime.GOOS, runtime.GOARCH)
}
