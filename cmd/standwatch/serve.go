package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
	"time"

	"example.net/standwatch/configs"
	"github.com/rs/zerolog"
	"github.com/spf13/cobra"
)

func newServeCommand() *cobra.Command {
	var dir, data, format, level, profile string
	cmd := &cobra.Command{
		Use:   "serve --config DIR",
		Short: "Run the daemon",
		Long: `Serve receives traps and informs, keeps the alarms, calls people out and serves
the console, until it is told to end (SIGINT or SIGTERM).

SIGHUP reads the configuration again. A configuration with mistakes changes
nothing: the old one stays in force and the fault stands on the site self.`,
		Example: "  standwatch serve --config /etc/standwatch --data /var/lib/standwatch",
		Args:    noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			log, err := newLogger(cmd.ErrOrStderr(), format, level)
			if err != nil {
				return err
			}
			cfg, err := loadFolder(cmd.Context(), cmd.ErrOrStderr(), dir)
			if err != nil {
				return err
			}
			d, err := newDaemon(cmd.Context(), daemonOptions{Config: cfg, Data: data, Folder: dir, Profile: profile, Log: log, Now: time.Now, Login: true, Told: cmd.ErrOrStderr(), Sockets: inherited(),
				Reload: func(ctx context.Context) (*configs.Config, configs.Problems) {
					return configs.LoadFolder(ctx, dir, configs.Options{})
				}})
			if err != nil {
				return err
			}
			return d.serve(cmd.Context())
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&dir, "config", "", "folder of the configuration (required)")
	flags.StringVar(&data, "data", "", "data folder, in place of the one in the configuration")
	flags.StringVar(&profile, "profile", "", "loopback address and port for Go profiles, such as 127.0.0.1:6060; off when left out")
	logFlags(cmd, &format, &level)
	return cmd
}

func logFlags(cmd *cobra.Command, format, level *string) {
	cmd.Flags().StringVar(format, "log", "json", "form of the log on standard error: json or console")
	cmd.Flags().StringVar(level, "log-level", "info", "least level that is logged: debug, info, warn or error")
}

func newLogger(w io.Writer, format, level string) (zerolog.Logger, error) {
	least, err := zerolog.ParseLevel(level)
	if err != nil || level == "" {
		return zerolog.Nop(), fmt.Errorf("%w: --log-level %q is none of debug, info, warn, error", errUsage, level)
	}
	switch format {
	case "json":
	case "console":
		w = zerolog.ConsoleWriter{Out: w, TimeFormat: time.TimeOnly, NoColor: os.Getenv("NO_COLOR") != ""}
	default:
		return zerolog.Nop(), fmt.Errorf("%w: --log %q is neither json nor console", errUsage, format)
	}
	return zerolog.New(w).Level(least).With().Timestamp().Logger(), nil
}

// loadFolder loads a configuration and prints what is wrong with it.
func loadFolder(ctx context.Context, w io.Writer, dir string) (*configs.Config, error) {
	if dir == "" {
		return nil, fmt.Errorf("%w: --config DIR is missing", errUsage)
	}
	cfg, problems := configs.LoadFolder(ctx, dir, configs.Options{})
	if problems.Mistakes() {
		problems.Print(w)
		fmt.Fprintf(w, "The configuration in %s cannot be used; nothing was started or changed.\n", dir)
		return nil, problemError{problems}
	}
	return cfg, nil
}

// serve runs the daemon and reads its configuration again on SIGHUP.
func (d *daemon) serve(ctx context.Context) error {
	hup := make(chan os.Signal, 1)
	signal.Notify(hup, syscall.SIGHUP)
	defer signal.Stop(hup)
	ctx, cancel := context.WithCancel(ctx)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			select {
			case <-ctx.Done():
				return
			case <-hup:
				// The log and the site self tell of a failure; the daemon goes on.
				_ = d.reload(ctx)
			}
		}
	}()
	for name, at := range d.receiver.Addresses() {
		d.log.Info().Str("listener", name).Str("address", at.String()).Msg("listening for traps and informs")
	}
	d.log.Info().Str("address", d.webAt.Addr().String()).Str("data", d.dir).Str("version", versionText()).Msg("console")
	err := d.run(ctx)
	cancel()
	<-done
	if err != nil && !errors.Is(err, context.Canceled) {
		return err
	}
	d.log.Info().Msg("ended in order")
	return nil
}
