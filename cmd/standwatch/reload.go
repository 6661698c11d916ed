package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
)

// reloadReport is what a reload changed, and what that did to standing alarms.
type reloadReport struct {
	Changed string   // in one line
	Lines   []string // one by one, at most shownChanges of a kind
	Alarms  []string // what became of standing alarms
	Ready   int      // kept notifications that something would come of now
	Kept    int      // of so many that were looked at
}

// shownChanges bounds the lines of a kind in the report of a reload.
const shownChanges = 20

// reload puts the configuration that is on disk in force, or changes nothing:
// a mistake leaves the old one running, stands as an alarm on the site self,
// and is told to the log.
func (d *daemon) reload(ctx context.Context) error {
	_, err := d.reloadBy(ctx, "reload")
	return err
}

// reloadBy is reload on somebody's wish.
func (d *daemon) reloadBy(ctx context.Context, actor string) (reloadReport, error) {
	d.reloading.Lock()
	defer d.reloading.Unlock()
	cfg, problems := d.opts.Reload(ctx)
	if problems.Mistakes() {
		for _, p := range problems {
			d.log.Error().Msg(p.Error())
		}
		return reloadReport{}, d.reloadFailed(problemsError(problems))
	}
	cfg = d.armed(cfg)
	channels, err := d.gatewayChannels(cfg)
	if err != nil {
		return reloadReport{}, d.reloadFailed(err)
	}
	sum := configs.Diff(d.current(), cfg)
	out := reloadReport{Changed: sum.String(), Lines: sum.Lines(shownChanges)}
	d.ledger.Read(func(st *correlate.State, _ *correlate.Network) { out.Alarms = effects(st, cfg.Network, sum) })
	if err := d.keepConfig(cfg); err != nil {
		return reloadReport{}, d.reloadFailed(err)
	}
	if err := d.receiver.Use(cfg.Receiver); err != nil {
		return reloadReport{}, d.reloadFailed(err)
	}
	in := &correlate.Reconfigure{Hash: cfg.Hash, Summary: out.journaled(), Actor: actor}
	if _, err := d.ledger.Reconfigure(ctx, cfg.Network, cfg.Plan, in); err != nil {
		// The receiver goes back to what the ledger still has.
		return reloadReport{}, d.reloadFailed(errors.Join(err, d.receiver.Use(d.current().Receiver)))
	}
	d.runner.Use(channels)
	d.mu.Lock()
	old := d.config
	d.config, d.channels, d.reloaded = cfg, channels, ""
	d.mu.Unlock()
	if err := d.auditor.use(old, cfg); err != nil {
		// The targets were checked with the configuration.
		d.log.Error().Err(err).Msg("agents are asked as before the reload")
	}
	if out.Ready, out.Kept, err = d.unmatched().Ready(); err != nil {
		d.log.Warn().Err(err).Msg("it cannot be said whether kept notifications would be understood now")
	}
	d.log.Info().Str("changed", out.Changed).Strs("changes", out.Lines).Strs("alarms", out.Alarms).Int("ready", out.Ready).
		Msg("configuration reloaded; changes of listeners, console, store and forward need a restart")
	return out, nil
}

// problemsError sums up why a configuration cannot be used.
func problemsError(problems configs.Problems) error {
	var first error
	n := 0
	for _, p := range problems {
		if p.Grade != configs.Mistake {
			continue
		}
		if n++; first == nil {
			first = p
		}
	}
	if n == 1 {
		return fmt.Errorf("a mistake in the configuration: %w; the old one stays in force", first)
	}
	return fmt.Errorf("%d mistakes in the configuration, such as %w; the old one stays in force", n, first)
}

// journaled is what the history keeps of a reload.
func (r *reloadReport) journaled() string {
	return strings.Join(append([]string{r.Changed}, r.Alarms...), "; ")
}

// effects says what another configuration does to the alarms that stand.
func effects(st *correlate.State, net *correlate.Network, sum configs.Summary) (out []string) {
	regraded := map[correlate.Key]bool{}
	for _, c := range sum.Severities {
		regraded[c.Key] = true
	}
	var closed, changed, kept []string
	for _, a := range st.Board() {
		point := correlate.Key{Site: a.Key.Site, Point: a.Key.Point}
		p := net.Point(a.Key)
		if p == nil {
			closed = append(closed, a.Key.String())
			continue
		}
		s, follows := p.Regraded(a)
		switch {
		case follows && s != a.Severity:
			changed = append(changed, fmt.Sprintf("%s from %s to %s", a.Key, a.Severity, s))
		case !follows && a.Standing && regraded[point] && a.Severity != p.Severity:
			kept = append(kept, fmt.Sprintf("%s (%s)", a.Key, a.Severity))
		}
	}
	if len(closed) > 0 {
		out = append(out, "closed, since their points were removed: "+listed(closed))
	}
	if len(changed) > 0 {
		out = append(out, "standing on with another severity, that of their points: "+listed(changed))
	}
	if len(kept) > 0 {
		out = append(out, "standing on with the severity that their reports gave them: "+listed(kept))
	}
	return out
}

// listed joins words, at most ten of them.
func listed(words []string) string {
	if len(words) > 10 {
		words = append(slices.Clone(words[:10]), fmt.Sprintf("and %d more", len(words)-10))
	}
	return strings.Join(words, ", ")
}

func (d *daemon) reloadFailed(err error) error {
	d.mu.Lock()
	d.reloaded = err.Error()
	d.mu.Unlock()
	d.log.Error().Err(err).Msg("configuration not reloaded")
	return err
}

// controlReload reloads for a command on this machine.
func (d *daemon) controlReload(r *http.Request, _ struct{}, _ progress) (reloadReport, error) {
	if d.opts.Reload == nil {
		return reloadReport{}, errors.New("this daemon has no folder to read its configuration from again")
	}
	return d.reloadBy(r.Context(), controlActor(r))
}

func newReloadCommand() *cobra.Command {
	var data string
	cmd := &cobra.Command{
		Use:   "reload --data DIR",
		Short: "Have the running daemon read its configuration again",
		Long: `Reload has the daemon that has the data folder read its configuration again, and
says what changed: points added and removed, severities changed, what became of
standing alarms, and whether traps that were kept would be understood now.

A configuration with mistakes changes nothing, and the exit code is 1.`,
		Example: "  standwatch check --config /etc/standwatch && standwatch reload --data /var/lib/standwatch",
		Args:    noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if data == "" {
				return fmt.Errorf("%w: --data DIR is missing", errUsage)
			}
			got, err := askDaemon[reloadReport](cmd.Context(), data, "/reload", struct{}{}, nil)
			if err != nil {
				return err
			}
			out := cmd.OutOrStdout()
			fmt.Fprintf(out, "In force: %s.\n", got.Changed)
			for _, line := range slices.Concat(got.Lines, got.Alarms) {
				fmt.Fprintf(out, "  %s\n", line)
			}
			if got.Ready > 0 {
				fmt.Fprintf(out, "Something would come now of %s that no rule knew: run again on the intake page.\n", counted(got.Ready, "trap"))
			}
			return nil
		},
	}
	cmd.Flags().StringVar(&data, "data", "", "the daemon's data folder (required)")
	return cmd
}
