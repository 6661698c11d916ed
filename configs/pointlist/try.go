package pointlist

import (
	"bytes"
	"context"
	"errors"
	"io"
	"io/fs"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
)

// Trial is what an import would do.
type Trial struct {
	File    string          // the file it would write, below the configuration folder
	Text    []byte          // what would stand in it
	Summary configs.Summary // what would differ from the configuration as it is
}

// Try says what a list would do to the configuration in fsys, without changing
// anything: it loads the configuration as it is, and again with the list in
// file, which is below the sites folder. Problems in what the list says have the
// list's lines. The configuration as it is may have mistakes; the summary is then
// what differs from nothing.
func Try(ctx context.Context, fsys fs.FS, file string, l *List, o configs.Options) (Trial, configs.Problems) {
	t := Trial{File: file}
	if path.Dir(file) != "sites" || path.Ext(file) != ".yaml" || !fs.ValidPath(file) {
		return t, configs.Problems{{Pos: configs.Pos{File: file}, What: "an import goes into a .yaml file in the folder sites"}}
	}
	old, _ := configs.Load(ctx, fsys, o) // its mistakes come again below, unless the import mends them
	if old != nil {
		l.adopt(old)
	}
	var lines []int
	t.Text, lines = l.YAML()
	cur, problems := configs.Load(ctx, &overlay{FS: fsys, name: file, text: t.Text}, o)
	for i := range problems {
		l.translate(&problems[i], file, lines)
	}
	if cur != nil {
		t.Summary = configs.Diff(old, cur)
	}
	return t, problems
}

// adopt gives rows without an ID of their own the ID of the site's point that has
// their number: it is that point under another description, and no new one.
func (l *List) adopt(cfg *configs.Config) {
	there := map[[2]string]bool{}
	for i := range l.Rows {
		there[[2]string{l.Rows[i].Site, l.Rows[i].Point}] = true
	}
	for i := range l.Rows {
		r := &l.Rows[i]
		site := cfg.Network.Site(correlate.SiteID(r.Site))
		if site == nil || !r.named || r.words["number"] == "" {
			continue
		}
		for id, p := range site.Points {
			if key := [2]string{r.Site, string(id)}; strconv.Itoa(p.Number) == r.words["number"] && !there[key] {
				r.Point, there[key] = string(id), true
			}
		}
	}
}

// translate gives a problem of the file the line of the list.
func (l *List) translate(p *configs.Problem, file string, lines []int) {
	if p.File != file || p.Line <= 0 || p.Line >= len(lines) || lines[p.Line] == 0 {
		return
	}
	p.Pos = configs.Pos{File: l.Name, Line: lines[p.Line]}
	p.What += " (imported as " + strings.TrimSpace(p.Source) + ")"
	p.Source = ""
}

// overlay is a file system with one file more, or replaced.
type overlay struct {
	fs.FS
	name string
	text []byte
}

// Open opens the file laid over, or one below.
func (o *overlay) Open(name string) (fs.File, error) {
	if name == o.name {
		return &openFile{Reader: bytes.NewReader(o.text), info: fileInfo{path.Base(name), int64(len(o.text))}}, nil
	}
	return o.FS.Open(name)
}

// ReadDir lists a folder with the file laid over.
func (o *overlay) ReadDir(name string) ([]fs.DirEntry, error) {
	entries, err := fs.ReadDir(o.FS, name)
	if name != path.Dir(o.name) || err != nil && !errors.Is(err, fs.ErrNotExist) {
		return entries, err
	}
	info := fileInfo{path.Base(o.name), int64(len(o.text))}
	entries = slices.DeleteFunc(entries, func(e fs.DirEntry) bool { return e.Name() == info.name })
	entries = append(entries, fs.FileInfoToDirEntry(info))
	slices.SortFunc(entries, func(a, b fs.DirEntry) int { return strings.Compare(a.Name(), b.Name()) })
	return entries, nil
}

type openFile struct {
	io.Reader
	info fileInfo
}

func (f *openFile) Stat() (fs.FileInfo, error) { return f.info, nil }
func (f *openFile) Close() error               { return nil }

type fileInfo struct {
	name string
	size int64
}

func (i fileInfo) Name() string     { return i.name }
func (i fileInfo) Size() int64      { return i.size }
func (fileInfo) Mode() fs.FileMode  { return 0o444 }
func (fileInfo) ModTime() time.Time { return time.Time{} }
func (fileInfo) IsDir() bool        { return false }
func (fileInfo) Sys() any           { return nil }
