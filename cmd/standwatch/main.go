// Command standwatch is the alarm master: it receives SNMP traps and informs
// from remotes at unattended sites, keeps the standing alarms, calls people out
// and keeps a history that can be audited.
//
// One file holds each command; daemon.go joins the parts.
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
	_ "time/tzdata" // sites have time zones, and small machines no database of them

	"github.com/spf13/cobra"
)

// Exit codes of every command (the design's section 7).
const (
	exitGood     = 0
	exitProblems = 1 // the command ran and found or met problems
	exitUsage    = 2 // the command was called wrongly
)

// problemError is a problem that has been told to the person already.
type problemError struct{ error }

func main() { os.Exit(run(os.Args[1:], os.Stdout, os.Stderr)) }

// run executes one command line. The first signal ends it in order, the second
// at once.
func run(args []string, stdout, stderr io.Writer) int {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	signals := make(chan os.Signal, 2)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	defer signal.Stop(signals)
	go endOnSignal(signals, cancel) // ends with the process
	root := newRootCommand()
	root.SetArgs(args)
	root.SetOut(stdout)
	root.SetErr(stderr)
	err := root.ExecuteContext(ctx)
	var told problemError
	switch {
	case err == nil:
		return exitGood
	case errors.As(err, &told):
		return exitProblems
	case errors.Is(err, errUsage):
		fmt.Fprintln(stderr, "standwatch:", err)
		return exitUsage
	}
	fmt.Fprintln(stderr, "standwatch:", err)
	return exitProblems
}

// sameSignal is how close together two signals count as one: a terminal and a
// parent process may both pass the same one on.
const sameSignal = 500 * time.Millisecond

// endOnSignal ends the command in order at the first signal and at once at the
// second.
func endOnSignal(signals <-chan os.Signal, cancel func()) {
	<-signals
	cancel()
	for first := time.Now(); ; {
		<-signals
		if time.Since(first) > sameSignal {
			os.Exit(exitProblems)
		}
	}
}

// errUsage marks an error in how a command was called.
var errUsage = errors.New("wrong use")

func newRootCommand() *cobra.Command {
	root := &cobra.Command{
		Use:   "standwatch",
		Short: "The alarm master of a network operations centre",
		Long: `Standwatch receives SNMP traps and informs from remotes at unattended sites,
keeps the list of standing alarms, calls out the person on duty until somebody
takes the alarm, and keeps a history that can be audited.

It advises people and protects nobody by itself: it is no listed fire,
intrusion or life-safety system.`,
		Example: `  standwatch demo
  standwatch check --config /etc/standwatch
  standwatch serve --config /etc/standwatch`,
		SilenceUsage:  true,
		SilenceErrors: true,
		RunE:          func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) > 0 {
				return fmt.Errorf("%w: there is no command %q; see standwatch --help", errUsage, args[0])
			}
			return nil
		},
	}
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		return fmt.Errorf("%w: %w; see %s --help", errUsage, err, cmd.CommandPath())
	})
	root.CompletionOptions.HiddenDefaultCmd = true
	root.AddCommand(newServeCommand(), newDemoCommand(), newCheckCommand(), newSendCommand(), newMIBCommand(), newPointsCommand(), newBackupCommand(), newRestoreCommand(), newReloadCommand(), newVerifyCommand(), newUserCommand(), newWatchCommand(), newReportCommand(), newHistoryCommand(), newRosterCommand(), newExplainCommand(), newRehearseCommand(), newVersionCommand())
	return root
}

// noArgs refuses positional arguments as wrong use.
func noArgs(cmd *cobra.Command, args []string) error {
	if len(args) > 0 {
		return fmt.Errorf("%w: %s takes no argument %q", errUsage, cmd.CommandPath(), args[0])
	}
	return nil
}
