package configs

import (
	"io/fs"

	"example.net/standwatch/notify"
	"example.net/standwatch/notify/ical"
)

// readCalendars reads the calendar files that people.yaml names.
func (l *loader) readCalendars() {
	for i := range l.people.Calendars {
		e := &l.people.Calendars[i]
		name := e.V.File.V
		if !fs.ValidPath(name) || name == "." {
			l.out.mistake(e.At, "calendar "+e.Key+" needs a file below the configuration folder", "write {file: calendars/colorado.ics}")
			continue
		}
		src := l.read(name, true)
		if src == nil {
			continue
		}
		days, err := ical.ReadDays(src.text)
		if err != nil {
			l.out.mistake(e.V.File.At, "calendar "+e.Key+": "+name+": "+err.Error(), "")
			continue
		}
		l.calendars = append(l.calendars, notify.Calendar{Pos: at(e.At), Name: e.Key, Days: days})
	}
}
