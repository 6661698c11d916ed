package api

import (
	"net/http"

	"example.net/standwatch/correlate"
)

// alarms answers GET /alarms.
func (s *server) alarms(w http.ResponseWriter, r *http.Request) error {
	p := params(r, "site", "severity", "state")
	keep, err := p.alarmFilter()
	if err != nil {
		return err
	}
	list := AlarmList{Alarms: []Alarm{}}
	s.Board.Read(func(st *correlate.State, net *correlate.Network) {
		for _, a := range sortedAlarms(st, keep) {
			list.Alarms = append(list.Alarms, AlarmOf(st, net, a, s.Zone))
			if a.Changed.After(list.LastChanged) {
				list.LastChanged = in(s.Zone, a.Changed)
			}
		}
	})
	list.Number = len(list.Alarms)
	return writeTagged(w, r, list)
}

func (s *server) alarm(w http.ResponseWriter, r *http.Request) error {
	if p := params(r); p.err != nil {
		return p.err
	}
	key, err := s.alarmKey(r)
	if err != nil {
		return err
	}
	return s.writeAlarm(w, key)
}

func (s *server) writeAlarm(w http.ResponseWriter, key correlate.Key) error {
	var out Alarm
	s.Board.Read(func(st *correlate.State, net *correlate.Network) {
		if a := st.Alarms[key]; a != nil {
			out = AlarmOf(st, net, a, s.Zone)
			out.detail(st, key, s.Zone)
		}
	})
	return writeJSON(w, out)
}

// Untaken reports whether an alarm waits for a person: it stands, nobody took
// it, nobody put it aside, and nothing else explains it.
func Untaken(a *correlate.Alarm) bool {
	return a.OnBoard() && !a.Acknowledged && a.Shelf == nil && a.Suppressed == nil && a.Cause.IsZero()
}
