package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

func newVerifyCommand() *cobra.Command {
	var data string
	cmd := &cobra.Command{
		Use:   "verify --data DIR",
		Short: "Read a data folder or a backup back and prove that it is whole",
		Long: `Verify reads every record of a data folder and checks that each decodes and
follows the one before, that the chain of hashes over the segments holds, that
the look-up says of every record what the record says, and that the state which
a start would load is the one that the journal folds to.

While a daemon runs, it is the daemon that reads, beside its work, and its own
standing alarms are compared with the journal too. Nothing is changed but the
daemon's checkpoint, which is made anew.

The exit code is 0 when the folder is whole, 1 when it is not.`,
		Example: "  standwatch verify --data /var/lib/standwatch",
		Args:    noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if data == "" {
				return fmt.Errorf("%w: --data DIR is missing", errUsage)
			}
			tell := teller(cmd.ErrOrStderr(), "records")
			found, err := askDaemon[findings](cmd.Context(), data, "/verify", struct{}{}, tell)
			if errors.Is(err, errNoDaemon) {
				found, err = verifyCold(cmd.Context(), data, tell)
			}
			if err != nil {
				return err
			}
			return found.print(cmd.OutOrStdout(), data)
		},
	}
	cmd.Flags().StringVar(&data, "data", "", "the data folder or backup (required)")
	return cmd
}

// findings are what a verification has to say.
type findings struct {
	store.Report
	Last    correlate.Seq
	Dropped int      // segments that retention took
	Notes   []string // what opening the folder found
}

func verifyCold(ctx context.Context, data string, tell progress) (findings, error) {
	s, err := store.Open(data, store.Options{ReadOnly: true, Log: zerolog.Nop()})
	if err != nil {
		return findings{}, err
	}
	found, err := verifyStore(ctx, s, tell)
	return found, errors.Join(err, s.Close())
}

func verifyStore(ctx context.Context, s *store.Store, tell progress) (findings, error) {
	report, err := s.Verify(ctx, tell)
	return findings{Report: report, Last: s.Last(), Dropped: len(s.Tombstones()), Notes: s.Notes()}, err
}

// controlVerify reads the journal back while the daemon works. What it holds in
// memory becomes the checkpoint first, so that it is what is compared.
func (d *daemon) controlVerify(r *http.Request, _ struct{}, tell progress) (findings, error) {
	var snap *correlate.Snapshot
	d.ledger.Read(func(st *correlate.State, _ *correlate.Network) { snap = st.Snapshot() })
	if err := d.store.SaveCheckpoint(snap); err != nil {
		return findings{}, fmt.Errorf("save the state that is to be compared: %w", err)
	}
	return verifyStore(r.Context(), d.store, tell)
}

// print says what was found and ends in a verdict. It returns an error when the
// folder is not whole.
func (f *findings) print(w io.Writer, data string) error {
	for _, n := range f.Notes {
		fmt.Fprintln(w, "note:", n)
	}
	for _, p := range f.Problems {
		fmt.Fprintln(w, p)
	}
	if !f.Good() {
		return fmt.Errorf("%s is not whole: %d problems", data, len(f.Problems))
	}
	fmt.Fprintf(w, "%s is whole: %d records to number %d in %d segments, %d of them sealed into the chain", data, f.Records, f.Last, f.Segments, f.Sealed)
	if f.Dropped > 0 {
		fmt.Fprintf(w, " over %d that retention took", f.Dropped)
	}
	fmt.Fprintf(w, "; %d runs of the look-up say what the records say", f.Runs)
	if f.Compared {
		fmt.Fprint(w, "; the kept state is what the records fold to.\n")
	} else {
		fmt.Fprint(w, "; no state is kept, the next start folds the records.\n")
	}
	return nil
}
