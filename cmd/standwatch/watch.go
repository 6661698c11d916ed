package main

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"strings"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/cmd/standwatch/console"
	"example.net/standwatch/cmd/standwatch/terminal"
	"example.net/standwatch/correlate"
	"github.com/spf13/cobra"
	"golang.org/x/sys/unix"
)

// sentence is the front page's as it is now.
func (d *daemon) sentence(board api.Board) (said api.Sentence) {
	now := d.opts.Now()
	duties := d.onCall(now)
	board.Read(func(st *correlate.State, net *correlate.Network) {
		said = console.Say(st, net, duties, now, d.current().Centre.Zone)
	})
	return said
}

func newWatchCommand() *cobra.Command {
	var address, token, roots string
	var once bool
	cmd := &cobra.Command{
		Use:   "watch",
		Short: "Show the standing alarms in this terminal, live",
		Long: `Watch shows the sentence and the standing alarms of a running master, live over
its API, with keys to take an alarm, note on it and put it aside. It says loudly
when the master cannot be reached, since when, and asks again by itself.

With --once, or when its output is no terminal, it writes them once as plain
lines and ends.

Where the console has accounts a token is needed: env:NAME takes it from an
environment variable, file:PATH from a file.`,
		Example: `  standwatch watch
  standwatch watch --url https://watch.example.net --token file:/home/operator/token
  standwatch watch --once | grep critical`,
		Args: noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			o := terminal.Options{In: cmd.InOrStdin(), Out: cmd.OutOrStdout(), Now: time.Now}
			var err error
			if o.Client, err = newWatchClient(address, token, roots); err != nil {
				return err
			}
			if out, ok := cmd.OutOrStdout().(*os.File); once || !ok || !isTerminal(out) {
				return terminal.Once(cmd.Context(), o)
			}
			o.Colour = os.Getenv("NO_COLOR") == ""
			return terminal.Run(cmd.Context(), o)
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&address, "url", "http://127.0.0.1:8620", "address of the console")
	flags.StringVar(&token, "token", "", "token of the console: env:NAME or file:PATH")
	flags.StringVar(&roots, "ca", "", "file with certificates to trust in place of the system's")
	flags.BoolVar(&once, "once", false, "write what stands as plain lines and end")
	return cmd
}

func newWatchClient(address, token, roots string) (*terminal.Client, error) {
	u, err := url.Parse(address)
	if err != nil || (u.Scheme != "http" && u.Scheme != "https") || u.Host == "" {
		return nil, fmt.Errorf("%w: --url %q is no address such as https://watch.example.net", errUsage, address)
	}
	if token, err = outsideSecret(token); err != nil {
		return nil, err
	}
	transport := http.DefaultTransport.(*http.Transport).Clone()
	if roots != "" {
		pem, err := os.ReadFile(roots)
		if err != nil {
			return nil, fmt.Errorf("read the certificates to trust: %w", err)
		}
		pool := x509.NewCertPool()
		if !pool.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("%s holds no certificate in PEM", roots)
		}
		transport.TLSClientConfig = &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}
	}
	// A redirect would take the token elsewhere.
	stay := func(*http.Request, []*http.Request) error {
		return errors.New("the master sends elsewhere; give that address with --url")
	}
	return &terminal.Client{Base: address, Token: token, HTTP: &http.Client{Transport: transport, CheckRedirect: stay}}, nil
}

// outsideSecret reads env:NAME or file:PATH; a secret on the command line would
// show in the list of processes.
func outsideSecret(from string) (string, error) {
	if from != "" && !strings.HasPrefix(from, "env:") && !strings.HasPrefix(from, "file:") {
		return "", fmt.Errorf("%w: --token wants env:NAME or file:PATH, so that it does not show in the list of processes", errUsage)
	}
	return secret("--token", from)
}

// isTerminal reports whether a file is one.
func isTerminal(f *os.File) bool {
	_, err := unix.IoctlGetTermios(int(f.Fd()), unix.TCGETS)
	return err == nil
}
