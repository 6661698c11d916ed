package configs

import (
	"fmt"
	"io/fs"
	"maps"
	"path"
	"reflect"
	"slices"
	"strings"

	"example.net/standwatch/configs/packs"
	"example.net/standwatch/receiver/audit"
	"example.net/standwatch/receiver/rules"
)

// rulesFile is the shape of rules/*.yaml: packs by name, and rules of one's own.
type rulesFile struct {
	Here      place        `yaml:"-"`
	Use       list[text]   `yaml:"use" jsonschema_description:"Names of packs that come with the program."`
	Pack      string       `yaml:"pack" jsonschema_description:"Name of the pack, if this file is one."`
	Source    string       `yaml:"source" jsonschema_description:"The document the rules were written from."`
	Sequence  text         `yaml:"sequence" jsonschema_description:"The object in its notifications that counts them: a number that is left out says that one was lost."`
	Questions []audit.Spec `yaml:"questions" jsonschema_description:"What agents can be asked for their true state; which agent is asked what stands with the agents."`
	Rules     []rules.Spec `yaml:"rules" jsonschema_description:"Rules; which one wins does not depend on their order, unless nothing else decides."`
}

func (l *loader) decodeRules(name string) {
	src := l.read(name, true)
	if src == nil {
		return
	}
	file := &rulesFile{}
	decodeSource(l.out, src, nil, file)
	for _, use := range file.Use {
		if use.Set {
			l.ruleUses = append(l.ruleUses, use)
		}
	}
	l.questions = append(l.questions, file)
	// What could not be read as a rule at all has been said.
	file.Rules = slices.DeleteFunc(file.Rules, func(r rules.Spec) bool {
		bare := rules.Spec{Pos: r.Pos, At: r.At}
		return reflect.DeepEqual(r, bare) && slices.ContainsFunc(l.out.list, func(p Problem) bool { return p.Pos == Pos(r.Pos) })
	})
	l.rules = append(l.rules, &rules.File{Pack: file.Pack, Source: file.Source, Rules: file.Rules})
}

// ruleSpecs gathers the rules of one's own files and of the packs they use.
func (l *loader) ruleSpecs() []rules.Spec {
	var specs []rules.Spec
	for _, f := range l.rules {
		specs = append(specs, packed(f)...)
	}
	shipped := shippedPacks()
	seen := map[string]bool{}
	for _, use := range l.ruleUses {
		file := shipped[use.V]
		if file == "" {
			l.out.mistake(use.At, "there is no pack "+quoted(use.V), packMend(use.V, slices.Collect(maps.Keys(shipped))))
			continue
		}
		if seen[use.V] {
			l.out.finding(use.At, fmt.Sprintf("pack %s is used twice", use.V), "once is enough")
			continue
		}
		seen[use.V] = true
		specs = append(specs, packed(l.readPack(file))...)
	}
	return specs
}

// packMend suggests the pack of a MIB that was named instead.
func packMend(name string, known []string) string {
	if pack := strings.TrimSuffix(strings.ToLower(name), "-mib"); slices.Contains(known, pack) {
		return "did you mean " + pack + "?"
	}
	return DidYouMean(name, known)
}

func packed(f *rules.File) []rules.Spec {
	for i := range f.Rules {
		f.Rules[i].Pack = f.Pack
	}
	return f.Rules
}

// shippedPacks lists the packs in the program: name to file.
func shippedPacks() map[string]string {
	found := map[string]string{}
	files, err := fs.Glob(packs.FS, "*.yaml")
	if err != nil {
		panic("configs: " + err.Error()) // the pattern is a constant
	}
	for _, file := range files {
		text, err := fs.ReadFile(packs.FS, file)
		if err != nil {
			panic("configs: " + err.Error()) // it is embedded
		}
		// Only the line with the name is read: most packs are not used.
		for line := range strings.Lines(string(text)) {
			if name, ok := strings.CutPrefix(line, "pack:"); ok {
				found[strings.TrimSpace(name)] = file
				break
			}
		}
	}
	return found
}

func (l *loader) readPack(file string) *rules.File {
	text, err := fs.ReadFile(packs.FS, file)
	if err != nil {
		panic("configs: " + err.Error()) // it is embedded
	}
	src := &source{name: path.Join("packs", file), text: text}
	l.out.sources[src.name] = src
	f := &rulesFile{}
	decodeSource(l.out, src, nil, f)
	l.questions = append(l.questions, f)
	return &rules.File{Pack: f.Pack, Source: f.Source, Rules: f.Rules}
}

func (l *loader) compileRules(cfg *Config) *rules.Set {
	set, problems := rules.Compile(cfg.specs, rules.Options{Names: cfg.Names, Network: cfg.Network})
	for _, p := range problems {
		grade := Mistake
		if p.Finding {
			grade = Finding
		}
		l.out.noteAt(grade, l.out.exactly(p), p.What, p.Mend)
	}
	return set
}

// exactly returns where in its file a problem of a rule is.
func (c *collector) exactly(p rules.Problem) Pos {
	src := c.sources[p.Pos.File]
	if src == nil || p.Part.Line == 0 {
		return Pos(p.Pos)
	}
	return src.within(Pos(p.Pos), p.Part.Text, p.Part.Line, p.Part.Column)
}
