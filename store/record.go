package store

import (
	"bytes"
	"errors"
	"fmt"
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
	}
	return nil, fmt.Errorf("input number %d is not known", number)
}

// typed is an input or event on its way to the disk.
type typed struct {
	_      struct{} `cbor:",toarray"`
	Number uint8
	Body   any
}

// rawTyped is the same on its way back.
type rawTyped struct {
	_      struct{} `cbor:",toarray"`
	Number uint8
	Body   cbor.RawMessage
}

type wireRecord struct {
	Seq    correlate.Seq `cbor:"1,keyasint"`
	At     int64         `cbor:"2,keyasint"`
	Input  typed         `cbor:"3,keyasint"`
	Events []typed       `cbor:"4,keyasint,omitempty"`
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
	enc cbor.UserBufferEncMode
	dec cbor.DecMode
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
	return &codec{enc: enc, dec: dec}, nil
}

// encode returns the octets of a record.
func (c *codec) encode(r *correlate.Record) ([]byte, error) {
	number, err := inputNumber(r.Input)
	if err != nil {
		return nil, fmt.Errorf("encode record %d: %w", r.Seq, err)
	}
	w := wireRecord{Seq: r.Seq, At: r.At.UnixNano(), Input: typed{Number: number, Body: r.Input}}
	if len(r.Events) > 0 {
		w.Events = make([]typed, len(r.Events))
		for i, ev := range r.Events {
			w.Events[i] = typed{Number: uint8(ev.Kind()), Body: ev}
		}
	}
	var buf bytes.Buffer
	buf.WriteByte(recordVersion)
	if err := c.enc.MarshalToBuffer(&w, &buf); err != nil {
		return nil, fmt.Errorf("encode record %d: %w", r.Seq, err)
	}
	return buf.Bytes(), nil
}

// decode returns the record that data holds. The record shares nothing with data.
func (c *codec) decode(data []byte) (*correlate.Record, error) {
	if len(data) == 0 || data[0] != recordVersion {
		return nil, errors.New("decode record: its version is not known")
	}
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
