package console

import (
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"
	"slices"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/snmp"
)

// alarmPage is one alarm with its whole life and the evidence.
type alarmPage struct {
	*hand
	Axis     []scale
	Past     []pastView
	Months   *monthsView // nil where the journal cannot be read
	Evidence []evidenceView
	Problem  string // why the last action was refused
}

// pastView is one episode.
type pastView struct {
	Began, Ended moment
	Worst        correlate.Severity
	Stood        string
	Said         string
}

// evidenceView is one journal record that changed the alarm.
type evidenceView struct {
	Seq    correlate.Seq
	At     moment
	Came   string // "trap v2c from 192.0.2.7:161 at listener main"
	Agent  correlate.AgentID
	Trap   string // name of the trap
	Secure string
	Facts  []factView
	Vars   []variable
	Octets string // hex dump, the community masked
	Why    string // why the datagram is not shown decoded
}

// factView is one observation with the rule that made it.
type factView struct{ What, Text, Rule string }

// variable is one decoded varbind.
type variable struct{ Name, Type, Value string }

// evidenceShown bounds the records that are decoded for one page.
const evidenceShown = 6

func (s *server) alarm(w http.ResponseWriter, r *http.Request) error {
	key, err := correlate.ParseAlarmID(correlate.AlarmID(r.PathValue("id")))
	if err != nil {
		return api.ErrNoSuchAlarm
	}
	return s.showAlarm(w, r, key, http.StatusOK, "")
}

func (s *server) showAlarm(w http.ResponseWriter, r *http.Request, key correlate.Key, status int, refused string) error {
	var page alarmPage
	var c clock
	var seqs []correlate.Seq
	err := s.read(r, func(now clock, src source) {
		c = now
		page.hand = handView(c, src, key)
		if a := src.st.Alarms[key]; page.hand != nil {
			page.Past, seqs = past(c, a), changed(a)
		}
	})
	if err != nil {
		return err
	}
	if page.hand == nil {
		return api.ErrNoSuchAlarm
	}
	page.Problem, page.Back = refused, "alarm"
	page.Axis = axis(lengths["8h"], c)
	if page.Months, err = s.months(c, key); err != nil {
		s.Log.Warn().Err(err).Msg("the last months cannot be shown")
	}
	for _, seq := range seqs {
		e, err := s.evidence(c, seq, key)
		if err != nil {
			s.Log.Warn().Err(err).Uint64("seq", uint64(seq)).Msg("evidence cannot be read")
			e = evidenceView{Seq: seq, Why: "this record is no longer kept"}
		}
		page.Evidence = append(page.Evidence, e)
	}
	return s.render(w, r, status, "alarm", page.What+", "+page.Site, page)
}

// past lists the episodes that are kept with the alarm, newest first.
func past(c clock, a *correlate.Alarm) []pastView {
	var out []pastView
	for _, e := range slices.Backward(episodes(a)) {
		v := pastView{Began: c.at(e.Began()), Ended: c.at(e.Ended), Worst: e.Worst(), Said: plain(e.Changes[0].Text, 200)}
		v.Stood = short(c.now.Sub(e.Began()))
		if v.Ended.Is() {
			v.Stood = short(e.Ended.Sub(e.Began()))
		}
		out = append(out, v)
	}
	return out
}

// changed lists the newest records that the point itself had part in.
func changed(a *correlate.Alarm) []correlate.Seq {
	seqs := []correlate.Seq{a.LastSeq, a.RaisedBy}
	for _, ch := range a.StatusChanges {
		seqs = append(seqs, ch.Seq)
	}
	slices.SortFunc(seqs, func(a, b correlate.Seq) int { return int(b) - int(a) })
	seqs = slices.Compact(seqs)
	return seqs[:min(len(seqs), evidenceShown)]
}

func (s *server) evidence(c clock, seq correlate.Seq, key correlate.Key) (evidenceView, error) {
	rec, err := s.Journal.Get(seq)
	if err != nil {
		return evidenceView{}, fmt.Errorf("read record %d: %w", seq, err)
	}
	if rec == nil {
		return evidenceView{}, fmt.Errorf("record %d is not kept", seq)
	}
	e := evidenceView{Seq: seq, At: c.at(rec.At)}
	switch in := rec.Input.(type) {
	case *correlate.Arrival:
		s.arrived(&e, in, key)
	case *correlate.Notice:
		e.Came = "found by this program itself (" + in.Source + ")"
		e.Facts = facts(in.Observations, key)
	case *correlate.Audit:
		s.audited(&e, in, key)
	case *correlate.Act:
		e.Came = "done by " + plain(in.Actor, 60) + ", by " + plain(in.Via, 20)
	case *correlate.Tick:
		e.Came = "decided because a time had come"
	case *correlate.Reconfigure:
		e.Came = "decided when another configuration came into force"
	case *correlate.Start:
		e.Came = "decided when the program began to watch"
	case *correlate.Delivery:
		e.Came = "decided at a gateway's answer"
	case *correlate.Access:
		e.Came = "decided when an account, session or token changed"
	case *correlate.Reply:
		e.Came = "answered by " + plain(in.Person, 60) + " over " + plain(in.Gateway, 40)
	case *correlate.SetSilence:
		e.Came = "decided when " + plain(in.Actor, 60) + " set a silence"
	case *correlate.EndSilence:
		e.Came = "decided when " + plain(in.Actor, 60) + " ended a silence"
	case *correlate.RosterAct:
		e.Came = "decided about the roster " + plain(in.Roster, 60)
	}
	return e, nil
}

// namedText is named for a dotted identifier.
func (s *server) namedText(dotted string) string {
	oid, err := snmp.ParseOID(dotted)
	if err != nil {
		return dotted
	}
	return s.named(oid)
}

func (s *server) arrived(e *evidenceView, in *correlate.Arrival, key correlate.Key) {
	kind := map[bool]string{true: "inform", false: "trap"}[in.Inform]
	e.Came = kind + " " + in.Version + " from " + in.From + ", listener " + in.Listener
	if in.RunAgain != 0 {
		e.Came += fmt.Sprintf(", which came as record %d and was run again", in.RunAgain)
	}
	e.Agent, e.Secure = in.Agent, in.Security
	e.Trap = s.namedText(in.TrapOID)
	e.Facts = facts(in.Observations, key)
	e.Octets = hex.Dump(masked(in.Datagram))
	n, err := s.decode(in)
	if err != nil {
		e.Why = "its varbinds cannot be shown: " + err.Error()
		return
	}
	for _, v := range n.Varbinds {
		e.Vars = append(e.Vars, variable{s.named(snmp.OID(v.Name)), v.TypeName(), plain(s.Names.Value(v), 400)})
	}
}

// named returns the name of an identifier, with the dotted form beside it.
func (s *server) named(oid snmp.OID) string {
	name, dotted := s.Names.Name(oid), oid.String()
	if name == dotted {
		return dotted
	}
	return name + " (" + dotted + ")"
}

func facts(obs []correlate.Observation, key correlate.Key) (out []factView) {
	for _, o := range obs {
		if o.Key == key {
			what := o.What.String()
			if o.Severity != 0 {
				what += ", " + o.Severity.String()
			}
			if o.Audit {
				what += ", by audit"
			}
			out = append(out, factView{what, plain(o.Text, 300), o.Rule})
		}
	}
	return out
}

var errSealed = errors.New("it is a v3 message, and its keys are not at hand here")

func (s *server) decode(in *correlate.Arrival) (*snmp.Notification, error) {
	if in.Version == "v3" {
		if s.Unseal == nil {
			return nil, errSealed
		}
		return s.Unseal(in)
	}
	var d snmp.Decoder
	if _, err := d.Parse(slices.Clone(in.Datagram)); err != nil {
		return nil, err
	}
	return d.Notification()
}

// masked returns a datagram with the octets of a v1 or v2c community, which is
// a secret, overwritten by "*". It looks no further than the header (RFC 1157
// section 4: SEQUENCE, version INTEGER, community OCTET STRING) and leaves
// what is not of that form as it is, except that anything that could be a
// community is covered.
func masked(datagram []byte) []byte {
	out := slices.Clone(datagram)
	at := 0
	header := func(tag byte) (length int, ok bool) {
		if at+2 > len(out) || out[at] != tag {
			return 0, false
		}
		length = int(out[at+1])
		at += 2
		if length < 0x80 {
			return length, true
		}
		n := length & 0x7f
		if n > 4 || at+n > len(out) {
			return 0, false
		}
		length = 0
		for _, b := range out[at : at+n] {
			length = length<<8 | int(b)
		}
		at += n
		return length, true
	}
	if _, ok := header(0x30); !ok {
		return out
	}
	n, ok := header(0x02)
	if !ok || n > 4 || at+n >= len(out) || out[at+n] != 0x04 {
		return out
	}
	at += n
	length, ok := header(0x04)
	if !ok {
		length = len(out)
	}
	for i := at; i < len(out) && i < at+max(0, length); i++ {
		out[i] = '*'
	}
	return out
}
