package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net/url"
	"strconv"
	"time"

	"example.net/standwatch/cmd/standwatch/api"

	"github.com/spf13/cobra"
)

func newHistoryCommand() *cobra.Command {
	var address, token, roots, form, from, to string
	var kinds []string
	var limit uint64
	chosen := map[string]*string{}
	cmd := &cobra.Command{
		Use:   "history",
		Short: "Write records of the history, any number of them",
		Long: `History writes the records of the journal of a running master that are asked
for, newest first, while they are read, so that millions need no memory: as one
line for each event (csv) or as one record on each line (jsonl).

Times of --from and --to are those of the centre (2006-01-02T15:04) or carry an
offset. What is asked for has to be true of a record all together; of several
--kind one is enough.

If the master ends or the connection breaks before the last record, it says so
and ends with exit code 1.`,
		Example: `  standwatch history --from 2026-11-01T00:00 --to 2026-12-01T00:00 > november.csv
  standwatch history --site harrow-knoll --kind raised --kind cleared
  standwatch history --severity critical --form jsonl --limit 100`,
		Args: noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if form != "csv" && form != "jsonl" {
				return fmt.Errorf("%w: --form %q is none of csv, jsonl", errUsage, form)
			}
			client, err := newWatchClient(address, token, roots)
			if err != nil {
				return err
			}
			asked := url.Values{}
			if from != "" || to != "" {
				var known api.ShiftList
				if err := client.Get(cmd.Context(), "/shifts", &known); err != nil {
					return err
				}
				zone, err := time.LoadLocation(known.Zone)
				if err != nil {
					return fmt.Errorf("the master's time zone: %w", err)
				}
				for name, text := range map[string]string{"from": from, "to": to} {
					if text == "" {
						continue
					}
					at, err := centreTime(text, zone)
					if err != nil {
						return fmt.Errorf("%w: --%s: %w", errUsage, name, err)
					}
					asked.Set(name, at.Format(time.RFC3339Nano))
				}
			}
			for name, value := range chosen {
				if *value != "" {
					asked.Set(name, *value)
				}
			}
			asked["kind"] = kinds
			if limit > 0 {
				asked.Set("limit", strconv.FormatUint(limit, 10))
			}
			body, err := client.Read(cmd.Context(), "/history."+form+"?"+asked.Encode())
			if err != nil {
				return err
			}
			defer body.Close()
			out := bufio.NewWriter(cmd.OutOrStdout())
			if _, err := io.Copy(out, body); err != nil {
				return errors.Join(fmt.Errorf("the history broke off before its end: %w", err), out.Flush())
			}
			return out.Flush()
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&form, "form", "csv", "csv or jsonl")
	flags.StringVar(&from, "from", "", "begin")
	flags.StringVar(&to, "to", "", "end; now when left out")
	for _, c := range []struct{ name, what string }{{"site", "site"}, {"point", "point"}, {"instance", "instance of the point"}, {"severity", "severity of the event"}, {"agent", "agent that reported"}} {
		chosen[c.name] = flags.String(c.name, "", c.what)
	}
	flags.StringArrayVar(&kinds, "kind", nil, "kind of event, such as raised; may be given again")
	flags.Uint64Var(&limit, "limit", 0, "records at most; 0 for all")
	flags.StringVar(&address, "url", "http://127.0.0.1:8620", "address of the console")
	flags.StringVar(&token, "token", "", "token of the console: env:NAME or file:PATH")
	flags.StringVar(&roots, "ca", "", "file with certificates to trust in place of the system's")
	return cmd
}
