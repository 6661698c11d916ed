package store

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"time"

	"github.com/fxamacker/cbor/v2"

	"example.net/standwatch/correlate"
)

// recordVersion is the first octet of every record.
const recordVersion = 1

// The numbers of the inputs on disk. Never renumber.
const (
	inputArrival     = 1
	inputNotice      = 2
	inputAct         = 3
	inputTick        = 4
	inputStart       = 5
	inputReconfigure = 6
	inputDelivery    = 7
	inputSetSilence  = 8
	inputEndSilence  = 9
	inputAccess      = 14
	inputReply       = 12
	inputRosterAct   = 13
	inputAudit       = 10
	inputShiftTurn   = 16
	inputHandover    = 17
)

func inputNumber(in correlate.Input) (uint8, error) {
	switch in.(type) {
	case *correlate.Arrival:
		return inputArrival, nil
	case *correlate.Notice:
		return inputNotice, nil
	case *correlate.Act:
		return inputAct, nil
	case *correlate.Tick:
		return inputTick, nil
	case *correlate.Start:
		return inputStart, nil
	case *correlate.Reconfigure:
		return inputReconfigure, nil
	case *correlate.Delivery:
		return inputDelivery, nil
	case *correlate.SetSilence:
		return inputSetSilence, nil
	case *correlate.EndSilence:
		return inputEndSilence, nil
	case *correlate.Access:
		return inputAccess, nil
	case *correlate.Reply:
		return inputReply, nil
	case *correlate.RosterAct:
		return inputRosterAct, nil
	case *correlate.Audit:
		return inputAudit, nil
	case *correlate.ShiftTurn:
		return inputShiftTurn, nil
	case *correlate.Handover:
		return inputHandover, nil
	}
	return 0, fmt.Errorf("input %T has no number", in)
}

func newInput(number uint8) (correlate.Input, error) {
	switch number {
	case inputArrival:
		return new(correlate.Arrival), nil
	case inputNotice:
		return new(correlate.Notice), nil
	case inputAct:
		return new(correlate.Act), nil
	case inputTick:
		return new(correlate.Tick), nil
	case inputStart:
		return new(correlate.Start), nil
	case inputReconfigure:
		return new(correlate.Reconfigure), nil
	case inputDelivery:
		return new(correlate.Delivery), nil
	case inputSetSilence:
		return new(correlate.SetSilence), nil
	case inputEndSilence:
		return new(correlate.EndSilence), nil
	case inputAccess:
		return new(correlate.Access), nil
	case inputReply:
		return new(correlate.Reply), nil
	case inputRosterAct:
		return new(correlate.RosterAct), nil
	case inputAudit:
		return new(correlate.Audit), nil
	case inputShiftTurn:
		return new(correlate.ShiftTurn), nil
	case inputHandover:
		return new(correlate.Handover), nil
	}
	return nil, fmt.Errorf("input number %d is not known", number)
}

// rawTyped is an input or event, its number and its body.
type rawTyped struct {
	_      struct{} `cbor:",toarray"`
	Number uint8
	Body   cbor.RawMessage
}

type rawRecord struct {
	Seq    correlate.Seq `cbor:"1,keyasint"`
	At     int64         `cbor:"2,keyasint"`
	Input  rawTyped      `cbor:"3,keyasint"`
	Events []rawTyped    `cbor:"4,keyasint"`
}

// codec turns records and snapshots into octets and back. It is safe for
// concurrent use.
type codec struct {
	enc    cbor.UserBufferEncMode
	dec    cbor.DecMode
	shapes map[reflect.Type]*shape // of inputs and events; nil for what the library does
}

func newCodec() (*codec, error) {
	enc, err := cbor.EncOptions{Time: cbor.TimeRFC3339NanoUTC}.UserBufferEncMode()
	if err != nil {
		return nil, fmt.Errorf("set up record encoding: %w", err)
	}
	// A checkpoint lists more alarms than the default bound of arrays allows,
	// and texts of datagrams need not be UTF-8.
	dec, err := cbor.DecOptions{UTF8: cbor.UTF8DecodeInvalid, MaxArrayElements: 1 << 30}.DecMode()
	if err != nil {
		return nil, fmt.Errorf("set up record decoding: %w", err)
	}
	c := &codec{enc: enc, dec: dec, shapes: map[reflect.Type]*shape{}}
	for _, kind := range correlate.EventKinds {
		newShape(reflect.TypeOf(kind.New()).Elem(), c.shapes)
	}
	newShape(reflect.TypeFor[correlate.Snapshot](), c.shapes)
	for number := range maxInputs {
		if in, err := newInput(uint8(number)); err == nil {
			newShape(reflect.TypeOf(in).Elem(), c.shapes)
		}
	}
	return c, nil
}

// maxInputs is beyond the number of any input.
const maxInputs = 64

// encode returns the octets of a record.
func (c *codec) encode(r *correlate.Record) ([]byte, error) { return c.appendRecord(nil, r) }

// appendRecord appends the octets of a record to b.
func (c *codec) appendRecord(b []byte, r *correlate.Record) ([]byte, error) {
	number, err := inputNumber(r.Input)
	if err != nil {
		return b, fmt.Errorf("encode record %d: %w", r.Seq, err)
	}
	n := byte(3)
	if len(r.Events) > 0 {
		n = 4
	}
	out := append(b, recordVersion, majorMap|n, 1)
	out = appendInt(append(appendHead(out, majorUint, uint64(r.Seq)), 2), r.At.UnixNano())
	if out, err = c.appendTyped(append(out, 3), number, r.Input); err != nil {
		return b, fmt.Errorf("encode record %d: %w", r.Seq, err)
	}
	if len(r.Events) == 0 {
		return out, nil
	}
	out = appendHead(append(out, 4), majorArray, uint64(len(r.Events)))
	for _, ev := range r.Events {
		if out, err = c.appendTyped(out, uint8(ev.Kind()), ev); err != nil {
			return b, fmt.Errorf("encode record %d: %w", r.Seq, err)
		}
	}
	return out, nil
}

// appendTyped appends an input or event, which body points to, with its number.
func (c *codec) appendTyped(b []byte, number uint8, body any) ([]byte, error) {
	b = appendHead(append(b, majorArray|2), majorUint, uint64(number))
	v := reflect.ValueOf(body).Elem()
	if s := c.shapes[v.Type()]; s != nil {
		if out, ok := s.appendTo(b, v); ok {
			return out, nil
		}
	}
	data, err := c.enc.Marshal(body)
	return append(b, data...), err
}

// decode returns the record that data holds. The record shares nothing with data.
func (c *codec) decode(data []byte) (*correlate.Record, error) {
	if len(data) == 0 || data[0] != recordVersion {
		return nil, errors.New("decode record: its version is not known")
	}
	if r := c.decodeKnown(data[1:], true); r != nil {
		return r, nil
	}
	return c.decodeAny(data)
}

// decodeEvents returns a record without its input, which stays nil.
func (c *codec) decodeEvents(data []byte) (*correlate.Record, error) {
	if len(data) > 0 && data[0] == recordVersion {
		if r := c.decodeKnown(data[1:], false); r != nil {
			return r, nil
		}
	}
	r, err := c.decode(data)
	if err == nil {
		r.Input = nil
	}
	return r, err
}

// decodeKnown reads a record that is as appendRecord writes it; nil when it is
// not, or holds something that the library has to read.
func (c *codec) decodeKnown(data []byte, whole bool) *correlate.Record {
	it := &item{b: data}
	n := it.head(majorMap)
	if it.odd || n < 3 || n > 4 || !it.is(1) {
		return nil
	}
	r := &correlate.Record{Seq: correlate.Seq(it.head(majorUint))}
	if !it.is(2) {
		return nil
	}
	r.At = time.Unix(0, it.int()).UTC()
	if !it.is(3) || !it.is(majorArray|2) {
		return nil
	}
	if number := it.head(majorUint); whole {
		in, err := newInput(uint8(number))
		if err != nil || number >= maxInputs || !c.readKnown(it, in) {
			return nil
		}
		r.Input = in
	} else {
		it.skip()
	}
	if n == 4 {
		if !it.is(4) {
			return nil
		}
		r.Events = make([]correlate.Event, it.list())
		for i := range r.Events {
			if !it.is(majorArray | 2) {
				return nil
			}
			number := it.head(majorUint)
			kind, known := correlate.EventKinds[correlate.EventKind(number)]
			if number > math.MaxUint8 || !known {
				return nil
			}
			if r.Events[i] = kind.New(); !c.readKnown(it, r.Events[i]) {
				return nil
			}
		}
	}
	if it.odd || len(it.b) > 0 || (n == 4 && len(r.Events) == 0) {
		return nil
	}
	return r
}

// readKnown reads what body points to; false when the library has to.
func (c *codec) readKnown(it *item, body any) bool {
	v := reflect.ValueOf(body).Elem()
	s := c.shapes[v.Type()]
	if s == nil {
		return false
	}
	s.readInto(it, v)
	return !it.odd
}

// decodeSnapshot returns the snapshot that data holds.
func (c *codec) decodeSnapshot(data []byte) (*correlate.Snapshot, error) {
	snap := new(correlate.Snapshot)
	if it := (&item{b: data}); c.readKnown(it, snap) && len(it.b) == 0 {
		return snap, nil
	}
	snap = new(correlate.Snapshot)
	return snap, c.dec.Unmarshal(data, snap)
}

// decodeAny reads a record with the library.
func (c *codec) decodeAny(data []byte) (*correlate.Record, error) {
	var raw rawRecord
	if err := c.dec.Unmarshal(data[1:], &raw); err != nil {
		return nil, fmt.Errorf("decode record: %w", err)
	}
	r := &correlate.Record{Seq: raw.Seq, At: time.Unix(0, raw.At).UTC()}
	var err error
	if r.Input, err = newInput(raw.Input.Number); err != nil {
		return nil, fmt.Errorf("decode record %d: %w", raw.Seq, err)
	}
	if err := c.dec.Unmarshal(raw.Input.Body, r.Input); err != nil {
		return nil, fmt.Errorf("decode record %d: input: %w", raw.Seq, err)
	}
	for _, e := range raw.Events {
		kind, known := correlate.EventKinds[correlate.EventKind(e.Number)]
		if !known {
			return nil, fmt.Errorf("decode record %d: event number %d is not known", raw.Seq, e.Number)
		}
		ev := kind.New()
		if err := c.dec.Unmarshal(e.Body, ev); err != nil {
			return nil, fmt.Errorf("decode record %d: event %s: %w", raw.Seq, kind.Word, err)
		}
		r.Events = append(r.Events, ev)
	}
	return r, nil
}
