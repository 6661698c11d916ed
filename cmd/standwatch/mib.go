package main

import (
	"fmt"
	"io"
	"os"

	"example.net/standwatch/receiver/mib"
	"github.com/spf13/cobra"
)

func newMIBCommand() *cobra.Command {
	var template string
	cmd := &cobra.Command{
		Use:   "mib FILE...",
		Short: "List the notifications of MIB files and draft rules and points for them",
		Long: `Mib reads MIB texts (SMIv1 and SMIv2), says what in them it could not read, and
drafts rules and a point sheet for their notifications. Pairs that look like the
two sides of one thing become one point; the reason stands in a comment.

It is a draft: somebody who knows the device reads it before it is used.`,
		Example: "  standwatch mib VENDOR-MIB.txt VENDOR-TC.txt",
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return fmt.Errorf("%w: name at least one MIB file", errUsage)
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, files []string) error {
			return draftMIBs(cmd.OutOrStdout(), cmd.ErrOrStderr(), files, template)
		},
	}
	cmd.Flags().StringVar(&template, "template", "drafted", "name of the drafted point sheet")
	return cmd
}

func draftMIBs(out, errOut io.Writer, files []string, template string) error {
	var modules []*mib.Module
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			return fmt.Errorf("read a MIB: %w", err)
		}
		read, problems := mib.Read(file, text)
		modules = append(modules, read...)
		tellMIB(errOut, problems)
	}
	library, problems := mib.Resolve(modules, mib.Standard())
	tellMIB(errOut, problems)
	if len(library.Notifications()) == 0 {
		return fmt.Errorf("no notification is defined in what could be read of %v", files)
	}
	drafted := mib.Draft(library, mib.DraftOptions{Template: template})
	fmt.Fprintf(out, "# A file for the rules folder:\n%s\n# A file for the sites folder:\n%s", drafted.Rules, drafted.Points)
	return nil
}

func tellMIB(w io.Writer, problems []mib.Problem) {
	for _, p := range problems {
		fmt.Fprintln(w, p.Error())
	}
}
