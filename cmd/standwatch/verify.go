package main

import (
	"errors"
	"fmt"

	"example.net/standwatch/store"
	"github.com/rs/zerolog"
	"github.com/spf13/cobra"
)

func newVerifyCommand() *cobra.Command {
	var data string
	cmd := &cobra.Command{
		Use:   "verify --data DIR",
		Short: "Read a data folder back and prove that it is whole",
		Long: `Verify reads every record of a data folder that no daemon has open, follows its
hash chain, and compares the state that a start would load with the one that
the journal folds to. It changes nothing.`,
		Example: "  standwatch verify --data /var/lib/standwatch",
		Args:    noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if data == "" {
				return fmt.Errorf("%w: --data DIR is missing", errUsage)
			}
			s, err := store.Open(data, store.Options{ReadOnly: true, Log: zerolog.Nop()})
			if err != nil {
				return err
			}
			report, err := s.Verify(cmd.Context(), nil)
			if err = errors.Join(err, s.Close()); err != nil {
				return err
			}
			out := cmd.OutOrStdout()
			for _, p := range report.Problems {
				fmt.Fprintln(out, p)
			}
			if !report.Good() {
				return fmt.Errorf("%s is not whole: %d problems", data, len(report.Problems))
			}
			fmt.Fprintf(out, "%s is whole: %d records in %d segments.\n", data, report.Records, report.Segments)
			return nil
		},
	}
	cmd.Flags().StringVar(&data, "data", "", "the data folder (required)")
	return cmd
}
