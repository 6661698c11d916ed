package main

import (
	"fmt"
	"time"

	"example.net/standwatch/configs"
	"github.com/spf13/cobra"
)

// checkAhead is how far rosters are looked at for holes.
const checkAhead = 8 * 7 * 24 * time.Hour

func newCheckCommand() *cobra.Command {
	var dir string
	cmd := &cobra.Command{
		Use:   "check --config DIR",
		Short: "Name every mistake in a configuration, by file, line and column",
		Long: `Check reads a configuration as serve would and names every mistake at once. It
also names what is no mistake but may not be meant: hours of the next eight
weeks with nobody on call, points of which nobody is ever told, sites without
agents, rules that can never match.

The exit code is 0 when there is no mistake, 1 when there is one.`,
		Example: "  standwatch check --config /etc/standwatch",
		Args:    noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if dir == "" {
				return fmt.Errorf("%w: --config DIR is missing", errUsage)
			}
			cfg, problems := configs.LoadFolder(cmd.Context(), dir, configs.Options{})
			out := cmd.OutOrStdout()
			problems.Print(out)
			if problems.Mistakes() {
				return problemError{problems}
			}
			cfg.Check(time.Now(), checkAhead).Print(out)
			fmt.Fprintf(out, "No mistakes: %s, %s, %s.\n", counted(len(cfg.Network.Sites())-1, "site"), counted(cfg.Network.Agents(), "agent"), counted(len(cfg.Rules.Rules()), "rule"))
			return nil
		},
	}
	cmd.Flags().StringVar(&dir, "config", "", "folder of the configuration (required)")
	return cmd
}

// counted is "1 site" or "24 sites".
func counted(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}
