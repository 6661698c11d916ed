package main

import (
	"bufio"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/url"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/cmd/standwatch/shift"
	"example.net/standwatch/cmd/standwatch/terminal"
	"example.net/standwatch/configs"
	"example.net/standwatch/store"
	"github.com/rs/zerolog"
	"github.com/spf13/cobra"
)

// reportFlags are what the report command was asked for.
type reportFlags struct {
	address, token, roots string
	dir, data             string
	name, date, from, to  string
	form                  string
}

func newReportCommand() *cobra.Command {
	var f reportFlags
	cmd := &cobra.Command{
		Use:   "report",
		Short: "Write the report of a shift, or of any stretch of time",
		Long: `Report writes what stood, rose and cleared within a shift, how long it took
until somebody had it and until it was over, who was called out, what people
did, and how the alarms themselves did: as a page to print or mail (html), as
one line for each episode (csv), or whole (json).

Without --shift and --from it is the shift that ended last. Times of --from and
--to are those of the centre (2006-01-02T15:04) or carry an offset.

It asks the running master over its API. With --data and --config it reads the
data folder of a master that does not run.`,
		Example: `  standwatch report > night.html
  standwatch report --shift early --date 2026-11-25 --form csv
  standwatch report --from 2026-11-01T00:00 --to 2026-12-01T00:00 --form json
  standwatch report --data /var/lib/standwatch --config /etc/standwatch`,
		Args: noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			write, err := reportWriter(f.form)
			if err != nil {
				return err
			}
			r, centre, err := f.read(cmd)
			if err != nil {
				return err
			}
			out := bufio.NewWriter(cmd.OutOrStdout())
			return errors.Join(write(out, r, centre), out.Flush())
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&f.name, "shift", "", "name of a shift")
	flags.StringVar(&f.date, "date", "", "day on which it begins, as 2006-01-02; today when left out")
	flags.StringVar(&f.from, "from", "", "begin of another stretch")
	flags.StringVar(&f.to, "to", "", "its end; now when left out")
	flags.StringVar(&f.form, "form", "html", "html, csv or json")
	flags.StringVar(&f.address, "url", "http://127.0.0.1:8620", "address of the console")
	flags.StringVar(&f.token, "token", "", "token of the console: env:NAME or file:PATH")
	flags.StringVar(&f.roots, "ca", "", "file with certificates to trust in place of the system's")
	flags.StringVar(&f.data, "data", "", "data folder of a master that does not run")
	flags.StringVar(&f.dir, "config", "", "folder of the configuration, with --data")
	return cmd
}

func reportWriter(form string) (func(io.Writer, *shift.Report, string) error, error) {
	switch form {
	case "html":
		return shift.WriteHTML, nil
	case "csv":
		return func(w io.Writer, r *shift.Report, _ string) error { return shift.WriteCSV(w, r) }, nil
	case "json":
		return func(w io.Writer, r *shift.Report, _ string) error {
			e := json.NewEncoder(w)
			e.SetIndent("", "  ")
			return e.Encode(r)
		}, nil
	}
	return nil, fmt.Errorf("%w: --form %q is none of html, csv, json", errUsage, form)
}

// read gets the report from a running master, or from a data folder.
func (f *reportFlags) read(cmd *cobra.Command) (*shift.Report, string, error) {
	if (f.data == "") != (f.dir == "") {
		return nil, "", fmt.Errorf("%w: --data and --config go together", errUsage)
	}
	if f.data != "" {
		return f.readFolder(cmd)
	}
	client, err := newWatchClient(f.address, f.token, f.roots)
	if err != nil {
		return nil, "", err
	}
	path, centre, err := f.path(cmd.Context(), client)
	if err != nil {
		return nil, "", err
	}
	var r shift.Report
	if err := client.Get(cmd.Context(), path, &r); err != nil {
		return nil, "", err
	}
	return &r, centre, nil
}

// path is where the API has the report, and the centre's name. The master knows
// its shifts and zone, so that both are asked for.
func (f *reportFlags) path(ctx context.Context, client *terminal.Client) (path, centre string, err error) {
	var known api.ShiftList
	if err := client.Get(ctx, "/shifts", &known); err != nil {
		return "", "", err
	}
	zone, err := time.LoadLocation(known.Zone)
	if err != nil {
		return "", "", fmt.Errorf("the master's time zone: %w", err)
	}
	var shifts []configs.Shift
	for _, s := range known.Shifts {
		from, err := time.Parse("15:04", s.From)
		if err != nil {
			return "", "", fmt.Errorf("the master's shift %s: %w", s.Name, err)
		}
		to, err := time.Parse("15:04", s.To)
		if err != nil {
			return "", "", fmt.Errorf("the master's shift %s: %w", s.Name, err)
		}
		shifts = append(shifts, configs.Shift{Name: s.Name, From: from.Hour()*60 + from.Minute(), To: to.Hour()*60 + to.Minute()})
	}
	span, err := f.span(shifts, zone, time.Now())
	if err != nil {
		return "", "", err
	}
	centre = cmp.Or(known.Centre, client.Base)
	if span.Name != "" {
		return "/shifts/" + span.Date() + "/" + url.PathEscape(span.Name), centre, nil
	}
	return "/report?" + url.Values{"from": {span.From.Format(time.RFC3339)}, "to": {span.To.Format(time.RFC3339)}}.Encode(), centre, nil
}

// span is the stretch that was asked for.
func (f *reportFlags) span(shifts []configs.Shift, zone *time.Location, now time.Time) (shift.Span, error) {
	now = now.In(zone)
	switch {
	case f.from != "" && f.name == "":
		from, err := centreTime(f.from, zone)
		if err != nil {
			return shift.Span{}, fmt.Errorf("%w: --from: %w", errUsage, err)
		}
		to := now
		if f.to != "" {
			if to, err = centreTime(f.to, zone); err != nil {
				return shift.Span{}, fmt.Errorf("%w: --to: %w", errUsage, err)
			}
		}
		return shift.Span{From: from, To: to}, nil
	case f.from != "" || f.to != "":
		return shift.Span{}, fmt.Errorf("%w: --shift names a stretch by itself; --to needs --from", errUsage)
	case f.name != "":
		if f.date == "" {
			f.date = now.Format(time.DateOnly)
		}
		span, err := shift.Named(shifts, f.date, f.name, zone)
		if err != nil {
			return shift.Span{}, fmt.Errorf("%w: %w", errUsage, err)
		}
		return span, nil
	}
	at := now
	if present, ok := shift.At(shifts, now, zone); ok {
		at = present.From
	}
	for back := time.Minute; back < 48*time.Hour; back += time.Minute {
		if span, ok := shift.At(shifts, at.Add(-back), zone); ok {
			return span, nil
		}
	}
	return shift.Span{From: now.AddDate(0, 0, -1), To: now}, nil
}

// centreTime reads a local time of the centre, or one with an offset.
func centreTime(text string, zone *time.Location) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t.In(zone), nil
	}
	t, err := time.ParseInLocation("2006-01-02T15:04", text, zone)
	if err != nil {
		return t, fmt.Errorf("%q is no time such as 2006-01-02T15:04", text)
	}
	return t, nil
}

// readFolder reads the report from a data folder that no master has open.
func (f *reportFlags) readFolder(cmd *cobra.Command) (r *shift.Report, centre string, err error) {
	cfg, err := loadFolder(cmd.Context(), cmd.ErrOrStderr(), f.dir)
	if err != nil {
		return nil, "", err
	}
	now := time.Now()
	span, err := f.span(cfg.Shifts, cfg.Centre.Zone, now)
	if err != nil {
		return nil, "", err
	}
	s, err := store.Open(f.data, store.Options{Now: time.Now, Log: zerolog.Nop()})
	if err != nil {
		return nil, "", err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	r, err = shift.Collect(cmd.Context(), s, span, shift.Options{Now: now, Zone: cfg.Centre.Zone, Network: cfg.Network})
	return r, cfg.Centre.Name, err
}
