package store

import (
	"encoding/hex"
	"flag"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"example.net/standwatch/correlate"
)

var update = flag.Bool("update", false, "write golden files anew")

// fill sets every field of v to something that is not its zero value.
func fill(v reflect.Value, n *int) {
	*n++
	if v.Type() == reflect.TypeFor[time.Time]() {
		v.Set(reflect.ValueOf(time.Date(2026, 2, 3, 4, 5, 6, 700_000_001+*n, time.UTC)))
		return
	}
	switch v.Kind() {
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(v.Elem(), n)
	case reflect.Struct:
		for i := range v.NumField() {
			fill(v.Field(i), n)
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		fill(v.Index(0), n)
		fill(v.Index(1), n)
	case reflect.String:
		v.SetString("text \xff " + strings.Repeat("x", *n%5))
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Float64:
		v.SetFloat(float64(*n) + 0.1)
	case reflect.Uint8:
		v.SetUint(uint64(*n%5 + 1))
	case reflect.Uint32, reflect.Uint64:
		v.SetUint(1<<31 + uint64(*n))
	case reflect.Int, reflect.Int32, reflect.Int64:
		v.SetInt(-int64(*n) - 70000)
	default:
		panic("fill " + v.Kind().String())
	}
}

func testCodec(tb testing.TB) *codec {
	tb.Helper()
	c, err := newCodec()
	if err != nil {
		tb.Fatal(err)
	}
	return c
}

// everyInput lists one of each input, empty.
func everyInput() []correlate.Input {
	return []correlate.Input{&correlate.Arrival{}, &correlate.Notice{}, &correlate.Act{}, &correlate.Tick{}, &correlate.Start{}, &correlate.Reconfigure{}, &correlate.Delivery{},
		&correlate.Access{}, &correlate.Reply{}, &correlate.RosterAct{}, &correlate.Audit{}, &correlate.SetSilence{}, &correlate.EndSilence{},
		&correlate.ShiftTurn{}, &correlate.Handover{}}
}

// everyRecord returns records that together hold every input and every event,
// once with all fields set and once with none: one record for each, so that a
// kind that is added leaves the forms of the others alone.
func everyRecord() []*correlate.Record {
	at := time.Date(2026, 11, 25, 12, 0, 0, 123456789, time.UTC)
	var out []*correlate.Record
	for _, k := range slices.Sorted(maps.Keys(correlate.EventKinds)) {
		n, ev := 0, correlate.EventKinds[k].New()
		fill(reflect.ValueOf(ev).Elem(), &n)
		out = append(out, &correlate.Record{Seq: 1, At: at, Input: &correlate.Tick{}, Events: []correlate.Event{ev, correlate.EventKinds[k].New()}})
	}
	for _, in := range everyInput() {
		out = append(out, &correlate.Record{Seq: 2, At: at.Add(-time.Hour), Input: in})
		n, full := 0, reflect.New(reflect.TypeOf(in).Elem()).Interface().(correlate.Input)
		fill(reflect.ValueOf(full).Elem(), &n)
		out = append(out, &correlate.Record{Seq: 3, At: at, Input: full})
	}
	return out
}

func TestRecordsComeBackAsTheyWere(t *testing.T) {
	c := testCodec(t)
	for _, want := range everyRecord() {
		data, err := c.encode(want)
		if err != nil {
			t.Fatal(err)
		}
		got, err := c.decode(data)
		if err != nil {
			t.Fatalf("record %d: %v", want.Seq, err)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("record %d (-want +got):\n%s", want.Seq, diff)
		}
	}
}

// The forms on disk stand for ever: a journal written today is read by every
// later program. A change here is a new format.
func TestRecordFormIsFixed(t *testing.T) {
	c := testCodec(t)
	var got strings.Builder
	for _, r := range everyRecord() {
		data, err := c.encode(r)
		if err != nil {
			t.Fatal(err)
		}
		got.WriteString(hex.EncodeToString(data) + "\n")
	}
	path := filepath.Join("testdata", "records-1.hex")
	if *update {
		if err := os.WriteFile(path, []byte(got.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(got.String(), "\n")); diff != "" {
		t.Errorf("the form on disk changed (-kept +now):\n%s", diff)
	}
}

func TestInputNumbersAreFixed(t *testing.T) {
	want := map[string]uint8{"Arrival": 1, "Notice": 2, "Act": 3, "Tick": 4, "Start": 5, "Reconfigure": 6, "Delivery": 7,
		"Access": 14, "Reply": 12, "RosterAct": 13, "Audit": 10, "SetSilence": 8, "EndSilence": 9, "ShiftTurn": 16, "Handover": 17}
	got := map[string]uint8{}
	for _, in := range everyInput() {
		n, err := inputNumber(in)
		if err != nil {
			t.Fatal(err)
		}
		got[reflect.TypeOf(in).Elem().Name()] = n
		back, err := newInput(n)
		if err != nil || reflect.TypeOf(back) != reflect.TypeOf(in) {
			t.Errorf("number %d makes %T, want %T (%v)", n, back, in, err)
		}
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if _, err := newInput(250); err == nil {
		t.Error("an unknown input number is accepted")
	}
}

func TestTimesInOtherZonesComeBackInUTC(t *testing.T) {
	c := testCodec(t)
	until := time.Date(2026, 7, 1, 12, 0, 0, 1, time.FixedZone("somewhere", 2*3600))
	data, err := c.encode(&correlate.Record{Seq: 1, At: until, Input: &correlate.Act{Until: until}})
	if err != nil {
		t.Fatal(err)
	}
	got, err := c.decode(data)
	if err != nil {
		t.Fatal(err)
	}
	for _, at := range []time.Time{got.At, got.Input.(*correlate.Act).Until} {
		if !at.Equal(until) || at.Location() != time.UTC {
			t.Errorf("got %v, want %v in UTC", at, until)
		}
	}
}

func TestBlocks(t *testing.T) {
	zip, unzip, err := newZstd()
	if err != nil {
		t.Fatal(err)
	}
	defer unzip.Close()
	var b blockBuilder
	want := [][]byte{[]byte(strings.Repeat("mains ", 50)), {}, []byte("b"), []byte(strings.Repeat("mains ", 60))}
	for i, rec := range want {
		b.add(correlate.Seq(7+i), rec)
	}
	plain := b.take()
	packed := compress(zip, plain)
	if len(packed) >= len(plain) || packed[0] != packZstd {
		t.Errorf("%d octets were packed into %d", len(plain), len(packed))
	}
	for _, data := range [][]byte{plain, packed} {
		v, err := parseBlock(unzip, 7, data)
		if err != nil {
			t.Fatal(err)
		}
		if v.count() != len(want) || v.last() != 10 {
			t.Fatalf("block holds %d records up to %d", v.count(), v.last())
		}
		for i := range want {
			if string(v.record(i)) != string(want[i]) {
				t.Errorf("record %d is %q", i, v.record(i))
			}
		}
	}
}

func FuzzDecodeRecord(f *testing.F) {
	c, err := newCodec()
	if err != nil {
		f.Fatal(err)
	}
	for _, r := range everyRecord() {
		data, err := c.encode(r)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		r, err := c.decode(data)
		if err != nil {
			return
		}
		// What could be read can be written, and is then read the same.
		again, err := c.encode(r)
		if err != nil {
			return // a time beyond what the form can hold
		}
		back, err := c.decode(again)
		if err != nil {
			t.Fatal(err)
		}
		third, err := c.encode(back)
		if err != nil || string(third) != string(again) {
			t.Fatalf("not stable (%v):\n%x\n%x", err, again, third)
		}
	})
}

func FuzzParseBlock(f *testing.F) {
	_, unzip, err := newZstd()
	if err != nil {
		f.Fatal(err)
	}
	f.Add([]byte{packPlain, 2, 1, 1, 'a', 'b'})
	f.Add([]byte{packPlain, 0xff, 0xff, 0xff, 0xff, 0x7f})
	f.Add([]byte{packZstd, 0x28, 0xb5, 0x2f, 0xfd})
	f.Fuzz(func(t *testing.T, data []byte) {
		v, err := parseBlock(unzip, 1, data)
		if err != nil {
			return
		}
		total := 0
		for i := range v.count() {
			total += len(v.record(i))
		}
		if total != len(v.body) {
			t.Errorf("records hold %d of %d octets", total, len(v.body))
		}
	})
}
