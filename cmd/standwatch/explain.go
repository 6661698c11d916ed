package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
	"github.com/rs/zerolog"
	"github.com/spf13/cobra"
)

// explainFlags are those of the command explain.
type explainFlags struct {
	master       masterFlags
	data, config string
	would, at    string
	severity     string
}

func newExplainCommand() *cobra.Command {
	var f explainFlags
	cmd := &cobra.Command{
		Use:   "explain ALARM | explain --would SITE/POINT",
		Short: "Say why an alarm stands and who was told of it, or who would be",
		Long: `Explain follows one alarm through the journal: the datagram that came, the rule
that read it, what was decided, who was told when over what, what the gateway
said, and what they answered. It asks a running master, or reads a data folder
that no daemon has open.

With --would it answers who would be told if that point rose at a time and
nobody took it. It asks a running master, or reads a configuration folder.`,
		Example: `  standwatch explain harrow-knoll:mains
  standwatch explain harrow-knoll:mains --data /var/lib/standwatch
  standwatch explain --would harrow-knoll/mains --at "Sat 03:00"
  standwatch explain --would harrow-knoll/mains --at "Sat 03:00" --config /etc/standwatch`,
		RunE: func(cmd *cobra.Command, args []string) error {
			switch {
			case f.would != "" && len(args) == 0:
				return f.wouldTell(cmd.Context(), cmd.OutOrStdout())
			case f.would == "" && len(args) == 1:
				return f.explain(cmd.Context(), cmd.OutOrStdout(), args[0])
			}
			return fmt.Errorf("%w: name one alarm, as site:point, or ask --would site/point", errUsage)
		},
	}
	f.master.register(cmd)
	flags := cmd.Flags()
	flags.StringVar(&f.data, "data", "", "a data folder that no daemon has open, in place of a running master")
	flags.StringVar(&f.would, "would", "", "the point that would rise: site/point or site/point/instance")
	flags.StringVar(&f.at, "at", "", `when: "Sat 03:00", "03:00", "2026-12-24 18:00" or RFC 3339; now when left out`)
	flags.StringVar(&f.severity, "severity", "", "how bad; the point's own when left out")
	flags.StringVar(&f.config, "config", "", "a configuration folder, in place of a running master; with --would")
	return cmd
}

// explain prints what is known about one alarm.
func (f *explainFlags) explain(ctx context.Context, out io.Writer, alarm string) error {
	var e api.Explanation
	var err error
	if f.data != "" {
		e, err = explainFolder(ctx, f.data, alarm)
	} else {
		client, cerr := f.master.client()
		if cerr != nil {
			return cerr
		}
		err = client.Ask(ctx, http.MethodGet, "/alarms/"+url.PathEscape(alarm)+"/explanation", nil, &e)
	}
	if err != nil {
		return err
	}
	for _, s := range e.Steps {
		fmt.Fprintf(out, "%s  %-8s %s\n", s.Time.Format("2006-01-02 15:04:05"), s.What, api.PlainText(s.Text))
	}
	return nil
}

func explainFolder(ctx context.Context, dir, alarm string) (api.Explanation, error) {
	key, err := correlate.ParseAlarmID(correlate.AlarmID(alarm))
	if err != nil {
		return api.Explanation{}, fmt.Errorf("%w: %w", errUsage, err)
	}
	s, err := store.Open(dir, store.Options{ReadOnly: true, Log: zerolog.Nop()})
	if err != nil {
		return api.Explanation{}, err
	}
	st, err := s.State(ctx)
	var e api.Explanation
	if err == nil {
		e, err = api.Explain(s.History, st, key, time.Local)
	}
	return e, errors.Join(err, s.Close())
}

// wouldTell prints who would be told.
func (f *explainFlags) wouldTell(ctx context.Context, out io.Writer) error {
	parts := strings.SplitN(f.would, "/", 3)
	if len(parts) < 2 {
		return fmt.Errorf("%w: --would %q is not like harrow-knoll/mains", errUsage, f.would)
	}
	key := correlate.Key{Site: correlate.SiteID(parts[0]), Point: correlate.PointID(parts[1])}
	if len(parts) == 3 {
		key.Instance = parts[2]
	}
	w, err := f.askWould(ctx, out, key)
	if err != nil {
		return err
	}
	printWould(out, w)
	return nil
}

func (f *explainFlags) askWould(ctx context.Context, out io.Writer, key correlate.Key) (w api.WouldTell, err error) {
	if f.config != "" {
		cfg, err := loadFolder(ctx, out, f.config)
		if err != nil {
			return w, err
		}
		at, err := api.Moment(f.at, time.Now(), cfg.Centre.Zone)
		if err != nil {
			return w, fmt.Errorf("%w: --at: %w", errUsage, err)
		}
		severity := correlate.Severity(0)
		if f.severity != "" {
			if severity, err = correlate.ParseSeverity(f.severity); err != nil {
				return w, fmt.Errorf("%w: --severity: %w", errUsage, err)
			}
		}
		return api.WouldTellOf(cfg.Plan, cfg.Network, key, severity, at)
	}
	client, err := f.master.client()
	if err != nil {
		return w, err
	}
	q := url.Values{"site": {string(key.Site)}, "point": {string(key.Point)}, "at": {f.at}}
	if key.Instance != "" {
		q.Set("instance", key.Instance)
	}
	if f.severity != "" {
		q.Set("severity", f.severity)
	}
	err = client.Ask(ctx, http.MethodGet, "/would-tell?"+q.Encode(), nil, &w)
	return w, err
}

func printWould(out io.Writer, w api.WouldTell) {
	fmt.Fprintf(out, "If %s at %s rose %s, %s:\n", w.Point, w.Site, w.At.Format("Mon 2006-01-02 15:04 MST"), w.Severity)
	switch {
	case w.BoardOnly:
		fmt.Fprintf(out, "The board alone, by the route %s. Nobody is told.\n", w.Route)
		return
	case w.Route == "":
		fmt.Fprintln(out, "Nobody: no route is for it then. It stands on the board.")
		return
	}
	fmt.Fprintf(out, "Route %s, ladder %s.\n", w.Route, w.Ladder)
	for _, s := range w.Steps {
		if len(s.Told) == 0 {
			fmt.Fprintf(out, "%s  nobody: %s\n", s.At.Format("15:04:05"), s.Nobody)
		}
		for _, t := range s.Told {
			fmt.Fprintf(out, "%s  %s over %s, %s\n", t.At.Format("15:04:05"), t.Name, t.Gateway, t.Address)
		}
	}
	end := "it ends"
	if w.Then != "" {
		end = "the ladder " + w.Then + " follows"
	}
	fmt.Fprintf(out, "%s  if nobody has taken it, %s.\n", w.Ends.Format("15:04:05"), end)
}
