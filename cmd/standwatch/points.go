package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"example.net/standwatch/configs"
	"example.net/standwatch/configs/pointlist"
	"example.net/standwatch/correlate"
	"github.com/spf13/cobra"
)

func newPointsCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "points",
		Short: "Point lists from and to spreadsheets (CSV)",
		Args:  noArgs,
		RunE:  func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(newPointsImportCommand(), newPointsExportCommand())
	return cmd
}

type importFlags struct {
	config, site string
	write        bool
}

func newPointsImportCommand() *cobra.Command {
	var o importFlags
	cmd := &cobra.Command{
		Use:   "import FILE.csv --config DIR",
		Short: "Turn a point list into configuration, dry unless --write is given",
		Long: `Import reads a point list as spreadsheets keep them, says which columns it took
for what, names every bad row by its line, and shows what would change. Only
with --write, and only without a mistake, is the file written into the
configuration's sites folder; reload the daemon to put it in force.`,
		Example: "  standwatch points import north.csv --config /etc/standwatch --site gull-rock\n  standwatch points import north.csv --config /etc/standwatch --write",
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 {
				return fmt.Errorf("%w: name one CSV file", errUsage)
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			return importPoints(cmd.Context(), cmd.OutOrStdout(), args[0], o)
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&o.config, "config", "", "folder of the configuration (required)")
	flags.StringVar(&o.site, "site", "", "site whose list it is, when the list has no column for it")
	flags.BoolVar(&o.write, "write", false, "write the file")
	return cmd
}

func importPoints(ctx context.Context, out io.Writer, file string, o importFlags) error {
	if o.config == "" {
		return fmt.Errorf("%w: --config DIR is missing", errUsage)
	}
	text, err := os.ReadFile(file)
	if err != nil {
		return fmt.Errorf("read the point list: %w", err)
	}
	list, problems := pointlist.Read(text, pointlist.Options{Name: file, Site: o.site})
	for _, h := range list.Headers {
		means := "is " + h.Means
		if h.Means == "" {
			means = "is not used"
		}
		fmt.Fprintf(out, "column %q %s\n", h.Text, means)
	}
	problems.Print(out)
	if problems.Mistakes() {
		return problemError{problems}
	}
	base := strings.TrimSuffix(filepath.Base(file), filepath.Ext(file))
	trial, problems := pointlist.Try(ctx, os.DirFS(o.config), "sites/points-"+base+".yaml", list, configs.Options{})
	problems.Print(out)
	if problems.Mistakes() {
		return problemError{problems}
	}
	fmt.Fprintf(out, "%s for %s: %s\n", counted(len(list.Rows), "point"), counted(len(list.Sites()), "site"), trial.Summary)
	for _, line := range trial.Summary.Lines(shownChanges) {
		fmt.Fprintf(out, "  %s\n", line)
	}
	if !o.write {
		fmt.Fprintf(out, "Nothing was written; --write writes %s.\n", trial.File)
		return nil
	}
	if err := os.WriteFile(filepath.Join(o.config, trial.File), trial.Text, 0o640); err != nil {
		return fmt.Errorf("write the points: %w", err)
	}
	fmt.Fprintf(out, "Written: %s\n", filepath.Join(o.config, trial.File))
	return nil
}

func newPointsExportCommand() *cobra.Command {
	var dir string
	cmd := &cobra.Command{
		Use:     "export [SITE...] --config DIR",
		Short:   "Write the points of sites, or of all, as CSV to standard output",
		Example: "  standwatch points export gull-rock --config /etc/standwatch > gull-rock.csv",
		RunE: func(cmd *cobra.Command, args []string) error {
			cfg, err := loadFolder(cmd.Context(), cmd.ErrOrStderr(), dir)
			if err != nil {
				return err
			}
			var sites []correlate.SiteID
			for _, a := range args {
				if cfg.Network.Site(correlate.SiteID(a)) == nil {
					return fmt.Errorf("there is no site %q", a)
				}
				sites = append(sites, correlate.SiteID(a))
			}
			return pointlist.Export(cmd.OutOrStdout(), cfg, sites...)
		},
	}
	cmd.Flags().StringVar(&dir, "config", "", "folder of the configuration (required)")
	return cmd
}
