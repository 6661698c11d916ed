package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"strconv"
	"sync"
	"time"

	"example.net/standwatch/cmd/standwatch/demo"
	"example.net/standwatch/configs"
	"example.net/standwatch/configs/example"
	"example.net/standwatch/correlate"
	"github.com/spf13/cobra"
)

func newDemoCommand() *cobra.Command {
	var o demoFlags
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Run the whole system on this machine with an invented scenario",
		Long: `Demo starts the daemon on loopback with the invented network of the Kestrel
Basin Cooperative, simulated remotes that really send traps and informs, a mail
receiver and a stand-in SMS gateway that catch what is sent, and the console.
Then it tells a story worth watching.

Nobody has to log in, so the console listens on loopback only.`,
		Example: "  standwatch demo\n  standwatch demo --data ./demo-data --pace 3",
		Args:    noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return runDemo(cmd.Context(), cmd.OutOrStdout(), cmd.ErrOrStderr(), o)
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&o.data, "data", "", "data folder to keep using (default: a fresh one, kept and named at the end)")
	flags.StringVar(&o.console, "console", "127.0.0.1:8620", "loopback address of the console")
	flags.StringVar(&o.traps, "traps", "127.0.0.1:10162", "loopback address for traps")
	flags.Float64Var(&o.pace, "pace", 1, "how many times faster than life the story is told")
	flags.StringSliceVar(&o.mine, "mine", nil, "sites whose remotes you play yourself, with standwatch send: they say and answer nothing")
	logFlags(cmd, &o.format, &o.level)
	flags.Lookup("log").DefValue, o.format = "console", "console"
	flags.Lookup("log-level").DefValue, o.level = "warn", "warn"
	return cmd
}

type demoFlags struct {
	data, console, traps, format, level string
	pace                                float64
	mine                                []string
}

// runDemo runs daemon and story until ctx ends.
func runDemo(ctx context.Context, out, errOut io.Writer, o demoFlags) (err error) {
	log, err := newLogger(errOut, o.format, o.level)
	if err != nil {
		return err
	}
	if o.pace <= 0 {
		return fmt.Errorf("%w: --pace must be above 0", errUsage)
	}
	if o.data == "" {
		if o.data, err = os.MkdirTemp("", "standwatch-demo-"); err != nil {
			return fmt.Errorf("make a data folder: %w", err)
		}
	}
	env := map[string]string{"STANDWATCH_TRAPS": o.traps, "STANDWATCH_CONSOLE": o.console, "STANDWATCH_DATA": o.data}
	load := func(ctx context.Context) (*configs.Config, configs.Problems) {
		return configs.Load(ctx, example.FS, configs.Options{Env: example.Env(env)})
	}
	show, err := stageDemo(ctx, out, load, o)
	if err != nil {
		return err
	}
	// The stand-ins' ports are known now; the gateways are pointed at them.
	if err := pointGateways(env, show); err != nil {
		show.Close()
		return err
	}
	cfg, problems := load(ctx)
	if problems.Mistakes() {
		show.Close()
		return problems
	}
	d, err := newDaemon(ctx, daemonOptions{Config: cfg, Data: o.data, Log: log, Now: time.Now, Reload: load,
		Banner: "Demonstration: everything here is invented, and nobody has to log in. The console listens on loopback only."})
	if err != nil {
		show.Close()
		return err
	}
	fmt.Fprintf(out, "Console   http://%s/\nTraps     udp %s\nData      %s\n\n", d.webAt.Addr(), o.traps, o.data)
	err = runBoth(ctx, d, show)
	fmt.Fprintf(out, "\nThe data folder is kept: %s\nGo on with it: standwatch demo --data %s\n", o.data, o.data)
	return err
}

// runBoth ends the story when the daemon ends, and the other way round.
func runBoth(ctx context.Context, d *daemon, show *demo.Demo) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var group sync.WaitGroup
	var daemonErr, showErr error
	group.Go(func() { defer cancel(); daemonErr = d.run(ctx) })
	group.Go(func() { defer cancel(); showErr = show.Run(ctx) })
	group.Wait()
	if errors.Is(showErr, context.Canceled) {
		showErr = nil
	}
	return errors.Join(daemonErr, showErr)
}

// stageDemo reads the example's network and binds the simulated remotes and the
// stand-ins.
func stageDemo(ctx context.Context, out io.Writer, load func(context.Context) (*configs.Config, configs.Problems), o demoFlags) (*demo.Demo, error) {
	master, err := netip.ParseAddrPort(o.traps)
	if err != nil {
		return nil, fmt.Errorf("%w: --traps %q: %w", errUsage, o.traps, err)
	}
	if web, err := netip.ParseAddrPort(o.console); err != nil || !web.Addr().IsLoopback() {
		return nil, fmt.Errorf("%w: --console %q is not a loopback address with a port, and nobody has to log in", errUsage, o.console)
	}
	cfg, problems := load(ctx)
	if problems.Mistakes() {
		return nil, problems
	}
	var mine []correlate.SiteID
	for _, id := range o.mine {
		if cfg.Network.Site(correlate.SiteID(id)) == nil {
			return nil, fmt.Errorf("%w: --mine: there is no site %q", errUsage, id)
		}
		mine = append(mine, correlate.SiteID(id))
	}
	return demo.New(demo.Options{Leave: mine, Out: out, Master: master, Network: cfg.Network, Remotes: demo.Cast(cfg.Network, cfg.Receiver), Pace: o.pace, Now: time.Now})
}

func pointGateways(env map[string]string, show *demo.Demo) error {
	host, port, err := net.SplitHostPort(show.Mailbox().Addr())
	if err != nil {
		return fmt.Errorf("find the mail stand-in: %w", err)
	}
	env["STANDWATCH_MAIL_HOST"], env["STANDWATCH_MAIL_PORT"] = host, port
	env["STANDWATCH_ASK_PORT"] = strconv.Itoa(int(show.AskPort()))
	env["STANDWATCH_SMS_URL"] = "http://" + show.Phones().Addr() + "/messages"
	return nil
}
