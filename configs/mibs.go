package configs

import (
	"io/fs"
	"path"

	"example.net/standwatch/receiver/mib"
)

// mibs returns the names known once the MIB texts of the folders configured are
// read. What is wrong in a MIB is a finding: dirty ones are the normal case, and
// a rule that needs a missing name says so itself.
func (l *loader) mibs() *mib.Names {
	names := l.names
	for _, folder := range l.daemon.MIBs {
		if !folder.Set {
			continue
		}
		name := path.Clean(folder.V)
		sub, err := fs.Sub(l.fsys, name)
		if err == nil {
			err = l.digestFolder(name)
		}
		if err != nil {
			l.out.mistake(folder.At, "the MIB folder "+quoted(folder.V)+": "+reason(err), "name a folder below the configuration folder")
			continue
		}
		library, problems := mib.ReadFolder(sub, names)
		for _, p := range problems {
			l.out.noteAt(Finding, Pos{File: path.Join(l.prefix, name, p.File), Line: p.Line}, p.What, "")
		}
		names = library.Names
	}
	return names
}

// digestFolder adds the files of a folder to the hash.
func (l *loader) digestFolder(folder string) error {
	return fs.WalkDir(l.fsys, folder, func(name string, entry fs.DirEntry, err error) error {
		if err != nil || !entry.Type().IsRegular() {
			return err
		}
		text, err := fs.ReadFile(l.fsys, name)
		if err != nil {
			return err
		}
		l.took(name, text)
		return l.ctx.Err()
	})
}
