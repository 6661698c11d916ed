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
	"strings"
	"syscall"
	"time"
	_ "time/tzdata" // sites have time zones, and small machines no database of them

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"example.net/standwatch/cmd/standwatch/terminal"
	"example.net/standwatch/configs"
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
	err := wrongWord(args)
	if err == nil {
		err = root.ExecuteContext(ctx)
	}
	var told problemError
	var unreached *terminal.UnreachedError
	switch {
	case err == nil:
		return exitGood
	case errors.As(err, &told):
		return exitProblems
	case errors.Is(err, errUsage):
		fmt.Fprintln(stderr, "standwatch:", err)
		return exitUsage
	case errors.As(err, &unreached):
		fmt.Fprintf(stderr, "standwatch: %v\n         is it running there? --url names another address of its console\n", err)
		return exitProblems
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
		Args:          cobra.ArbitraryArgs, // see wrongWord
	}
	root.SetFlagErrorFunc(wrongFlag)
	root.CompletionOptions.HiddenDefaultCmd = true
	root.AddCommand(newServeCommand(), newDemoCommand(), newCheckCommand(), newSendCommand(), newMIBCommand(), newPointsCommand(), newBackupCommand(), newRestoreCommand(), newReloadCommand(), newVerifyCommand(), newUserCommand(), newWatchCommand(), newReportCommand(), newHistoryCommand(), newRosterCommand(), newExplainCommand(), newRehearseCommand(), newVersionCommand())
	return root
}

// wrongWord refuses a word where a command is expected and none has that name,
// also where help is asked for: whoever misspelt it would read the help of
// something else. It reads the arguments by commands of its own, since those that
// are run must read them once.
func wrongWord(args []string) error {
	if len(args) > 0 && strings.HasPrefix(args[0], cobra.ShellCompRequestCmd) {
		return nil // a shell asks how half a word may go on
	}
	root := newRootCommand()
	root.InitDefaultHelpCmd()
	root.InitDefaultCompletionCmd(args...)
	cmd, rest, err := root.Find(args)
	if err != nil || !cmd.HasSubCommands() {
		if cmd != nil && cmd.Name() == "help" {
			return wrongTopic(root, rest)
		}
		return nil // whatever it is, the command says it
	}
	cmd.InitDefaultHelpFlag()
	if cmd.ParseFlags(rest) != nil || cmd.Flags().NArg() == 0 {
		return nil
	}
	return noCommand(cmd, cmd.Flags().Arg(0))
}

// wrongTopic is wrongWord for the command help.
func wrongTopic(root *cobra.Command, words []string) error {
	at := root
	for _, word := range words {
		if strings.HasPrefix(word, "-") {
			continue
		}
		next, _, err := at.Find([]string{word})
		if err != nil || next == at {
			return noCommand(at, word)
		}
		at = next
	}
	return nil
}

// noCommand says that a command has none of that name, and which was meant.
func noCommand(cmd *cobra.Command, word string) error {
	var names []string
	for _, c := range cmd.Commands() {
		if c.IsAvailableCommand() {
			names = append(names, c.Name())
		}
	}
	return wrongUse(cmd, fmt.Sprintf("there is no command %q", strings.TrimPrefix(cmd.CommandPath()+" "+word, cmd.Root().Name()+" ")), configs.DidYouMean(word, names))
}

// wrongFlag says what is wrong with an option, and which was meant.
func wrongFlag(cmd *cobra.Command, err error) error {
	var unknown *pflag.NotExistError
	var value *pflag.InvalidValueError
	var missing *pflag.ValueRequiredError
	switch {
	case errors.As(err, &unknown) && len(unknown.GetSpecifiedName()) > 1:
		var names []string
		cmd.Flags().VisitAll(func(f *pflag.Flag) {
			if !f.Hidden {
				names = append(names, "--"+f.Name)
			}
		})
		return wrongUse(cmd, "there is no option --"+unknown.GetSpecifiedName(), configs.DidYouMean("--"+unknown.GetSpecifiedName(), names))
	case errors.As(err, &unknown):
		return wrongUse(cmd, "there is no option -"+unknown.GetSpecifiedName(), "")
	case errors.As(err, &missing):
		return wrongUse(cmd, "--"+missing.GetFlag().Name+" is given without its value", "")
	case errors.As(err, &value):
		return wrongUse(cmd, fmt.Sprintf("--%s %q is not %s", value.GetFlag().Name, value.GetValue(), kindWords(value.GetFlag())), "")
	}
	return wrongUse(cmd, err.Error(), "")
}

// wrongUse says what is wrong in how a command was called, which was meant, and
// where its use is told.
func wrongUse(cmd *cobra.Command, what, mend string) error {
	if mend != "" {
		what += "; " + mend
	}
	return fmt.Errorf("%w: %s (see %s --help)", errUsage, what, cmd.CommandPath())
}

// kindWords says what an option takes.
func kindWords(f *pflag.Flag) string {
	switch f.Value.Type() {
	case "int", "int32", "int64":
		return "a whole number"
	case "uint", "uint16", "uint32", "uint64":
		return "a whole number from 0 on"
	case "float64":
		return "a number"
	case "duration":
		return "a time such as 90s, 15m or 8h"
	case "bool":
		return "true or false"
	}
	return "of the kind that it takes (" + f.Value.Type() + ")"
}

// noArgs refuses positional arguments as wrong use.
func noArgs(cmd *cobra.Command, args []string) error {
	if len(args) > 0 {
		return wrongUse(cmd, fmt.Sprintf("%s takes no argument %q", cmd.CommandPath(), args[0]), "")
	}
	return nil
}
