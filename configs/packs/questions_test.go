package packs_test

import (
	"context"
	"fmt"
	"io/fs"
	"net/netip"
	"slices"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"go.yaml.in/yaml/v4"

	"example.net/standwatch/configs/packs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/audit"
	"example.net/standwatch/receiver/audit/responder"
	"example.net/standwatch/receiver/rules"
	"example.net/standwatch/receiver/snmp"
)

func loadQuestions(t *testing.T) (specs []audit.Spec) {
	t.Helper()
	names, err := fs.Glob(packs.FS, "*.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		text, err := packs.FS.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		var file packFile
		if err := yaml.Load(text, &file); err != nil {
			t.Fatal(err)
		}
		for i := range file.Questions {
			file.Questions[i].Pack = file.Pack
			file.Questions[i].Pos = rules.Pos{File: name, Line: i + 1}
		}
		specs = append(specs, file.Questions...)
	}
	return specs
}

func oid(dotted string) snmp.OID { return snmp.MustOID(dotted) }

func num(name string, v int32) snmp.Varbind { return snmp.Integer(oid(name), v) }

// questionSite has the points that the packs' questions speak of.
func questionSite() *correlate.Site {
	site := &correlate.Site{ID: "tern-point", Name: "Tern Point", Points: map[correlate.PointID]*correlate.Point{}}
	for id, number := range map[correlate.PointID]int{"mains": 1, "door": 3, "battery-voltage": 201, "relay": 221, "room": 7,
		"link": 0, "ups-on-battery": 0, "ups-alarm": 0, "agent-alarm": 0, "sensor-fault": 0} {
		site.Points[id] = &correlate.Point{ID: id, Name: string(id), Number: number}
	}
	return site
}

// TestQuestions asks an agent that has the tables of each pack, over a socket,
// and compares what is found. Each case names the document that its values are
// made after.
func TestQuestions(t *testing.T) {
	const kestrel, ups, alarm, sensor, ifEntry = "1.3.6.1.4.1.32473.10.", "1.3.6.1.2.1.33.1.6.", "1.3.6.1.2.1.118.1.2.", "1.3.6.1.2.1.99.1.1.1.", "1.3.6.1.2.1.2.2.1."
	specs := loadQuestions(t)
	book, problems := audit.Compile(specs, rules.Options{})
	for _, p := range problems {
		t.Error(p)
	}
	for _, c := range []struct {
		question string
		tree     []snmp.Varbind
		want     []string
	}{
		{"kestrel-remote/contacts", []snmp.Varbind{num(kestrel+"2.1.2.1", 1), num(kestrel+"2.1.2.2", 1), num(kestrel+"2.1.2.3", 2)},
			[]string{"raise mains", "clear door"}}, // no point has number 2
		{"kestrel-remote/analogs", []snmp.Varbind{num(kestrel+"3.1.2.201", -540)}, []string{"value battery-voltage -540"}},
		{"kestrel-remote/relays", []snmp.Varbind{num(kestrel+"4.1.2.221", 2)}, []string{`raise relay "relay: relay on"`}},
		{"if/interfaces", []snmp.Varbind{ // RFC 2863: 1 works, 2 is down, 3 is switched off, 4 waits on a lower layer, 5 is unknown
			num(ifEntry+"7.1", 1), num(ifEntry+"7.2", 1), num(ifEntry+"7.3", 2), num(ifEntry+"7.4", 1), num(ifEntry+"7.5", 1),
			num(ifEntry+"8.1", 1), num(ifEntry+"8.2", 2), num(ifEntry+"8.3", 2), num(ifEntry+"8.4", 7), num(ifEntry+"8.5", 4)},
			[]string{"clear link:1", "raise link:2", `clear link:3 "Switched off by the agent's own configuration"`, "raise link:4"}},
		{"ups/alarms", []snmp.Varbind{ // RFC 1628: on battery, and a fan
			snmp.Unsigned(oid(ups+"1.0"), snmp.TagGauge32, 2),
			snmp.Identifier(oid(ups+"2.1.2.4"), oid(ups+"3.2")), snmp.Identifier(oid(ups+"2.1.2.9"), oid(ups+"3.16"))},
			[]string{"raise ups-on-battery", `raise ups-alarm:upsAlarmFanFailure minor "upsAlarmFanFailure"`, "absent ups-on-battery", "absent ups-alarm"}},
		{"ups/alarms", []snmp.Varbind{snmp.Unsigned(oid(ups+"1.0"), snmp.TagGauge32, 0)}, []string{"absent ups-on-battery", "absent ups-alarm"}},
		{"ups/alarms", nil, []string{"trouble ups/alarms: the agent does not have upsAlarmsPresent.0, so what its table lacks proves nothing"}},
		{"ups/alarms", []snmp.Varbind{snmp.Unsigned(oid(ups+"1.0"), snmp.TagGauge32, 3), snmp.Identifier(oid(ups+"2.1.2.4"), oid(ups+"3.2"))},
			[]string{"raise ups-on-battery", "trouble ups/alarms: the agent counts 3 entries and its table has 1; what the table lacks proves nothing"}},
		{"alarm/active", []snmp.Varbind{ // RFC 3877: one row with an ITU severity of major, list name "x", no date
			snmp.Unsigned(oid(alarm+"1.0"), snmp.TagTimeTicks, 77),
			snmp.Identifier(oid(alarm+"2.1.10.1.120.0.5"), oid(ifEntry+"1.7")),
			snmp.Identifier(oid(alarm+"2.1.13.1.120.0.5"), oid("1.3.6.1.2.1.118.1.1.2.1.3.0.9.2")),
			snmp.Identifier(oid(alarm+"2.1.14.1.120.0.5"), oid("1.3.6.1.2.1.121.1.1.1.1.2.0.9.4"))},
			[]string{`raise agent-alarm:ifIndex.7 model 9 major "Alarm model 9, state 2, on ifIndex.7"`, "absent agent-alarm"}},
		{"entity-sensor/sensors", []snmp.Varbind{ // RFC 3433: 23.4 degrees as 234 with precision 1; 8 is broken, 9 cannot be read now
			num(sensor+"1.7", 8), num(sensor+"1.8", 8), num(sensor+"1.9", 8), num(sensor+"2.7", 9), num(sensor+"2.8", 9), num(sensor+"2.9", 9),
			num(sensor+"3.7", 1), num(sensor+"3.8", 1), num(sensor+"3.9", 1), num(sensor+"4.7", 234), num(sensor+"4.8", 0), num(sensor+"4.9", 0),
			num(sensor+"5.7", 1), num(sensor+"5.8", 3), num(sensor+"5.9", 2)},
			[]string{"value room 23.4", "clear sensor-fault:7", `raise sensor-fault:8 "Sensor 8 (celsius) does not work"`}},
	} {
		t.Run(c.question, func(t *testing.T) {
			got := ask(t, book, c.question, c.tree)
			slices.Sort(got)
			slices.Sort(c.want)
			if diff := gocmp.Diff(c.want, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
	for _, s := range specs {
		if book.Lookup(s.Pack+"/"+s.Name) == nil {
			t.Errorf("question %s/%s is not in the book", s.Pack, s.Name)
		}
	}
}

func ask(t *testing.T, book *audit.Book, question string, tree []snmp.Varbind) (got []string) {
	t.Helper()
	tree = append(slices.Clone(tree), snmp.Unsigned(oid("1.3.6.1.2.1.1.3.0"), snmp.TagTimeTicks, 4711))
	slices.SortFunc(tree, func(a, b snmp.Varbind) int { return slices.Compare(snmp.OID(a.Name).Arcs(), snmp.OID(b.Name).Arcs()) })
	r, err := responder.New(responder.Options{Address: netip.MustParseAddrPort("127.0.0.1:0"), Communities: []string{"trial"}, Tree: func() []snmp.Varbind { return tree }, Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- r.Run(ctx) }()
	defer func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}()
	site := questionSite()
	agent := &correlate.Agent{ID: "tern-point-remote", Site: site.ID}
	target := &audit.Target{Agent: agent.ID, Addresses: []netip.AddrPort{r.Addr()}, Version: snmp.V2c, Community: "trial",
		Questions: book.Lookup(question), Timeout: 5 * time.Second, Repetitions: 2}
	if err := target.Check(); err != nil {
		t.Fatal(err)
	}
	in := audit.NewAsker(time.Now).Ask(ctx, target, rules.Where{Site: site, Agent: agent}, correlate.Key{}, audit.Source{}).Audit
	if in.Failure != "" {
		t.Fatal(in.Failure)
	}
	for _, f := range in.Findings {
		o := f.Observation
		if f.OID == "" || f.Value == "" || f.Asked.IsZero() || !o.Audit || o.Rule == "" {
			t.Errorf("evidence is missing: %+v", f)
		}
		line := o.What.String() + " " + strings.TrimPrefix(o.Key.String(), "tern-point:")
		line = strings.ReplaceAll(line, "%20", " ")
		if o.Severity != 0 {
			line += " " + o.Severity.String()
		}
		if o.Text != "" {
			line += fmt.Sprintf(" %q", o.Text)
		}
		if o.What == correlate.Value {
			line += fmt.Sprintf(" %g", o.Value)
		}
		got = append(got, line)
	}
	for _, a := range in.Absent {
		got = append(got, "absent "+string(a.Point))
	}
	for _, text := range in.Trouble {
		got = append(got, "trouble "+text)
	}
	return got
}

// TestQuestionsAgreeWithRules: what a trap and a question say of the same thing
// has one severity; otherwise each audit would change it back.
func TestQuestionsAgreeWithRules(t *testing.T) {
	severities := func(list []rules.Observe, of string) map[string]string {
		for _, o := range list {
			if o.SeverityBy != nil && o.SeverityBy.Of == of {
				return o.SeverityBy.Map
			}
		}
		return nil
	}
	var byRule, byQuestion map[string]string
	for _, rule := range load(t)["ups"].Rules {
		if m := severities(rule.Observe, "upsAlarmDescr"); m != nil {
			byRule = m
		}
	}
	for _, q := range loadQuestions(t) {
		for _, c := range q.Cases {
			if m := severities(c.Observe, "upsAlarmDescr"); m != nil {
				byQuestion = m
			}
		}
	}
	if diff := gocmp.Diff(byRule, byQuestion); diff != "" || len(byRule) == 0 {
		t.Errorf("severities (-rule +question):\n%s", diff)
	}
}
