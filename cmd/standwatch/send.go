package main

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"example.net/standwatch/cmd/standwatch/demo/wire"
	"example.net/standwatch/receiver"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

// sendFlags are the flags of the send command as typed.
type sendFlags struct {
	target, from, version, community         string
	user, auth, authSecret, priv, privSecret string
	engine, context, agentAddress            string
	traps, varbinds                          []string
	inform                                   bool
	tries, count, distinct                   int
	boots                                    uint32
	wait, uptime                             time.Duration
	rate                                     float64
}

func newSendCommand() *cobra.Command {
	var f sendFlags
	cmd := &cobra.Command{
		Use:   "send --target HOST:PORT",
		Short: "Send a trap or inform for a trial, or a load of them",
		Long: `Send plays a remote: it sends one SNMP trap or inform of version v1, v2c or v3,
or with --count many of them as fast as they go or at --rate a second.

A trap is sent and nobody knows whether it arrived. An inform is sent again
until it is answered; without an answer the exit code is 1. A load of traps is
encoded beforehand and handed to the system in batches; a load of informs goes
one by one, each waiting for its answer.

A varbind is OID=type:value, where type is one of
` + "  " + strings.Join(wire.ValueTypes(), ", ") + `
(text is octets as typed, hex and opaque octets in hexadecimal). In a load, # in
a value stands for a number that counts up from 0 with each round of the traps,
so that a load can speak of many instances and raise and clear each.

A community or secret may be written out for a trial; env:NAME takes it from an
environment variable and file:PATH from a file, so that it does not show in the
list of processes. Traps that speak for an agent come from its address: --from
binds one that this machine has, such as any of 127.0.0.0/8.`,
		Example: `  standwatch send --target 127.0.0.1:10162 --community env:KESTREL_COMMUNITY
  standwatch send --target 127.0.0.1:10162 --version v1 --community file:/etc/standwatch/community \
      --from 127.0.10.7 --trap 1.3.6.1.4.1.32473.10.0.1 \
      --varbind 1.3.6.1.4.1.32473.10.2.1.1.7=int:7 --varbind 1.3.6.1.4.1.32473.10.2.1.2.7=int:1
  standwatch send --target 127.0.0.1:10162 --version v3 --inform --user trial \
      --auth sha256 --auth-secret env:TRIAL_AUTH --priv aes128 --priv-secret env:TRIAL_PRIV
  standwatch send --target 127.0.0.1:10162 --community trial --count 100000 --rate 20000 \
      --trap 1.3.6.1.4.1.32473.20.0.1 --trap 1.3.6.1.4.1.32473.20.0.2 --varbind 1.3.6.1.4.1.32473.20.1.1=int:#`,
		Args: noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return runSend(cmd.Context(), cmd.OutOrStdout(), f)
		},
	}
	flags := cmd.Flags()
	flags.SortFlags = false
	flags.StringVar(&f.target, "target", "", "where to send, as `host:port` (required)")
	flags.StringVar(&f.from, "from", "", "own `address` to send from")
	flags.StringVar(&f.version, "version", "v2c", "v1, v2c or v3")
	flags.BoolVar(&f.inform, "inform", false, "send an inform and wait for its answer")
	flags.StringArrayVar(&f.traps, "trap", []string{"1.3.6.1.6.3.1.1.5.1"}, "what is notified, as an `OID`; coldStart unless said otherwise. Given again, a load takes turns")
	flags.StringArrayVar(&f.varbinds, "varbind", nil, "a variable binding, `OID=type:value`; can be given again")
	flags.StringVar(&f.community, "community", "", "community of v1 and v2c")
	flags.StringVar(&f.user, "user", "", "user of v3")
	flags.StringVar(&f.auth, "auth", "none", "authentication of v3: none, "+strings.Join(usm.AuthWords(), ", "))
	flags.StringVar(&f.authSecret, "auth-secret", "", "passphrase of the authentication, at least 8 characters")
	flags.StringVar(&f.priv, "priv", "none", "privacy of v3: none, "+strings.Join(usm.PrivWords(), ", "))
	flags.StringVar(&f.privSecret, "priv-secret", "", "passphrase of the privacy, at least 8 characters")
	flags.StringVar(&f.engine, "engine", "80007ed905747269616c", "own engine ID of v3 traps, in `hex`")
	flags.Uint32Var(&f.boots, "boots", 0, "own engine boots of v3 traps (default: seconds from 2026 to the start that --uptime claims, at least 1)")
	flags.StringVar(&f.context, "context", "", "context name of v3")
	flags.StringVar(&f.agentAddress, "agent-address", "", "agent-addr of v1 traps (default: --from, else 0.0.0.0)")
	flags.DurationVar(&f.uptime, "uptime", 0, "how long the sender claims to have been up (default: since 2026 began)")
	flags.IntVar(&f.tries, "tries", 3, "how often an inform is sent before it is given up")
	flags.DurationVar(&f.wait, "wait", 2*time.Second, "how long each try waits for the answer")
	flags.IntVar(&f.count, "count", 1, "how many notifications")
	flags.Float64Var(&f.rate, "rate", 0, "how many a second; 0 is as fast as they go")
	flags.IntVar(&f.distinct, "distinct", 1000, "how many different datagrams a load of v1 or v2c traps goes round")
	return cmd
}

// runSend sends what the flags say and tells what became of it.
func runSend(ctx context.Context, out io.Writer, f sendFlags) error {
	o, n, err := f.parse(time.Now())
	if err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	s, err := wire.Open(o)
	if err != nil {
		return fmt.Errorf("send to %s: %w", f.target, err)
	}
	defer s.Close()
	switch {
	case f.count > 1 && !f.inform:
		return f.burst(ctx, out, s, o, n)
	case f.inform:
		return f.informs(ctx, out, s, n)
	}
	if err := s.Send(ctx, time.Now(), n[0]); err != nil {
		return fmt.Errorf("send to %s: %w", f.target, err)
	}
	fmt.Fprintf(out, "sent one %s trap to %s\n", f.version, f.target)
	return nil
}

// informs sends informs one by one, each until it is answered.
func (f sendFlags) informs(ctx context.Context, out io.Writer, s *wire.Sender, n []wire.Notification) error {
	var answered, unanswered int
	var last error
	began := time.Now()
	for i := range f.count {
		if err := until(ctx, began, i, f.rate); err != nil {
			break
		}
		err := s.Send(ctx, time.Now(), n[i%len(n)])
		switch {
		case err == nil:
			answered++
		case errors.Is(err, wire.ErrUnanswered):
			unanswered, last = unanswered+1, err
		default:
			return fmt.Errorf("send to %s: %w", f.target, err)
		}
	}
	fmt.Fprintf(out, "%d %s informs to %s: %d answered, %d not (%.2f s)\n",
		answered+unanswered, f.version, f.target, answered, unanswered, time.Since(began).Seconds())
	if last != nil {
		return fmt.Errorf("send to %s: %w", f.target, last)
	}
	return ctx.Err()
}

// until waits until the i-th of a paced row is due.
func until(ctx context.Context, began time.Time, i int, rate float64) error {
	if rate <= 0 {
		return ctx.Err()
	}
	due := began.Add(time.Duration(float64(i) / rate * float64(time.Second)))
	t := time.NewTimer(time.Until(due))
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// burst encodes a load of traps and sends it in batches.
func (f sendFlags) burst(ctx context.Context, out io.Writer, s *wire.Sender, o wire.Options, n []wire.Notification) error {
	datagrams := make([][]byte, f.different(o))
	now := time.Now() // one for all: those that come round again are not older than the ones before
	for i := range datagrams {
		var err error
		if datagrams[i], err = s.Encode(now, n[i%len(n)]); err != nil {
			return fmt.Errorf("encode the load: %w", err)
		}
	}
	conn, err := dialFrom(o)
	if err != nil {
		return err
	}
	defer conn.Close()
	began := time.Now()
	sent, err := receiver.Burst(ctx, conn, datagrams, receiver.BurstOptions{Count: f.count, Rate: f.rate})
	took := time.Since(began).Seconds()
	fmt.Fprintf(out, "sent %d %s traps to %s in %.2f s: %.0f a second\n", sent, f.version, f.target, took, float64(sent)/max(took, 1e-6))
	if err != nil {
		return fmt.Errorf("send to %s: %w", f.target, err)
	}
	return nil
}

// different is how many datagrams a load goes round.
func (f sendFlags) different(o wire.Options) int {
	if o.Version == snmp.V3 {
		return f.count // a v3 message that came before is a replay (RFC 3414 section 1.2)
	}
	return min(f.count, max(1, f.distinct))
}

func dialFrom(o wire.Options) (*net.UDPConn, error) {
	var local *net.UDPAddr
	if o.From.IsValid() {
		local = &net.UDPAddr{IP: o.From.AsSlice()}
	}
	conn, err := net.DialUDP("udp", local, net.UDPAddrFromAddrPort(o.Master))
	if err != nil {
		return nil, fmt.Errorf("open the sender's socket: %w", err)
	}
	return conn, nil
}

// parse reads the flags; its errors are errors in how the command was called.
func (f sendFlags) parse(now time.Time) (wire.Options, []wire.Notification, error) {
	o := wire.Options{Inform: f.inform, Started: epoch, Boots: f.boots, Tries: f.tries, Wait: f.wait}
	if f.uptime > 0 {
		o.Started = now.Add(-f.uptime)
	}
	var n []wire.Notification
	if f.target == "" {
		return o, n, errors.New("--target is missing: host:port of the master")
	}
	if f.count < 1 || f.count > maxLoad {
		return o, n, fmt.Errorf("--count %d is not from 1 to %d", f.count, maxLoad)
	}
	var faults []error
	for _, step := range []func(*wire.Options) error{f.parseAddresses, f.parseVersion, f.parseLogin} {
		faults = append(faults, step(&o))
	}
	if err := errors.Join(faults...); err != nil {
		return o, n, err
	}
	n, err := f.notifications(o)
	return o, n, err
}

// notifications are what is sent, in turns.
func (f sendFlags) notifications(o wire.Options) ([]wire.Notification, error) {
	var faults []error
	var traps []string
	for _, text := range f.traps {
		oid, err := snmp.ParseOID(text)
		if err != nil {
			faults = append(faults, fmt.Errorf("--trap: %w", err))
		}
		traps = append(traps, "."+oid.String())
	}
	many := 1
	if f.count > 1 && slices.ContainsFunc(f.varbinds, func(v string) bool { return strings.Contains(v, "#") }) {
		many = f.different(o)
	}
	many = max(many, min(f.count, len(traps)))
	out := make([]wire.Notification, many)
	for i := range out {
		out[i].TrapOID = traps[i%len(traps)]
		for _, text := range f.varbinds {
			vb, err := wire.ParseVarbind(strings.ReplaceAll(text, "#", strconv.Itoa(i/len(traps))))
			if err != nil {
				return nil, errors.Join(append(faults, err)...)
			}
			out[i].Varbinds = append(out[i].Varbinds, vb)
		}
	}
	return out, errors.Join(faults...)
}

// epoch is when the sender claims to have started. Clocks that count from a
// fixed time go on from one call to the next, as those of a real agent do, so
// that no report looks older than one that was sent before it.
var epoch = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// maxLoad bounds a load, so that a slip of the finger ends.
const maxLoad = 100_000_000

func (f sendFlags) parseAddresses(o *wire.Options) error {
	target, err := net.ResolveUDPAddr("udp", f.target)
	if err != nil {
		return fmt.Errorf("--target %q: %w", f.target, err)
	}
	o.Master = target.AddrPort()
	o.Master = netip.AddrPortFrom(o.Master.Addr().Unmap(), o.Master.Port())
	for _, a := range []struct {
		flag, text string
		into       *netip.Addr
	}{{"--from", f.from, &o.From}, {"--agent-address", f.agentAddress, &o.AgentAddr}} {
		if a.text == "" {
			continue
		}
		if *a.into, err = netip.ParseAddr(a.text); err != nil {
			return fmt.Errorf("%s: %w", a.flag, err)
		}
	}
	return nil
}

func (f sendFlags) parseVersion(o *wire.Options) error {
	versions := map[string]snmp.Version{"v1": snmp.V1, "v2c": snmp.V2c, "v3": snmp.V3}
	version, ok := versions[f.version]
	if !ok {
		return fmt.Errorf("--version %q is not v1, v2c or v3", f.version)
	}
	o.Version = version
	if version == snmp.V1 && f.inform {
		return errors.New("--inform needs v2c or v3: SNMPv1 has no informs")
	}
	if version == snmp.V3 {
		return nil
	}
	if f.community == "" {
		return fmt.Errorf("--community is missing: %s needs one", f.version)
	}
	var err error
	o.Community, err = secret("--community", f.community)
	return err
}

func (f sendFlags) parseLogin(o *wire.Options) error {
	if f.version != "v3" {
		return nil
	}
	var faults [5]error
	l := wire.Login{User: f.user, Context: f.context}
	l.Auth, faults[0] = usm.ParseAuth(f.auth)
	l.Priv, faults[1] = usm.ParsePriv(f.priv)
	l.AuthSecret, faults[2] = secret("--auth-secret", f.authSecret)
	l.PrivSecret, faults[3] = secret("--priv-secret", f.privSecret)
	var err error
	if l.EngineID, err = hex.DecodeString(strings.ReplaceAll(f.engine, ":", "")); err != nil {
		faults[4] = fmt.Errorf("--engine %q is not hexadecimal", f.engine)
	}
	o.Login = l
	switch err := errors.Join(faults[:]...); {
	case err != nil:
		return err
	case f.user == "":
		return errors.New("--user is missing: v3 needs one")
	case l.Priv != usm.NoPriv && l.Auth == usm.NoAuth:
		return errors.New("--priv needs --auth (RFC 3414 section 1.4)")
	case l.Auth != usm.NoAuth && len(l.AuthSecret) < 8, l.Priv != usm.NoPriv && len(l.PrivSecret) < 8:
		return errors.New("a passphrase of v3 has at least 8 characters (RFC 3414 section 11.2)")
	}
	return nil
}

// secret returns a flag's value, or what env:NAME or file:PATH stands for.
func secret(flag, value string) (string, error) {
	if name, ok := strings.CutPrefix(value, "env:"); ok {
		got, set := os.LookupEnv(name)
		if !set || got == "" {
			return "", fmt.Errorf("%s: the environment variable %s is not set", flag, name)
		}
		return got, nil
	}
	if path, ok := strings.CutPrefix(value, "file:"); ok {
		got, err := os.ReadFile(path)
		if err != nil {
			return "", fmt.Errorf("%s: %w", flag, err)
		}
		return strings.TrimRight(string(got), "\r\n"), nil
	}
	return value, nil
}
