package scenario

import (
	"fmt"
	"maps"
	"path"
	"strings"
	"time"
)

// Scenario is a story that was read and not yet run.
type Scenario struct {
	File   string
	Name   string
	Config string            // folder of the configuration, relative to the file; empty when it is all written below
	Begins string            // date and time by the centre's clock
	Env    map[string]string // environment variables that the configuration is given
	Files  map[string]string // configuration files written in the scenario
	Later  map[string]map[string]string
	Steps  []Step
}

// Step is one line of a story.
type Step struct {
	Line int
	When string // as written; empty: at once after the step before
	What string
}

// mistake is an error at a line of a file.
func mistake(file string, line int, format string, args ...any) error {
	return fmt.Errorf("%s:%d: %w", file, line, fmt.Errorf(format, args...))
}

// Parse reads a scenario. Errors name the line.
func Parse(file, text string) (*Scenario, error) {
	s := &Scenario{File: file, Env: map[string]string{}, Files: map[string]string{}, Later: map[string]map[string]string{}}
	lines := strings.Split(strings.ReplaceAll(text, "\r\n", "\n"), "\n")
	for i := 0; i < len(lines); i++ {
		line := lines[i]
		word := strings.TrimSpace(line)
		switch {
		case word == "" || strings.HasPrefix(word, "#"):
		case strings.HasPrefix(line, "--- "):
			end := i + 1
			for end < len(lines) && strings.TrimSpace(lines[end]) != "---" {
				end++
			}
			if end == len(lines) {
				return nil, mistake(file, i+1, "the file %q has no end: close it with a line ---", word[4:])
			}
			s.block(word[4:], strings.Join(lines[i+1:end], "\n")+"\n")
			i = end
		case len(s.Steps) == 0 && header(line) != "":
			if err := s.header(line); err != nil {
				return nil, mistake(file, i+1, "%w", err)
			}
		default:
			step, err := readStep(line)
			if err != nil {
				return nil, mistake(file, i+1, "%w", err)
			}
			step.Line = i + 1
			s.Steps = append(s.Steps, step)
		}
	}
	switch {
	case s.Name == "":
		return nil, mistake(file, 1, "the story has no name: begin with a line scenario: and say what it shows")
	case s.Begins == "":
		return nil, mistake(file, 1, "it is not said when the story begins: add a line begins: 2026-01-05 09:00")
	case len(s.Steps) == 0:
		return nil, mistake(file, len(lines), "nothing happens in the story")
	}
	return s, nil
}

// block keeps a configuration file that stands in the scenario: "sites/a.yaml",
// or "later NAME: sites/a.yaml" for one that a reload brings.
func (s *Scenario) block(name, text string) {
	into := s.Files
	if rest, ok := strings.CutPrefix(name, "later "); ok {
		when, file, _ := strings.Cut(rest, ":")
		if s.Later[when] == nil {
			s.Later[when] = map[string]string{}
		}
		into, name = s.Later[when], strings.TrimSpace(file)
	}
	into[path.Clean(strings.TrimSpace(name))] = text
}

// headers are the words that a line before the first step may begin with.
var headers = []string{"scenario:", "about:", "configuration:", "begins:", "env:"}

func header(line string) string {
	for _, h := range headers {
		if strings.HasPrefix(line, h) {
			return h
		}
	}
	return ""
}

func (s *Scenario) header(line string) error {
	h := header(line)
	value := strings.TrimSpace(strings.TrimPrefix(line, h))
	switch h {
	case "scenario:":
		s.Name = value
	case "configuration:":
		s.Config = value
	case "begins:":
		s.Begins = value
	case "env:":
		name, v, ok := strings.Cut(value, "=")
		if !ok {
			return fmt.Errorf("env: wants NAME=value, not %q", value)
		}
		s.Env[name] = v
	}
	return nil
}

// readStep parts a line into its time and what it says.
func readStep(line string) (Step, error) {
	trimmed := strings.TrimSpace(line)
	if trimmed != line && (line[0] == ' ' || line[0] == '\t') {
		return Step{What: trimmed}, nil
	}
	when, what, _ := strings.Cut(trimmed, " ")
	if _, err := time.Parse(time.DateOnly, when); err == nil {
		var clock string
		clock, what, _ = strings.Cut(strings.TrimSpace(what), " ")
		when += " " + clock
	}
	if _, err := moment(when, time.Time{}, time.UTC); err != nil {
		return Step{}, fmt.Errorf("%q is no time: write 09:00:05, +90s, or 2026-03-08 01:59; a line that begins with a space happens at the time of the one before", when)
	}
	return Step{When: when, What: strings.TrimSpace(what)}, nil
}

// moment is the time that a step names: by the clock on the wall of the day
// of now, with a date, or so long after now.
func moment(text string, now time.Time, zone *time.Location) (time.Time, error) {
	if d, ok := strings.CutPrefix(text, "+"); ok {
		after, err := time.ParseDuration(d)
		return now.Add(after), err
	}
	for _, form := range []string{"2006-01-02 15:04", "2006-01-02 15:04:05"} {
		if at, err := time.ParseInLocation(form, text, zone); err == nil {
			return at, nil
		}
	}
	var clock time.Time
	var err error
	for _, form := range []string{"15:04", "15:04:05"} {
		if clock, err = time.Parse(form, text); err == nil {
			y, m, d := now.In(zone).Date()
			return time.Date(y, m, d, clock.Hour(), clock.Minute(), clock.Second(), clock.Nanosecond(), zone), nil
		}
	}
	return time.Time{}, err
}

// laid returns the files of before with those of a reload in their place; an
// empty one takes a file away.
func laid(before, over map[string]string) map[string]string {
	out := maps.Clone(before)
	for name, text := range over {
		out[name] = text
		if strings.TrimSpace(text) == "" {
			delete(out, name)
		}
	}
	return out
}
