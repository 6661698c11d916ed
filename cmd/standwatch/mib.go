package main

import (
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"example.net/standwatch/receiver/mib"
)

type mibFlags struct{ template, from, into string }

func newMIBCommand() *cobra.Command {
	var o mibFlags
	cmd := &cobra.Command{
		Use:   "mib FILE...",
		Short: "List the notifications of MIB files and draft rules and points for them",
		Long: `Mib reads MIB texts (SMIv1 and SMIv2), says what in them it could not read, lists
their notifications with the objects that come along, and drafts rules and a
point sheet. Pairs that look like the two sides of one thing become one point;
the reason stands in a comment.

Modules that the files import are looked for among the files of --from.

It is a draft: somebody who knows the device reads it before it is used.`,
		Example: "  standwatch mib VENDOR-MIB.txt --from /usr/share/snmp/mibs\n  standwatch mib VENDOR-MIB.txt --into /etc/standwatch --template vendor",
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return fmt.Errorf("%w: name at least one MIB file", errUsage)
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, files []string) error {
			return draftMIBs(cmd.OutOrStdout(), cmd.ErrOrStderr(), files, o)
		},
	}
	cmd.Flags().StringVar(&o.template, "template", "drafted", "name of the drafted point sheet, and of the files of --into")
	cmd.Flags().StringVar(&o.from, "from", "", "`folder` with further modules, for what the files import")
	cmd.Flags().StringVar(&o.into, "into", "", "configuration `folder` to write the drafts into; files that are there are never written over")
	return cmd
}

func draftMIBs(out, errOut io.Writer, files []string, o mibFlags) error {
	library, err := readMIBs(errOut, files, o.from)
	if err != nil {
		return err
	}
	if len(library.Notifications()) == 0 {
		return fmt.Errorf("no notification is defined in what could be read of %v", files)
	}
	for _, n := range library.Notifications() {
		listNotification(out, library, n)
	}
	drafted := mib.Draft(library, mib.DraftOptions{Template: o.template})
	if o.into == "" {
		fmt.Fprintf(out, "\n# A file for the rules folder:\n%s\n# A file for the sites folder:\n%s", drafted.Rules, drafted.Points)
		return nil
	}
	for _, f := range []struct{ folder, text string }{{"rules", drafted.Rules}, {"sites", drafted.Points}} {
		path := filepath.Join(o.into, f.folder, o.template+".yaml")
		if err := writeNew(path, f.text); err != nil {
			return fmt.Errorf("write the draft: %w", err)
		}
		fmt.Fprintf(out, "written: %s\n", path)
	}
	return nil
}

// readMIBs reads files, and a folder for what they import. Only what the files
// define is the library's own.
func readMIBs(errOut io.Writer, files []string, from string) (*mib.Library, error) {
	var modules []*mib.Module
	own := map[string]bool{}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			return nil, fmt.Errorf("read a MIB: %w", err)
		}
		read, problems := mib.Read(file, text)
		tellMIB(errOut, problems)
		modules = append(modules, read...)
		for _, m := range read {
			own[m.Name] = true
		}
	}
	known := mib.Standard()
	if from != "" {
		if _, err := fs.Stat(os.DirFS(from), "."); err != nil {
			return nil, fmt.Errorf("read the folder of --from: %w", err)
		}
		imports, _ := mib.ReadFolder(os.DirFS(from), known) // what is wrong there is not these files' business
		known = imports.Names
	}
	library, problems := mib.Resolve(modules, known)
	tellMIB(errOut, problems)
	library.Objects = slices.DeleteFunc(library.Objects, func(ob *mib.Object) bool { return !own[ob.Module] })
	return library, nil
}

// listNotification says in comments of YAML what a notification is and what
// comes along with it.
func listNotification(w io.Writer, library *mib.Library, n *mib.Object) {
	fmt.Fprintf(w, "# %s::%s %s\n", n.Module, n.Name, n.OID)
	if n.Description != "" {
		fmt.Fprintf(w, "#     %s\n", wrapped(n.Description, 100, "\n#     "))
	}
	for _, name := range n.Objects {
		fmt.Fprintf(w, "#   %s", name)
		oid, ok := library.Names.Lookup(n.Module + "::" + name)
		if !ok {
			oid, ok = library.Names.Lookup(name)
		}
		if ob := library.Names.Object(oid); ok && ob != nil {
			fmt.Fprintf(w, "%s", objectWords(ob))
		}
		fmt.Fprintln(w)
	}
}

// objectWords says what values an object has.
func objectWords(o *mib.Object) string {
	var parts []string
	if o.Syntax != "" {
		parts = append(parts, o.Syntax)
	}
	if o.Units != "" {
		parts = append(parts, "in "+o.Units)
	}
	for _, word := range o.Words {
		parts = append(parts, fmt.Sprintf("%s(%d)", word.Word, word.Number))
	}
	if len(parts) == 0 {
		return ""
	}
	return ": " + strings.Join(parts, " ")
}

// wrapped breaks a text into lines of about width characters.
func wrapped(text string, width int, between string) string {
	var b strings.Builder
	at := 0
	for i, word := range strings.Fields(text) {
		switch {
		case i == 0:
		case at+len(word) > width:
			b.WriteString(between)
			at = 0
		default:
			b.WriteByte(' ')
		}
		b.WriteString(word)
		at += len(word) + 1
	}
	return b.String()
}

// writeNew writes a file that is not there yet.
func writeNew(path, text string) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return err
	}
	if _, err := f.WriteString(text); err != nil {
		_ = f.Close() // the first error is the one that tells
		return err
	}
	return f.Close()
}

func tellMIB(w io.Writer, problems []mib.Problem) {
	for _, p := range problems {
		fmt.Fprintln(w, p.Error())
	}
}
