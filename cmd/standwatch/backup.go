package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"time"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"example.net/standwatch/store"
)

func newBackupCommand() *cobra.Command {
	var data, to string
	cmd := &cobra.Command{
		Use:   "backup --data DIR --to DIR",
		Short: "Copy a data folder, while its daemon runs or not",
		Long: `Backup copies a data folder to another one. While a daemon runs, it is the
daemon that copies, at one moment of its journal, and everything goes on
meanwhile; the folder to copy to must then be one that the daemon may write to.

A folder that holds an earlier backup of the same master is brought up to date:
finished segments of the journal that are there already are not copied again.

A backup is a data folder by itself: verify checks it, restore starts from it.
It holds what the data folder holds, secrets included; guard it as well.`,
		Example: "  standwatch backup --data /var/lib/standwatch --to /srv/backup/standwatch",
		Args:    noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if data == "" || to == "" {
				return fmt.Errorf("%w: --data DIR and --to DIR are needed", errUsage)
			}
			return runBackup(cmd.Context(), cmd.OutOrStdout(), cmd.ErrOrStderr(), data, to)
		},
	}
	cmd.Flags().StringVar(&data, "data", "", "the data folder (required)")
	cmd.Flags().StringVar(&to, "to", "", "the folder to copy to (required)")
	return cmd
}

func runBackup(ctx context.Context, stdout, stderr io.Writer, data, to string) error {
	target, err := filepath.Abs(to)
	if err != nil {
		return fmt.Errorf("name the folder to copy to: %w", err)
	}
	tell := teller(stderr, "segments")
	report, err := askDaemon[store.BackupReport](ctx, data, "/backup", backupQuestion{To: target}, tell)
	switch {
	case err == nil:
		// A service may have a /tmp of its own, or another view of the disks.
		if _, err := os.Stat(filepath.Join(target, "folder.db")); err != nil {
			return fmt.Errorf("the daemon copied, but what it wrote is not at %s: it sees other folders than you do; name one outside /tmp", target)
		}
	case errors.Is(err, errNoDaemon):
		if report, err = backupCold(ctx, stderr, data, target, tell); err != nil {
			return err
		}
	default:
		return err
	}
	fmt.Fprintf(stdout, "%s holds the journal up to record %d: %d segments copied, %d were there already, %s written.\n",
		to, report.Last, report.Copied, report.Present, sizeText(report.Bytes))
	return nil
}

// backupCold copies a folder that no daemon has.
func backupCold(ctx context.Context, bad io.Writer, data, to string, tell progress) (store.BackupReport, error) {
	s, err := store.Open(data, store.Options{ReadOnly: true, Log: zerolog.Nop()})
	if err != nil {
		return store.BackupReport{}, err
	}
	report, err := s.Backup(ctx, to, tell.ints())
	if err := errors.Join(err, s.Close()); err != nil {
		return report, err
	}
	if err := store.NoteBackup(data, store.BackedUp{Last: report.Last, At: time.Now()}); err != nil {
		// Such as on a disk that can only be read: the copy is what matters there.
		fmt.Fprintf(bad, "the copy is good, but %s does not know of it: %v\n", data, err)
	}
	return report, nil
}

type backupQuestion struct {
	To string `json:"to"` // absolute
}

// controlBackup copies the data folder while the daemon works.
func (d *daemon) controlBackup(r *http.Request, q backupQuestion, tell progress) (store.BackupReport, error) {
	if !filepath.IsAbs(q.To) {
		return store.BackupReport{}, fmt.Errorf("%q is no absolute path", q.To)
	}
	began := time.Now()
	report, err := d.store.Backup(r.Context(), q.To, tell.ints())
	if err != nil {
		return report, err
	}
	d.log.Info().Str("to", q.To).Str("by", controlActor(r)).Uint64("last", uint64(report.Last)).Int("copied", report.Copied).
		Int64("bytes", report.Bytes).Dur("took", time.Since(began)).Msg("backed up")
	return report, nil
}

func (p progress) ints() func(done, total int) {
	return func(done, total int) { p(uint64(done), uint64(total)) }
}

// teller prints progress: the first, the last, and no more than some twenty
// lines between.
func teller(w io.Writer, what string) progress {
	const lines = 20
	said := uint64(0) // in parts of lines, and one
	return func(done, total uint64) {
		if total == 0 {
			return
		}
		if part := done*lines/total + 1; part > said {
			said = part
			fmt.Fprintf(w, "%d of %d %s\n", done, total, what)
		}
	}
}

// sizeText writes octets as a person reads them.
func sizeText(n int64) string {
	switch {
	case n >= 10<<30:
		return fmt.Sprintf("%d GiB", n>>30)
	case n >= 10<<20:
		return fmt.Sprintf("%d MiB", n>>20)
	}
	return fmt.Sprintf("%d KiB", (n+1023)>>10)
}
