package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"example.net/standwatch/cmd/standwatch/rehearse"
	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver"
	"example.net/standwatch/store"
)

// rehearseFlags are what the rehearse command was asked for.
type rehearseFlags struct {
	config, data, from, to, form string
	pcap                         string
	ports                        []uint
}

func newRehearseCommand() *cobra.Command {
	var f rehearseFlags
	cmd := &cobra.Command{
		Use:   "rehearse --config DIR (--data DIR | --pcap FILE)",
		Short: "Say what a configuration would have made of what a journal or a capture holds",
		Long: `Rehearse takes the notifications that a data folder keeps, at the times at which
they came, through the rules, points and ladders of a configuration, and says
what would have been different: alarms that would have risen or not, messages to
each person and hour, flapping kept quiet, notifications that nothing would come
of, and points that nothing was ever heard of.

Nothing is written and nobody is told. The data folder must not be in use; of
one that is, make a copy with "standwatch backup" and rehearse with the copy.

With --pcap it is a file that a packet sniffer wrote (pcap or pcapng): what a new
site sends can be tried before there is a master. Nothing was decided about it
then, so that what was is 0 throughout. Datagrams to the ports of the listeners
and to port 162 are taken, or to those of --port.

Gateways are taken to accept every message at once, and people to have done what
they did. Times of --from and --to are those of the centre (2006-01-02T15:04) or
carry an offset.`,
		Example: `  standwatch rehearse --config /etc/standwatch.new --data /srv/backup/standwatch
  standwatch rehearse --config new --data backup --from 2026-11-01T00:00 --form json
  standwatch rehearse --config new --pcap night.pcapng --form html > night.html`,
		Args: noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			write, err := rehearsalWriter(f.form)
			if err != nil {
				return err
			}
			r, err := f.run(cmd.Context(), cmd.ErrOrStderr())
			if err != nil {
				return err
			}
			out := bufio.NewWriter(cmd.OutOrStdout())
			return errors.Join(write(out, r), out.Flush())
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&f.config, "config", "", "folder of the configuration to try (required)")
	flags.StringVar(&f.data, "data", "", "data folder whose journal is gone through")
	flags.StringVar(&f.data, "journal", "", "the same as --data")
	flags.StringVar(&f.pcap, "pcap", "", "capture that is gone through instead")
	flags.UintSliceVar(&f.ports, "port", nil, "UDP port whose datagrams are taken from the capture; may be given again")
	flags.StringVar(&f.from, "from", "", "begin of what is compared; that of the journal or capture when left out")
	flags.StringVar(&f.to, "to", "", "its end; that of the journal or capture when left out")
	flags.StringVar(&f.form, "form", "text", "text, json or html")
	return cmd
}

func rehearsalWriter(form string) (func(io.Writer, *rehearse.Result) error, error) {
	switch form {
	case "text":
		return rehearse.WriteText, nil
	case "html":
		return rehearse.WriteHTML, nil
	case "json":
		return func(w io.Writer, r *rehearse.Result) error {
			e := json.NewEncoder(w)
			e.SetIndent("", "  ")
			return e.Encode(r)
		}, nil
	}
	return nil, fmt.Errorf("%w: --form %q is none of text, json, html", errUsage, form)
}

// run rehearses.
func (f *rehearseFlags) run(ctx context.Context, stderr io.Writer) (r *rehearse.Result, err error) {
	if (f.data == "") == (f.pcap == "") {
		return nil, fmt.Errorf("%w: one of --data DIR and --pcap FILE is needed", errUsage)
	}
	if len(f.ports) > 0 && f.pcap == "" {
		return nil, fmt.Errorf("%w: --port goes with --pcap", errUsage)
	}
	cfg, err := loadFolder(ctx, stderr, f.config)
	if err != nil {
		return nil, err
	}
	o := rehearse.Options{Network: cfg.Network, Climber: cfg.Plan, Zone: cfg.Centre.Zone}
	if o.From, o.To, err = f.span(cfg.Centre.Zone); err != nil {
		return nil, err
	}
	if f.pcap != "" {
		return rehearseCapture(ctx, cfg, f.pcap, f.ports, o)
	}
	s, err := store.Open(f.data, store.Options{ReadOnly: true, Log: zerolog.Nop()})
	if errors.Is(err, store.ErrLocked) {
		return nil, fmt.Errorf("%w; copy it with: standwatch backup --data %s --to COPY, and rehearse with --data COPY", err, f.data)
	}
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	if o.Again, err = againOf(cfg, s.Identity()); err != nil {
		return nil, err
	}
	return rehearseStore(ctx, s, o)
}

func (f *rehearseFlags) span(zone *time.Location) (from, to time.Time, err error) {
	if f.from != "" {
		if from, err = centreTime(f.from, zone); err != nil {
			return from, to, fmt.Errorf("%w: --from: %w", errUsage, err)
		}
	}
	if f.to != "" {
		if to, err = centreTime(f.to, zone); err != nil {
			return from, to, fmt.Errorf("%w: --to: %w", errUsage, err)
		}
		if !from.Before(to) {
			return from, to, fmt.Errorf("%w: --to is not after --from", errUsage)
		}
	}
	return from, to, nil
}

// againOf takes kept notifications as a configuration would.
func againOf(cfg *configs.Config, id store.Identity) (func(*correlate.Arrival) (*correlate.Arrival, error), error) {
	r, err := receiver.NewDeaf(receiver.Options{Config: cfg.Receiver, Identity: receiver.Identity{EngineID: id.EngineID, Boots: id.Boots}, Now: time.Now, Log: zerolog.Nop()})
	if err != nil {
		return nil, err
	}
	return func(kept *correlate.Arrival) (*correlate.Arrival, error) {
		t, err := r.Again(kept)
		if err != nil {
			return nil, err
		}
		return t.Arrival, nil
	}, nil
}

// rehearseStore feeds a journal to a rehearsal. Reading and the rules go ahead
// on a goroutine of their own, which has ended when it returns.
func rehearseStore(ctx context.Context, s *store.Store, o rehearse.Options) (*rehearse.Result, error) {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	const batch = 256
	ahead, ended := make(chan []rehearse.Prepared, 8), make(chan error, 1)
	go func() {
		defer close(ahead)
		var next []rehearse.Prepared
		hand := func() error {
			select {
			case ahead <- next:
				next = nil
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		err := s.Scan(ctx, s.First(), func(r *correlate.Record) error {
			if next = append(next, o.Prepare(r)); len(next) < batch {
				return nil
			}
			return hand()
		})
		if err == nil {
			err = hand()
		}
		ended <- err
	}()
	rehearsal, enough := rehearse.New(o), false
	for records := range ahead {
		for _, p := range records {
			if enough = enough || !rehearsal.Feed(p); enough {
				stop()
				break
			}
		}
	}
	if err := <-ended; err != nil && !enough {
		return nil, fmt.Errorf("read the journal: %w", err)
	}
	return rehearsal.End(), nil
}
