package configs

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"

	"example.net/standwatch/correlate"
	"example.net/standwatch/correlate/flap"
	"example.net/standwatch/notify"
	"example.net/standwatch/receiver"
	"example.net/standwatch/receiver/audit"
	"example.net/standwatch/receiver/mib"
	"example.net/standwatch/receiver/rules"
)

// Names of the files and folders of a configuration.
const (
	daemonName  = "standwatch.yaml"
	peopleName  = "people.yaml"
	worksName   = "maintenance.yaml"
	sitesFolder = "sites"
	rulesFolder = "rules"
)

// Options say where a configuration gets what stands in no file.
type Options struct {
	// Env looks up an environment variable; nil is os.LookupEnv. A caller may
	// lay its own values over the environment: listeners, gateway addresses and
	// secrets can all come through it.
	Env func(name string) (string, bool)
	// ReadFile reads a ${file:...} or ${cred:...}; nil is os.ReadFile.
	ReadFile func(path string) ([]byte, error)
	// Names are the built-in names of OIDs; nil is mib.Standard.
	Names *mib.Names
}

// Config is a whole configuration, compiled. It is immutable and safe for
// concurrent use.
type Config struct {
	Centre    Centre
	Network   *correlate.Network // always with the site self
	Rules     *rules.Set
	Names     *mib.Names
	Plan      *notify.Plan
	Receiver  receiver.Config
	Questions *audit.Book     // what agents can be asked
	Audits    []*audit.Target // whom, and what of it
	Listeners []receiver.Listener
	Store     Store
	Console   Console
	Gateways  []Gateway
	Watcher   *Watcher  // nil: nobody outside hears a heartbeat
	Forward   []Forward // other managers that are told of alarms
	Shifts    []Shift
	Hash      string   // SHA-256 over the files' names and contents, in hexadecimal
	Files     []string // names of the files, in order

	flap       *flap.Settings
	specs      []rules.Spec
	uses       []text // packs, where they are named
	book       notify.Book
	texts      map[string][]byte  // of Files
	sources    map[string]*source // for the lines that findings show
	sitePlaces map[correlate.SiteID]Pos
}

// FlapDefault returns what "flap: on" stands for at a point.
func (c *Config) FlapDefault() flap.Settings { return *c.flap }

// LoadFolder loads a configuration from a folder of this machine.
func LoadFolder(ctx context.Context, dir string, o Options) (*Config, Problems) {
	if info, err := os.Stat(dir); err != nil || !info.IsDir() {
		return nil, Problems{{Pos: Pos{File: dir}, What: "there is no such folder", Mend: "name the folder that holds " + daemonName}}
	}
	return load(ctx, os.DirFS(dir), dir, o)
}

// Load loads a configuration from a file system whose root is the
// configuration folder. It returns a nil Config if there are mistakes; beside a
// good one the problems are findings. It reads all files, so ctx can end it.
func Load(ctx context.Context, fsys fs.FS, o Options) (*Config, Problems) {
	return load(ctx, fsys, "", o)
}

func load(ctx context.Context, fsys fs.FS, prefix string, o Options) (*Config, Problems) {
	l := newLoader(ctx, fsys, prefix, o)
	l.readAll()
	cfg := l.compile()
	problems := l.out.finished()
	if problems.Mistakes() {
		return nil, problems
	}
	return cfg, problems
}

// loader reads the files into shapes.
type loader struct {
	ctx    context.Context // of one load, which owns the loader
	fsys   fs.FS
	prefix string // shown before file names
	out    *collector
	hash   interface {
		Write([]byte) (int, error)
		Sum([]byte) []byte
	}
	outside *outside
	names   *mib.Names

	files     []string
	texts     map[string][]byte // by file
	daemon    daemonFile
	people    peopleFile
	works     worksFile
	sites     []*sitesFile
	rules     []*rules.File
	questions []*rulesFile
	ruleUses  []text // packs, where they are named
	calendars []notify.Calendar
}

func newLoader(ctx context.Context, fsys fs.FS, prefix string, o Options) *loader {
	l := &loader{ctx: ctx, fsys: fsys, prefix: prefix, out: newCollector(), texts: map[string][]byte{}, hash: sha256.New(), names: o.Names,
		outside: &outside{env: o.Env, readFile: o.ReadFile}}
	if l.outside.env == nil {
		l.outside.env = os.LookupEnv
	}
	if l.outside.readFile == nil {
		l.outside.readFile = os.ReadFile
	}
	if l.names == nil {
		l.names = mib.Standard()
	}
	return l
}

// readAll reads every file there is.
func (l *loader) readAll() {
	l.decode(daemonName, true, &l.daemon)
	l.decode(peopleName, true, &l.people)
	l.readCalendars()
	l.decode(worksName, false, &l.works)
	for _, name := range l.below(sitesFolder) {
		file := &sitesFile{}
		l.decode(name, true, file)
		l.sites = append(l.sites, file)
	}
	if len(l.sites) == 0 {
		mend := "describe the sites in files below " + sitesFolder
		if stray := l.strays(); len(stray) > 0 {
			mend += "; " + stray[0] + " is not read where it is"
		}
		l.out.add(Problem{Pos: Pos{File: path.Join(l.prefix, sitesFolder)}, What: "there is no sites/*.yaml, so nothing is watched", Mend: mend})
	}
	for _, name := range l.strays() {
		l.out.add(Problem{Pos: Pos{File: path.Join(l.prefix, name)}, Grade: Finding, What: "this file is not read", Mend: "sites and templates go below " + sitesFolder + ", rules below " + rulesFolder})
	}
	for _, name := range l.below(rulesFolder) {
		l.decodeRules(name)
	}
}

// strays lists YAML files beside those that are read, where a file of sites or
// rules may have been put by mistake.
func (l *loader) strays() []string {
	found, err := fs.ReadDir(l.fsys, ".")
	if err != nil {
		return nil // the files that are needed tell of it
	}
	var out []string
	for _, entry := range found {
		name := entry.Name()
		if ext := path.Ext(name); !entry.IsDir() && (ext == ".yaml" || ext == ".yml") && !slices.Contains(l.files, name) && !strings.HasPrefix(name, ".") {
			out = append(out, name)
		}
	}
	return out
}

// below lists the YAML files below a folder, in order.
func (l *loader) below(folder string) []string {
	var names []string
	err := fs.WalkDir(l.fsys, folder, func(name string, entry fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if strings.HasPrefix(entry.Name(), ".") && name != folder {
			if entry.IsDir() {
				return fs.SkipDir
			}
			return nil
		}
		if ext := path.Ext(name); !entry.IsDir() && (ext == ".yaml" || ext == ".yml") {
			names = append(names, name)
		}
		return l.ctx.Err()
	})
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		l.out.add(Problem{Pos: Pos{File: path.Join(l.prefix, folder)}, What: "read the folder: " + reason(err)})
	}
	slices.Sort(names)
	return names
}

// reason is an error's cause without the path, which stands elsewhere.
func reason(err error) string {
	var pathErr *fs.PathError
	if errors.As(err, &pathErr) {
		return pathErr.Err.Error()
	}
	return err.Error()
}

// read returns a file as a source, or nil if it could not be read.
func (l *loader) read(name string, needed bool) *source {
	text, err := fs.ReadFile(l.fsys, name)
	shown := path.Join(l.prefix, name)
	if l.ctx.Err() != nil {
		err = l.ctx.Err()
	}
	if err != nil {
		p := Problem{Pos: Pos{File: shown}, What: "read the file: " + reason(err)}
		if errors.Is(err, fs.ErrNotExist) {
			p.What, p.Mend = "the file is missing", "every configuration has a "+name
			if !needed {
				return nil
			}
		}
		l.out.add(p)
		return nil
	}
	l.took(name, text)
	src := &source{name: shown, text: text}
	l.out.sources[shown] = src
	return src
}

// took notes a file of the configuration and adds it to the hash.
func (l *loader) took(name string, text []byte) {
	l.files = append(l.files, name)
	l.texts[name] = text
	l.digest([]byte(name))
	l.digest(text)
}

// digest adds a part to the hash, led by its length so that parts cannot run
// into each other.
func (l *loader) digest(part []byte) {
	_, _ = l.hash.Write(binary.BigEndian.AppendUint64(nil, uint64(len(part)))) // a hash never fails
	_, _ = l.hash.Write(part)
}

// decode reads a file into a shape.
func (l *loader) decode(name string, needed bool, into any) {
	if src := l.read(name, needed); src != nil {
		decodeSource(l.out, src, l.outside, into)
	}
}

func decodeSource(out *collector, src *source, from *outside, into any) {
	root, problems := src.parse()
	for _, p := range problems {
		out.add(p)
	}
	if root != nil {
		(&decoder{src: src, out: out, outside: from}).into(root, into)
	}
}

func (l *loader) compile() *Config {
	c := newCompiler(l.out)
	names := l.mibs()
	cfg := &Config{Names: names, Files: l.files, texts: l.texts, Hash: hex.EncodeToString(l.hash.Sum(nil))}
	cfg.Centre = c.centreOf(l.daemon.Centre)
	cfg.Console = c.consoleOf(l.daemon.Console, l.outside.readFile)
	c.setDefaults(&l.daemon.Defaults)
	cfg.flap = c.flapDefault()
	c.secrets(&l.daemon.Security)
	l.compileSites(c)
	cfg.Store = c.storeOf(&l.daemon.Store)
	c.unused(l)
	cfg.sources, cfg.sitePlaces = l.out.sources, c.sitePlaces()
	var err error
	if cfg.Network, err = correlate.NewNetwork(c.sites, c.agents, cfg.Hash); err != nil {
		// Whatever it finds has been found above, with its place.
		if !l.out.list.Mistakes() {
			l.out.mistake(place{}, err.Error(), "")
		}
		return nil
	}
	c.grantsIn(l.daemon.Console.OpenID, cfg.Network)
	if cfg.Network = c.windows(cfg.Network, l.works.Windows); cfg.Network == nil {
		return nil
	}
	cfg.specs, cfg.uses = l.ruleSpecs(), l.ruleUses
	cfg.Rules = l.compileRules(cfg)
	var named []notify.Gateway
	cfg.Gateways, named = c.gatewaysOf(l.daemon.Gateways)
	cfg.Watcher = c.watcherOf(l.daemon.Watcher)
	cfg.Forward = c.forwardOf(l.daemon.Forward)
	cfg.Plan = l.compilePlan(cfg, named)
	cfg.Shifts = c.shiftsOf(l.people.Shifts)
	var policies []receiver.Policy
	cfg.Listeners, policies = c.listenersOf(&l.daemon.Traps)
	cfg.Questions, cfg.Audits = l.compileAsks(c, cfg, policies)
	cfg.Receiver = receiver.Config{Policies: policies, Agents: c.receivers, Users: c.usersInOrder(), Rules: cfg.Rules, Network: cfg.Network}
	if err := cfg.Receiver.Check(); err != nil && !l.out.list.Mistakes() {
		l.out.mistake(place{}, "the receiver's part: "+err.Error(), "")
	}
	return cfg
}

func (l *loader) compileSites(c *compiler) {
	built := &sitesFile{}
	decodeSource(l.out, selfSource(), nil, built)
	c.addTemplates(built.Templates)
	for _, f := range l.sites {
		c.addTemplates(f.Templates)
	}
	for _, f := range l.sites {
		c.declareSites(f.Sites)
	}
	c.declareSelf()
	for _, f := range l.sites {
		c.addPoints(f.Points)
	}
	c.buildSites()
}

func (l *loader) compilePlan(cfg *Config, named []notify.Gateway) *notify.Plan {
	cfg.book = bookOf(&l.people)
	cfg.book.Gateways = named
	cfg.book.Calendars = l.calendars
	plan, problems := notify.NewPlan(cfg.book, notify.Options{Network: cfg.Network, Zone: cfg.Centre.Zone, Centre: cfg.Centre.Name, ConsoleURL: cfg.Console.URL})
	for _, p := range problems {
		l.out.noteAt(Mistake, Pos(p.Pos), p.What, p.Mend)
	}
	return plan
}
