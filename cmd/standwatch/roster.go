package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/cmd/standwatch/terminal"
	"github.com/spf13/cobra"
)

// masterFlags say which running master a command speaks to.
type masterFlags struct{ url, token, roots string }

func (m *masterFlags) register(cmd *cobra.Command) {
	flags := cmd.PersistentFlags()
	flags.StringVar(&m.url, "url", "http://127.0.0.1:8620", "address of the console")
	flags.StringVar(&m.token, "token", "", "token of the console: env:NAME or file:PATH")
	flags.StringVar(&m.roots, "ca", "", "file with certificates to trust in place of the system's")
}

func (m *masterFlags) client() (*terminal.Client, error) {
	return newWatchClient(m.url, m.token, m.roots)
}

func newRosterCommand() *cobra.Command {
	var master masterFlags
	cmd := &cobra.Command{
		Use:   "roster",
		Short: "Show who is on call, and let somebody stand in",
		Long: `Roster speaks to a running master over its API. What is agreed with it is
journaled, survives a restart, and ends when it was said to end. Times are RFC
3339, or "2026-12-24 18:00" by the roster's own clock.`,
		Example: `  standwatch roster list
  standwatch roster show north
  standwatch roster stand-in north --person north-b --for north-a --from "2026-12-24 18:00" --to "2026-12-26 08:00"
  standwatch roster swap north --person north-a --from "2026-12-24 18:00" --to "2026-12-25 08:00" --with north-b --with-from "2026-12-31 18:00" --with-to "2027-01-01 08:00"
  standwatch roster end north s1234`,
		Args: noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	master.register(cmd)
	cmd.AddCommand(rosterList(&master), rosterShow(&master), rosterStandIn(&master), rosterSwap(&master), rosterEnd(&master))
	return cmd
}

func rosterList(master *masterFlags) *cobra.Command {
	return &cobra.Command{Use: "list", Short: "Say who is on call now, for each roster", Args: noArgs, Example: "  standwatch roster list",
		RunE: func(cmd *cobra.Command, _ []string) error {
			client, err := master.client()
			if err != nil {
				return err
			}
			var list api.RosterList
			if err := client.Ask(cmd.Context(), http.MethodGet, "/rosters", nil, &list); err != nil {
				return err
			}
			for _, d := range list.Rosters {
				fmt.Fprintf(cmd.OutOrStdout(), "%s (%s): %s\n", d.Roster, d.Name, whoUntil(d))
			}
			return nil
		}}
}

func whoUntil(d api.Duty) string {
	who := "NOBODY"
	if len(d.People) > 0 {
		who = personNames(d.People)
	}
	if d.Until.IsZero() {
		return who
	}
	return who + " until " + d.Until.Format("Mon 2006-01-02 15:04 MST")
}

func personNames(people []api.Person) string {
	var names []string
	for _, p := range people {
		names = append(names, p.Name)
	}
	return strings.Join(names, " and ")
}

func rosterShow(master *masterFlags) *cobra.Command {
	return &cobra.Command{Use: "show ROSTER", Short: "List the turns of the next four weeks, holes and doubles named", Args: exactly(1), Example: "  standwatch roster show north",
		RunE: func(cmd *cobra.Command, args []string) error {
			client, err := master.client()
			if err != nil {
				return err
			}
			var turns api.Turns
			if err := client.Ask(cmd.Context(), http.MethodGet, "/rosters/"+url.PathEscape(args[0])+"/turns", nil, &turns); err != nil {
				return err
			}
			printTurns(cmd.OutOrStdout(), turns)
			return nil
		}}
}

func printTurns(w io.Writer, turns api.Turns) {
	const layout = "Mon 2006-01-02 15:04 MST"
	for _, t := range turns.Turns {
		who := personNames(t.People)
		switch {
		case len(t.People) == 0:
			who = "NOBODY"
		case len(t.People) > 1:
			who += " (several at once)"
		case t.StandIn:
			who += " (stands in)"
		}
		fmt.Fprintf(w, "%s  to  %s  %s\n", t.From.Format(layout), t.To.Format(layout), who)
	}
	for _, s := range turns.StandIns {
		instead := s.For
		if instead == "" {
			instead = "whoever is on call"
		}
		fmt.Fprintf(w, "stand-in %s: %s for %s from %s to %s, agreed by %s\n", s.ID, s.Person, instead, s.From.Format(layout), s.To.Format(layout), s.By)
	}
}

func rosterStandIn(master *masterFlags) *cobra.Command {
	var want api.StandInRequest
	cmd := &cobra.Command{Use: "stand-in ROSTER --person ID --from TIME --to TIME", Short: "Let somebody stand in until a time", Args: exactly(1),
		Example: `  standwatch roster stand-in north --person north-b --from "2026-12-24 18:00" --to "2026-12-26 08:00"`,
		RunE: func(cmd *cobra.Command, args []string) error {
			if want.Person == "" || want.From == "" || want.To == "" {
				return fmt.Errorf("%w: --person, --from and --to are needed", errUsage)
			}
			client, err := master.client()
			if err != nil {
				return err
			}
			set, err := standIn(cmd.Context(), client, args[0], want)
			if err != nil {
				return err
			}
			fmt.Fprintf(cmd.OutOrStdout(), "Agreed as %s: %s from %s to %s.\n", set.ID, set.Person, set.From.Format("Mon 2006-01-02 15:04 MST"), set.To.Format("Mon 2006-01-02 15:04 MST"))
			return nil
		}}
	flags := cmd.Flags()
	flags.StringVar(&want.Person, "person", "", "who stands in (required)")
	flags.StringVar(&want.For, "for", "", "for whom; whoever is on call when left out")
	flags.StringVar(&want.From, "from", "", "when it begins (required)")
	flags.StringVar(&want.To, "to", "", "when it ends (required)")
	flags.StringVar(&want.Why, "why", "", "a reason, for the journal")
	return cmd
}

func standIn(ctx context.Context, client *terminal.Client, roster string, want api.StandInRequest) (set api.StandIn, err error) {
	err = client.Ask(ctx, http.MethodPost, "/rosters/"+url.PathEscape(roster)+"/stand-ins", want, &set)
	return set, err
}

func endStandIn(ctx context.Context, client *terminal.Client, roster, id string) error {
	return client.Ask(ctx, http.MethodPost, "/rosters/"+url.PathEscape(roster)+"/stand-ins/"+url.PathEscape(id)+"/end", nil, nil)
}

func rosterSwap(master *masterFlags) *cobra.Command {
	var give, take api.StandInRequest
	cmd := &cobra.Command{Use: "swap ROSTER --person ID --from TIME --to TIME --with ID --with-from TIME --with-to TIME", Short: "Let two people swap turns", Args: exactly(1),
		Long: `Swap lets --with stand in for --person from --from to --to, and --person for
--with from --with-from to --with-to. If the second half is refused the first is
taken back.`,
		Example: `  standwatch roster swap north --person north-a --from "2026-12-24 18:00" --to "2026-12-25 08:00" --with north-b --with-from "2026-12-31 18:00" --with-to "2027-01-01 08:00"`,
		RunE: func(cmd *cobra.Command, args []string) error {
			for _, v := range []string{give.For, give.From, give.To, give.Person, take.From, take.To} {
				if v == "" {
					return fmt.Errorf("%w: all six of --person, --from, --to, --with, --with-from and --with-to are needed", errUsage)
				}
			}
			take.Person, take.For, give.Why, take.Why = give.For, give.Person, "swap", "swap"
			client, err := master.client()
			if err != nil {
				return err
			}
			first, err := standIn(cmd.Context(), client, args[0], give)
			if err != nil {
				return err
			}
			second, err := standIn(cmd.Context(), client, args[0], take)
			if err != nil {
				return errors.Join(err, endStandIn(cmd.Context(), client, args[0], first.ID))
			}
			fmt.Fprintf(cmd.OutOrStdout(), "Swapped, as %s and %s.\n", first.ID, second.ID)
			return nil
		}}
	flags := cmd.Flags()
	flags.StringVar(&give.For, "person", "", "who gives a turn away (required)")
	flags.StringVar(&give.From, "from", "", "when that begins (required)")
	flags.StringVar(&give.To, "to", "", "when that ends (required)")
	flags.StringVar(&give.Person, "with", "", "who takes it and gives one in return (required)")
	flags.StringVar(&take.From, "with-from", "", "when the other turn begins (required)")
	flags.StringVar(&take.To, "with-to", "", "when it ends (required)")
	return cmd
}

func rosterEnd(master *masterFlags) *cobra.Command {
	return &cobra.Command{Use: "end ROSTER STAND-IN", Short: "End a stand-in now, or take it back before it begins", Args: exactly(2), Example: "  standwatch roster end north s1234",
		RunE: func(cmd *cobra.Command, args []string) error {
			client, err := master.client()
			if err != nil {
				return err
			}
			if err := endStandIn(cmd.Context(), client, args[0], args[1]); err != nil {
				return err
			}
			fmt.Fprintln(cmd.OutOrStdout(), "Ended.")
			return nil
		}}
}
