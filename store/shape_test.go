package store

import (
	"bytes"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"example.net/standwatch/correlate"
)

// typed is an input or event on its way to the disk.
type typed struct {
	_      struct{} `cbor:",toarray"`
	Number uint8
	Body   any
}

type wireRecord struct {
	Seq    correlate.Seq `cbor:"1,keyasint"`
	At     int64         `cbor:"2,keyasint"`
	Input  typed         `cbor:"3,keyasint"`
	Events []typed       `cbor:"4,keyasint,omitempty"`
}

// byLibrary encodes a record with nothing but the library.
func (c *codec) byLibrary(r *correlate.Record) ([]byte, error) {
	number, err := inputNumber(r.Input)
	if err != nil {
		return nil, err
	}
	w := wireRecord{Seq: r.Seq, At: r.At.UnixNano(), Input: typed{Number: number, Body: r.Input}}
	for _, ev := range r.Events {
		w.Events = append(w.Events, typed{Number: uint8(ev.Kind()), Body: ev})
	}
	buf := bytes.NewBuffer([]byte{recordVersion})
	err = c.enc.MarshalToBuffer(&w, buf)
	return buf.Bytes(), err
}

// sameAsLibrary holds the quick ways of writing and reading against the library.
func sameAsLibrary(tb rapid.TB, c *codec, r *correlate.Record) {
	want, wantErr := c.byLibrary(r)
	got, err := c.encode(r)
	if (err == nil) != (wantErr == nil) {
		tb.Fatalf("encode: %v, the library: %v", err, wantErr)
	}
	if err != nil {
		return
	}
	if !bytes.Equal(got, want) {
		tb.Fatalf("encoded\n%x, the library\n%x", got, want)
	}
	slow, slowErr := c.decodeAny(want)
	quick := c.decodeKnown(want[1:], true)
	if slowErr != nil && quick != nil {
		tb.Fatalf("decoded what the library refuses: %v", slowErr)
	}
	if quick != nil {
		// Floats that are no numbers are the library's.
		if diff := cmp.Diff(slow, quick); diff != "" {
			tb.Fatalf("decoded (-library +quick):\n%s", diff)
		}
	}
}

// Every input and event has a shape, so that nothing is slow unnoticed; those
// that have none on purpose are named here.
func TestEveryKindHasAShape(t *testing.T) {
	c := testCodec(t)
	byLibrary := map[string]bool{}
	for _, r := range everyRecord() {
		for _, body := range append([]any{r.Input}, events(r)...) {
			typ := reflect.TypeOf(body).Elem()
			if c.shapes[typ] == nil && !byLibrary[typ.Name()] {
				t.Errorf("%s is left to the library", typ)
			}
		}
		sameAsLibrary(t, c, r)
	}
}

func events(r *correlate.Record) (out []any) {
	for _, ev := range r.Events {
		out = append(out, ev)
	}
	return out
}

// anyValue sets every field of v to something drawn, at the edges of its range
// as often as not.
func anyValue(t *rapid.T, v reflect.Value) {
	if v.Type() == timeType {
		at := time.Unix(rapid.Int64Range(-1<<36, 1<<38).Draw(t, "seconds"), rapid.SampledFrom([]int64{0, 1, 500_000_000, 999_999_999}).Draw(t, "nanoseconds"))
		if !rapid.Bool().Draw(t, "zero") {
			v.Set(reflect.ValueOf(at.In(time.FixedZone("", rapid.IntRange(-12, 14).Draw(t, "zone")*3600))))
		}
		return
	}
	switch v.Kind() {
	case reflect.Pointer:
		if rapid.Bool().Draw(t, "set") {
			v.Set(reflect.New(v.Type().Elem()))
			anyValue(t, v.Elem())
		}
	case reflect.Struct:
		for i := range v.NumField() {
			anyValue(t, v.Field(i))
		}
	case reflect.Slice:
		n := rapid.IntRange(-1, 3).Draw(t, "length")
		if n < 0 {
			return
		}
		v.Set(reflect.MakeSlice(v.Type(), n, n))
		for i := range n {
			anyValue(t, v.Index(i))
		}
	case reflect.String:
		v.SetString(string(rapid.SliceOfN(rapid.Byte(), 0, 30).Draw(t, "text")))
	case reflect.Bool:
		v.SetBool(rapid.Bool().Draw(t, "truth"))
	case reflect.Float64:
		v.SetFloat(rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{0, math.Copysign(0, -1), math.Inf(1), math.NaN()})).Draw(t, "number"))
	case reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		v.SetUint(rapid.Uint64().Draw(t, "count") >> (64 - v.Type().Bits()))
	default:
		v.SetInt(rapid.Int64().Draw(t, "whole") >> (64 - v.Type().Bits()))
	}
}

func TestShapesWriteWhatTheLibraryWrites(t *testing.T) {
	c := testCodec(t)
	rapid.Check(t, func(t *rapid.T) {
		r := &correlate.Record{Seq: correlate.Seq(rapid.Uint64().Draw(t, "seq")), At: time.Unix(0, rapid.Int64().Draw(t, "at")).UTC()}
		r.Input = rapid.SampledFrom(everyInput()).Draw(t, "input")
		r.Input = reflect.New(reflect.TypeOf(r.Input).Elem()).Interface().(correlate.Input)
		anyValue(t, reflect.ValueOf(r.Input).Elem())
		for range rapid.IntRange(0, 3).Draw(t, "events") {
			kind := correlate.EventKind(rapid.IntRange(1, 70).Draw(t, "kind"))
			if k, known := correlate.EventKinds[kind]; known {
				ev := k.New()
				anyValue(t, reflect.ValueOf(ev).Elem())
				r.Events = append(r.Events, ev)
			}
		}
		sameAsLibrary(t, c, r)
	})
}

// A checkpoint is written by the library and read by its shape.
func TestSnapshotsAreReadAsTheLibraryReads(t *testing.T) {
	c := testCodec(t)
	if c.shapes[reflect.TypeFor[correlate.Snapshot]()] == nil {
		t.Fatal("a snapshot is left to the library")
	}
	rapid.Check(t, func(t *rapid.T) {
		snap := new(correlate.Snapshot)
		anyValue(t, reflect.ValueOf(snap).Elem())
		data, err := c.enc.Marshal(snap)
		if err != nil {
			return // it has a time that cannot be written
		}
		got, err := c.decodeSnapshot(data)
		want := new(correlate.Snapshot)
		if libErr := c.dec.Unmarshal(data, want); (err == nil) != (libErr == nil) {
			t.Fatalf("%v, the library: %v", err, libErr)
		}
		if diff := cmp.Diff(want, got, cmpopts.EquateNaNs()); diff != "" {
			t.Fatalf("(-library +quick):\n%s", diff)
		}
	})
}

// What the quick way reads of octets that were changed, the library reads too,
// and to the same record.
func TestShapesReadNothingThatTheLibraryWouldNot(t *testing.T) {
	c := testCodec(t)
	rnd := rand.New(rand.NewPCG(3, 4))
	read := 0
	for _, r := range everyRecord() {
		good, err := c.encode(r)
		if err != nil {
			t.Fatal(err)
		}
		for range 300 {
			bad := bytes.Clone(good)
			for range 1 + rnd.IntN(3) {
				bad[1+rnd.IntN(len(bad)-1)] = byte(rnd.Uint32())
			}
			if rnd.IntN(5) == 0 {
				bad = bad[:1+rnd.IntN(len(bad)-1)]
			}
			quick := c.decodeKnown(bad[1:], true)
			if quick == nil {
				continue
			}
			read++
			slow, err := c.decodeAny(bad)
			if err != nil {
				t.Fatalf("%x: decoded what the library refuses: %v", bad, err)
			}
			if diff := cmp.Diff(slow, quick); diff != "" {
				t.Fatalf("%x (-library +quick):\n%s", bad, diff)
			}
			if part := c.decodeKnown(bad[1:], false); part == nil || cmp.Diff(quick.Events, part.Events) != "" {
				t.Fatalf("%x: the events alone are others", bad)
			}
		}
	}
	if read < 1000 {
		t.Errorf("only %d were read: this proves little", read)
	}
}

// BenchmarkRecord measures writing and reading a record with its datagram, by
// shapes and by the library.
func BenchmarkRecord(b *testing.B) {
	c := testCodec(b)
	r := arrivalRecord()
	data, err := c.encode(r)
	if err != nil {
		b.Fatal(err)
	}
	for name, do := range map[string]func() error{
		"do=encode/by=shapes":  func() error { _, err := c.encode(r); return err },
		"do=encode/by=library": func() error { _, err := c.byLibrary(r); return err },
		"do=decode/by=shapes":  func() error { _, err := c.decode(data); return err },
		"do=decode/by=library": func() error { _, err := c.decodeAny(data); return err },
		"do=events/by=shapes":  func() error { _, err := c.decodeEvents(data); return err },
	} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if err := do(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// arrivalRecord is a trap of 200 octets that raises an alarm.
func arrivalRecord() *correlate.Record {
	key := correlate.Key{Site: "harrow-knoll", Point: "mains", Instance: "1"}
	at := time.Date(2026, 3, 1, 6, 0, 0, 123456789, time.UTC)
	return &correlate.Record{Seq: 1234567, At: at,
		Input: &correlate.Arrival{Datagram: bytes.Repeat([]byte{0x30}, 218), From: "192.0.2.7:16100", Listener: "main", Version: "v2c", Origin: "192.0.2.7",
			Agent: "harrow-knoll-remote", TrapOID: "1.3.6.1.4.1.32473.1.0.1", Uptime: 123456, HasUptime: true, RequestID: 99,
			Observations: []correlate.Observation{{Key: key, What: correlate.Raise, Severity: correlate.Major, Text: "Mains failed", Rule: "power.yaml:12 mains"}}},
		Events: []correlate.Event{&correlate.Raised{On: correlate.On{Key: key}, Severity: correlate.Major, Text: "Mains failed", Since: at, Merit: 1},
			&correlate.Announced{On: correlate.On{Key: key}, Why: "raised"}}}
}
