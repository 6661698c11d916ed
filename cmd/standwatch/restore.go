package main

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"example.net/standwatch/store"
)

func newRestoreCommand() *cobra.Command {
	var from, data string
	cmd := &cobra.Command{
		Use:   "restore --from DIR --data DIR",
		Short: "Make a data folder from a backup, and prove that it is whole",
		Long: `Restore copies a backup to a data folder that is not there yet, or is empty;
it never writes over anything. Then it reads everything back as verify does.

The restored master has the same SNMP engine ID, and counts its starts from a
higher number on, so that agents that have seen later starts listen to it.`,
		Example: "  standwatch restore --from /srv/backup/standwatch --data /var/lib/standwatch",
		Args:    noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if from == "" || data == "" {
				return fmt.Errorf("%w: --from DIR and --data DIR are needed", errUsage)
			}
			return runRestore(cmd.Context(), cmd.OutOrStdout(), cmd.ErrOrStderr(), from, data)
		},
	}
	cmd.Flags().StringVar(&from, "from", "", "the backup (required)")
	cmd.Flags().StringVar(&data, "data", "", "the data folder to make (required)")
	return cmd
}

func runRestore(ctx context.Context, stdout, stderr io.Writer, from, data string) error {
	tell := teller(stderr, "segments")
	report, err := store.Restore(ctx, from, data, store.Options{Log: zerolog.Nop()}, tell.ints())
	if err != nil {
		return err
	}
	fmt.Fprintf(stdout, "%s has the journal up to record %d: %d segments, %s.\n", data, report.Last, report.Copied, sizeText(report.Bytes))
	found, err := verifyCold(ctx, data, teller(stderr, "records read back"))
	if err != nil {
		return fmt.Errorf("read %s back: %w", data, err)
	}
	if err := found.print(stdout, data); err != nil {
		return errors.Join(err, errors.New("it is left as it is; before a daemon starts on it, see whether an older backup is whole"))
	}
	return nil
}
