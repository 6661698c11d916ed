package main

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"strings"
	"syscall"
	"testing/fstest"
	"text/tabwriter"
	"time"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
	"example.net/standwatch/store/accounts"
)

// userQuestion is what the user command asks of the daemon that has the data
// folder, or does by itself when none has.
type userQuestion struct {
	Do       string         `json:"do"` // list, add, role, scope, password, remove, sessions, end-sessions, tokens, token, end-token
	Name     string         `json:"name,omitempty"`
	Role     string         `json:"role,omitempty"`
	Scope    accounts.Scope `json:"scope,omitzero"`
	Password string         `json:"password,omitempty"` // empty: one that works once is made
	For      string         `json:"for,omitempty"`      // of a token
	Days     int            `json:"days,omitempty"`
	ID       string         `json:"id,omitempty"`
}

// userAnswer is what comes back. Password and Token are shown this once.
type userAnswer struct {
	Unsure   bool               `json:"-"` // no configuration told whether the sites are there
	Accounts []accounts.Account `json:"accounts,omitempty"`
	Sessions []accounts.Session `json:"sessions,omitempty"`
	Tokens   []accounts.Token   `json:"tokens,omitempty"`
	Password string             `json:"password,omitempty"`
	Token    string             `json:"token,omitempty"`
}

// errOpenDemo is returned by a daemon where nobody has to log in.
var errOpenDemo = errors.New("nobody has to log in there, so there are no accounts")

// controlUser does what the user command asks.
func (d *daemon) controlUser(r *http.Request, q userQuestion, _ progress) (userAnswer, error) {
	if d.door.book == nil {
		return userAnswer{}, errOpenDemo
	}
	var err error
	d.ledger.Read(func(_ *correlate.State, net *correlate.Network) { err = access.InNetwork(net, q.Scope) })
	if err != nil {
		return userAnswer{}, err
	}
	return doUser(r.Context(), d.door.book, accounts.By{Actor: controlActor(r), Via: "command"}, q, d.opts.Now())
}

// doUser does what is asked of accounts. That the sites in it are there was
// looked at before.
func doUser(ctx context.Context, book *accounts.Book, by accounts.By, q userQuestion, now time.Time) (out userAnswer, err error) {
	switch q.Do {
	case "list":
		out.Accounts = book.Accounts()
	case "sessions":
		out.Sessions = book.Sessions()
	case "tokens":
		out.Tokens = book.Tokens()
	case "add", "password":
		return givePassword(ctx, book, by, q)
	case "role":
		role, wrong := accounts.ParseRole(q.Role)
		if wrong != nil {
			return out, wrong
		}
		err = book.SetRole(ctx, by, q.Name, role)
	case "scope":
		err = book.SetScope(ctx, by, q.Name, q.Scope)
	case "remove":
		err = book.Remove(ctx, by, q.Name)
	case "end-sessions":
		if _, there := book.Account(q.Name); !there {
			return out, accounts.ErrNoAccount
		}
		err = book.EndSessions(ctx, by, q.Name, "")
	case "token":
		role, wrong := accounts.ParseRole(q.Role)
		if wrong != nil {
			return out, wrong
		}
		out.Token, _, err = book.MakeToken(ctx, by, accounts.NewToken{Name: q.For, Owner: q.Name, Role: role, Scope: q.Scope, Ends: now.AddDate(0, 0, q.Days)})
	case "end-token":
		err = book.EndToken(ctx, by, "", q.ID)
	default:
		err = fmt.Errorf("%q is nothing that can be done to accounts", q.Do)
	}
	return out, err
}

// givePassword makes an account, or gives one another password.
func givePassword(ctx context.Context, book *accounts.Book, by accounts.By, q userQuestion) (out userAnswer, err error) {
	password, once := q.Password, q.Password == ""
	if once {
		password = accounts.OneTimePassword()
		out.Password = password
	}
	if q.Do == "password" {
		return out, book.SetPassword(ctx, by, q.Name, password, once)
	}
	role, err := accounts.ParseRole(q.Role)
	if err != nil {
		return out, err
	}
	return out, book.Add(ctx, by, accounts.NewAccount{Name: q.Name, Role: role, Scope: q.Scope, Password: password, OneTime: once})
}

// userFlags are those of the user commands.
type userFlags struct {
	data, config, role, passwordFile, forWhat string
	regions, sites                            []string
	days                                      int
}

func newUserCommand() *cobra.Command {
	var f userFlags
	cmd := &cobra.Command{
		Use:   "user",
		Short: "Console accounts, sessions and tokens",
		Long: `User makes and changes console accounts, while the daemon runs or not. What is
done is written to the journal with the name of whoever does it on this machine.

Roles are look, operate, supervise and administer; each may what the smaller
ones may. Regions and sites say what somebody sees; without any it is all.`,
		Example: `  standwatch user add north-desk --role operate --region north --data /var/lib/standwatch
  standwatch user list --data /var/lib/standwatch
  standwatch user token north-desk --for wall --role look --days 90 --data /var/lib/standwatch`,
		Args: noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	all := cmd.PersistentFlags()
	all.StringVar(&f.data, "data", "", "the data folder")
	all.StringVar(&f.config, "config", "", "folder of the configuration, in place of --data: it names the data folder")
	add := func(use, short, long string, args int, flags func(*cobra.Command), question func(args []string) userQuestion) {
		c := &cobra.Command{Use: use, Short: short, Long: long, Args: exactly(args), RunE: func(cmd *cobra.Command, args []string) error {
			q := question(args)
			q.Role, q.Scope, q.For, q.Days = f.role, accounts.NewScope(f.sites, f.regions), f.forWhat, f.days
			if q.Do == "role" {
				q.Role = args[1]
			}
			return f.run(cmd, q)
		}}
		if flags != nil {
			flags(c)
		}
		cmd.AddCommand(c)
	}
	role := func(c *cobra.Command) {
		c.Flags().StringVar(&f.role, "role", "look", "look, operate, supervise or administer")
	}
	scope := func(c *cobra.Command) {
		c.Flags().StringSliceVar(&f.regions, "region", nil, "a region to see; may be given again")
		c.Flags().StringSliceVar(&f.sites, "site", nil, "a site to see, by its ID; may be given again")
	}
	password := func(c *cobra.Command) {
		c.Flags().StringVar(&f.passwordFile, "password-file", "", "file whose first line is the password, - for standard input; without, one that works for a day is made and printed")
	}
	named := func(do string) func([]string) userQuestion {
		return func(args []string) userQuestion { return userQuestion{Do: do, Name: args[0]} }
	}
	bare := func(do string) func([]string) userQuestion {
		return func([]string) userQuestion { return userQuestion{Do: do} }
	}
	add("list", "List the accounts", "List shows every account with its role, what it sees, and when somebody last\nlogged in with it.", 0, nil, bare("list"))
	add("add NAME", "Make an account", "Add makes an account. Without a password file it prints a password that works\nfor one day and has to be changed at the first login.", 1, func(c *cobra.Command) { role(c); scope(c); password(c) }, named("add"))
	add("role NAME ROLE", "Give an account another role", "Role gives an account another role: look, operate, supervise or administer.\nIts open pages begin anew.", 2, nil, named("role"))
	add("scope NAME", "Give an account other sites to see; without any, all", "Scope says which regions and sites an account sees. Without any it sees all.\nIts open pages begin anew.", 1, scope, named("scope"))
	add("password NAME", "Give an account another password and end its sessions", "Password gives an account another password and ends its sessions. Without a\npassword file it prints one that works for a day.", 1, password, named("password"))
	add("remove NAME", "Remove an account with its sessions and tokens", "Remove removes an account for good, with its sessions and tokens. The last\nadministrator cannot be removed.", 1, nil, named("remove"))
	add("sessions", "List who is logged in", "Sessions lists the logins that are not over.", 0, nil, bare("sessions"))
	add("end-sessions NAME", "End all sessions of an account", "End-sessions logs an account out everywhere; its open pages end at once.", 1, nil, named("end-sessions"))
	add("tokens", "List the tokens", "Tokens lists the tokens with what each may and when it ends.", 0, nil, bare("tokens"))
	add("token NAME", "Make a token of an account and print it, this once", "Token makes a token that lets a machine in with at most the role and sites of\nthe account, and prints it, this once. Only its hash is kept.", 1, func(c *cobra.Command) {
		role(c)
		scope(c)
		c.Flags().StringVar(&f.forWhat, "for", "", "what the token is for (required)")
		c.Flags().IntVar(&f.days, "days", 90, "days that it works")
	}, named("token"))
	add("end-token ID", "End a token and the sessions made from it", "End-token ends a token, and the sessions of screens that were made from it.", 1, nil, func(args []string) userQuestion { return userQuestion{Do: "end-token", ID: args[0]} })
	return cmd
}

// exactly wants so many arguments.
func exactly(n int) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) != n {
			return fmt.Errorf("%w: write %s (see %s --help)", errUsage, strings.TrimSuffix(cmd.UseLine(), " [flags]"), cmd.CommandPath())
		}
		return nil
	}
}

func (f *userFlags) run(cmd *cobra.Command, q userQuestion) (err error) {
	dir := f.data
	var net *correlate.Network
	if f.config != "" {
		cfg, problems := configs.LoadFolder(cmd.Context(), f.config, configs.Options{})
		if cfg == nil {
			return fmt.Errorf("read the configuration: %w", problems)
		}
		dir, net = cmp.Or(dir, cfg.Store.Folder), cfg.Network
	}
	if dir == "" {
		return fmt.Errorf("%w: --data DIR or --config DIR is needed", errUsage)
	}
	if q.Do == "token" && f.forWhat == "" {
		return fmt.Errorf("%w: --for is missing: say what the token is for", errUsage)
	}
	if q.Password, err = f.password(cmd.InOrStdin()); err != nil {
		return err
	}
	answer, err := askUser(cmd.Context(), dir, q, net)
	if err != nil {
		return err
	}
	if answer.Unsure {
		fmt.Fprintln(cmd.ErrOrStderr(), "Whether there are such sites and regions was not looked at: no configuration can be read here. With --config DIR it is.")
	}
	return answer.print(cmd.OutOrStdout(), q)
}

// password reads the first line of the password file, if there is to be one.
func (f *userFlags) password(stdin io.Reader) (string, error) {
	if f.passwordFile == "" {
		return "", nil
	}
	from := stdin
	if f.passwordFile != "-" {
		file, err := os.Open(f.passwordFile)
		if err != nil {
			return "", fmt.Errorf("read the password: %w", err)
		}
		defer file.Close() // it was only read
		from = file
	}
	line, err := bufio.NewReader(io.LimitReader(from, 4096)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return "", fmt.Errorf("read the password: %w", err)
	}
	if line = strings.TrimRight(line, "\r\n"); line == "" {
		return "", fmt.Errorf("%w: the password file is empty", errUsage)
	}
	return line, nil
}

// askUser asks the daemon that has the folder, or does it when none has. net is
// of the configuration that was named, nil for none.
func askUser(ctx context.Context, dir string, q userQuestion, net *correlate.Network) (userAnswer, error) {
	answer, err := askDaemon[userAnswer](ctx, dir, "/user", q, nil)
	if errors.Is(err, errNoDaemon) || errors.Is(err, os.ErrNotExist) {
		if err := sameOwner(dir, q.Do); err != nil {
			return answer, err
		}
		return userCold(ctx, dir, q, net)
	}
	return answer, err
}

// sameOwner refuses to write into a folder of another user, whose daemon could
// then not, and to make a folder where a name was misspelt.
func sameOwner(dir, do string) error {
	info, err := os.Stat(dir)
	if errors.Is(err, os.ErrNotExist) && do == "add" {
		return nil // the first account, before the first start
	}
	if err != nil {
		return fmt.Errorf("find the data folder: %w", err)
	}
	owner, ok := info.Sys().(*syscall.Stat_t)
	if ok && int(owner.Uid) != os.Geteuid() {
		return fmt.Errorf("data folder %s is %s's; run this as that user, or while the daemon runs", dir, userName(int(owner.Uid)))
	}
	return nil
}

// userCold does it in a folder that no daemon has.
func userCold(ctx context.Context, dir string, q userQuestion, net *correlate.Network) (out userAnswer, err error) {
	s, err := store.Open(dir, store.Options{Now: time.Now, Log: zerolog.Nop()})
	if err != nil {
		return out, err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	if net == nil && len(q.Scope.Sites)+len(q.Scope.Regions) > 0 {
		if net, err = lastNetwork(ctx, s); err != nil {
			return out, err
		}
	}
	if net != nil {
		if err := access.InNetwork(net, q.Scope); err != nil {
			return out, err
		}
	}
	book, err := accounts.New(accounts.Options{Store: s, Journal: accounts.Direct(s, time.Now), Now: time.Now})
	if err != nil {
		return out, err
	}
	unsure := net == nil && len(q.Scope.Sites)+len(q.Scope.Regions) > 0
	defer func() { out.Unsure = unsure }()
	return doUser(ctx, book, accounts.By{Actor: ownName(), Via: "command"}, q, time.Now())
}

// lastNetwork returns the network of the configuration that was last in force,
// from the files that are kept beside the journal. It is nil before the first
// start, and where they need what this machine does not tell, such as a secret.
func lastNetwork(ctx context.Context, s *store.Store) (*correlate.Network, error) {
	forced, err := api.InForceOf(s, time.UTC)
	if err != nil || len(forced) == 0 {
		return nil, err
	}
	kept, err := s.Configuration(forced[0].Hash)
	if errors.Is(err, store.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	files := fstest.MapFS{}
	for _, file := range kept.Files {
		files[file.Name] = &fstest.MapFile{Data: file.Text}
	}
	// Nothing is opened or sent with it, so that any word does for a secret.
	cfg, _ := configs.Load(ctx, files, configs.Options{Env: func(name string) (string, bool) {
		if value, there := os.LookupEnv(name); there {
			return value, true
		}
		return "unknown here", true
	}, ReadFile: func(string) ([]byte, error) { return []byte("unknown here"), nil }})
	if cfg == nil {
		return nil, nil
	}
	return cfg.Network, nil
}

// print says what came of it.
func (a userAnswer) print(w io.Writer, q userQuestion) error {
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	day := func(t time.Time) string {
		if t.IsZero() {
			return "never"
		}
		return t.Local().Format("2006-01-02 15:04")
	}
	switch q.Do {
	case "list":
		fmt.Fprintln(table, "NAME\tROLE\tSEES\tLAST LOGIN")
		for _, x := range a.Accounts {
			fmt.Fprintf(table, "%s\t%s\t%s\t%s\n", x.Name, x.Role, x.Scope, day(x.Entered))
		}
	case "sessions":
		fmt.Fprintln(table, "ID\tACCOUNT\tSINCE\tLAST USED\tFROM")
		for _, x := range a.Sessions {
			fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\n", x.ID, x.Account, day(x.Made), day(x.Used), x.From)
		}
	case "tokens":
		fmt.Fprintln(table, "ID\tFOR\tOWNER\tMAY\tSEES\tENDS\tLAST USED")
		for _, x := range a.Tokens {
			fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", x.ID, x.Name, x.Owner, x.Role, x.Scope, day(x.Ends), day(x.Used))
		}
	case "token":
		fmt.Fprintln(table, a.Token)
	default:
		fmt.Fprintln(table, "Done.")
	}
	if a.Password != "" {
		fmt.Fprintf(table, "The password of %s, shown this once: %s\nIt works for one day and has to be changed at the first login.\n", q.Name, a.Password)
	}
	return table.Flush()
}
