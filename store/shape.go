package store

import (
	"encoding"
	"encoding/binary"
	"math"
	"reflect"
	"strconv"
	"strings"
	"time"

	"github.com/fxamacker/cbor/v2"
)

// A shape writes and reads the values of one struct type octet for octet as the
// CBOR library does with our options, only faster: what the tags say is looked up
// once. It writes nothing and reads nothing that it is not sure of; the library
// does that then. So the library stays the definition of the format, and a field
// that is added to a type needs nothing here.
type shape struct {
	typ    reflect.Type
	fields []shapeField
}

// shapeField is one field of a shape, embedded structs' fields included.
type shapeField struct {
	key   []byte // as written
	path  []int
	omit  omission
	kind  shapeKind
	inner *shape // of a struct, of what a pointer points to, of a slice's elements
	elem  shapeKind
}

type shapeKind uint8

const (
	kindNone shapeKind = iota // the library has to do it
	kindText
	kindOctets
	kindBool
	kindUint
	kindInt
	kindFloat
	kindTime
	kindStruct
	kindPointer
	kindSlice
)

type omission uint8

const (
	omitNever omission = iota
	omitEmpty
	omitZero
)

var (
	timeType  = reflect.TypeFor[time.Time]()
	customary = []reflect.Type{
		reflect.TypeFor[cbor.Marshaler](), reflect.TypeFor[cbor.Unmarshaler](),
		reflect.TypeFor[encoding.BinaryMarshaler](), reflect.TypeFor[encoding.BinaryUnmarshaler](),
	}
)

// newShape returns the shape of a struct type, or nil when there is something
// about the type that the library has to do.
func newShape(t reflect.Type, known map[reflect.Type]*shape) *shape {
	if s, ok := known[t]; ok {
		return s // nil too, for a type within itself
	}
	known[t] = nil
	s := &shape{typ: t}
	if t.Kind() != reflect.Struct || customized(t) || !s.add(t, nil, known) {
		return nil
	}
	known[t] = s
	return s
}

func customized(t reflect.Type) bool {
	for _, i := range customary {
		if t.Implements(i) || reflect.PointerTo(t).Implements(i) {
			return true
		}
	}
	return false
}

// add adds the fields of t, which lies at path.
func (s *shape) add(t reflect.Type, path []int, known map[reflect.Type]*shape) bool {
	for i := range t.NumField() {
		f := t.Field(i)
		at := append(append([]int(nil), path...), i)
		tag, tagged := f.Tag.Lookup("cbor")
		switch {
		case f.Anonymous && !tagged && f.Type.Kind() == reflect.Struct && !customized(f.Type):
			if !s.add(f.Type, at, known) {
				return false
			}
			continue
		case !f.IsExported() || !tagged:
			return false
		}
		field, ok := newShapeField(f, tag, known)
		if !ok {
			return false
		}
		field.path = at
		s.fields = append(s.fields, field)
	}
	return true
}

func newShapeField(f reflect.StructField, tag string, known map[reflect.Type]*shape) (field shapeField, ok bool) {
	words := strings.Split(tag, ",")
	n, err := strconv.ParseUint(words[0], 10, 16)
	if err != nil {
		return field, false
	}
	field.key = appendHead(nil, majorUint, n)
	keyed := false
	for _, w := range words[1:] {
		switch w {
		case "keyasint":
			keyed = true
		case "omitempty":
			field.omit = omitEmpty
		case "omitzero":
			field.omit = omitZero
		default:
			return field, false
		}
	}
	field.kind, field.inner = kindOf(f.Type, known)
	if field.kind == kindSlice {
		field.elem, field.inner = kindOf(f.Type.Elem(), known)
		if field.elem == kindSlice {
			field.elem = kindNone
		}
	}
	switch {
	case !keyed, field.kind == kindNone, field.kind == kindSlice && field.elem == kindNone:
		return field, false
	case field.omit == omitEmpty && (field.kind == kindStruct || field.kind == kindTime):
		return field, false // what is empty of a struct is the library's to say
	case field.omit == omitZero && field.kind == kindStruct:
		_, own := f.Type.MethodByName("IsZero")
		return field, !own || f.Type.Comparable()
	}
	return field, true
}

func kindOf(t reflect.Type, known map[reflect.Type]*shape) (shapeKind, *shape) {
	if t == timeType {
		return kindTime, nil
	}
	if customized(t) {
		return kindNone, nil
	}
	switch t.Kind() {
	case reflect.String:
		return kindText, nil
	case reflect.Bool:
		return kindBool, nil
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		return kindUint, nil
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		return kindInt, nil
	case reflect.Float64:
		return kindFloat, nil
	case reflect.Struct:
		if inner := newShape(t, known); inner != nil {
			return kindStruct, inner
		}
	case reflect.Pointer:
		if t.Elem().Kind() == reflect.Struct && t.Elem() != timeType {
			if inner := newShape(t.Elem(), known); inner != nil {
				return kindPointer, inner
			}
		}
	case reflect.Slice:
		if t.Elem().Kind() == reflect.Uint8 {
			return kindOctets, nil
		}
		return kindSlice, nil
	}
	return kindNone, nil
}

// The major types of CBOR (RFC 8949 section 3.1), and the simple values.
const (
	majorUint   = 0 << 5
	majorNeg    = 1 << 5
	majorOctets = 2 << 5
	majorText   = 3 << 5
	majorArray  = 4 << 5
	majorMap    = 5 << 5
	majorTag    = 6 << 5
	majorSimple = 7 << 5

	octetFalse = 0xf4
	octetTrue  = 0xf5
	octetNull  = 0xf6
	octetFloat = 0xfb
)

// appendHead appends the head of a data item in its shortest form.
func appendHead(b []byte, major byte, n uint64) []byte {
	switch {
	case n < 24:
		return append(b, major|byte(n))
	case n <= math.MaxUint8:
		return append(b, major|24, byte(n))
	case n <= math.MaxUint16:
		return binary.BigEndian.AppendUint16(append(b, major|25), uint16(n))
	case n <= math.MaxUint32:
		return binary.BigEndian.AppendUint32(append(b, major|26), uint32(n))
	}
	return binary.BigEndian.AppendUint64(append(b, major|27), n)
}

func appendInt(b []byte, n int64) []byte {
	if n < 0 {
		return appendHead(b, majorNeg, uint64(-1-n))
	}
	return appendHead(b, majorUint, uint64(n))
}

// appendTo appends v, which has the shape's type. ok is false when the library
// has to write it; what was appended is then of no use.
func (s *shape) appendTo(b []byte, v reflect.Value) (_ []byte, ok bool) {
	head := len(b)
	b = append(b, 0)
	n := byte(0)
	for i := range s.fields {
		f := &s.fields[i]
		fv := at(v, f.path)
		if f.omitted(fv) {
			continue
		}
		n++
		if b, ok = f.appendTo(append(b, f.key...), fv); !ok {
			return b, false
		}
	}
	b[head] = majorMap | n
	return b, n < 24 // beyond, the head takes two octets
}

func at(v reflect.Value, path []int) reflect.Value {
	for _, i := range path {
		v = v.Field(i)
	}
	return v
}

func (f *shapeField) omitted(v reflect.Value) bool {
	switch {
	case f.omit == omitNever:
		return false
	case f.kind == kindOctets, f.kind == kindSlice && f.omit == omitEmpty:
		return v.Len() == 0
	case f.kind == kindTime:
		return v.Addr().Interface().(*time.Time).IsZero()
	case f.kind == kindFloat:
		return v.Float() == 0
	}
	return v.IsZero()
}

func (f *shapeField) appendTo(b []byte, v reflect.Value) ([]byte, bool) {
	switch f.kind {
	case kindSlice:
		if v.IsNil() {
			return append(b, octetNull), true
		}
		b = appendHead(b, majorArray, uint64(v.Len()))
		for i, ok := 0, true; i < v.Len(); i++ {
			if b, ok = appendScalar(b, f.elem, f.inner, v.Index(i)); !ok {
				return b, false
			}
		}
		return b, true
	}
	return appendScalar(b, f.kind, f.inner, v)
}

func appendScalar(b []byte, kind shapeKind, inner *shape, v reflect.Value) ([]byte, bool) {
	switch kind {
	case kindText:
		text := v.String()
		return append(appendHead(b, majorText, uint64(len(text))), text...), true
	case kindOctets:
		if v.IsNil() {
			return append(b, octetNull), true
		}
		octets := v.Bytes()
		return append(appendHead(b, majorOctets, uint64(len(octets))), octets...), true
	case kindBool:
		if v.Bool() {
			return append(b, octetTrue), true
		}
		return append(b, octetFalse), true
	case kindUint:
		return appendHead(b, majorUint, v.Uint()), true
	case kindInt:
		return appendInt(b, v.Int()), true
	case kindFloat:
		n := v.Float()
		if math.IsNaN(n) || math.IsInf(n, 0) {
			return b, false
		}
		return binary.BigEndian.AppendUint64(append(b, octetFloat), math.Float64bits(n)), true
	case kindTime:
		return appendTime(b, v.Addr().Interface().(*time.Time))
	case kindStruct:
		return inner.appendTo(b, v)
	case kindPointer:
		if v.IsNil() {
			return append(b, octetNull), true
		}
		return inner.appendTo(b, v.Elem())
	}
	return b, false
}

// appendTime appends RFC 3339 text in UTC, null for the zero time.
func appendTime(b []byte, t *time.Time) ([]byte, bool) {
	if t.IsZero() {
		return append(b, octetNull), true
	}
	utc := t.UTC()
	if y := utc.Year(); y < 0 || y > 9999 {
		return b, false
	}
	head := len(b)
	b = utc.AppendFormat(append(b, 0, 0), time.RFC3339Nano)
	n := len(b) - head - 2
	if n >= 24 {
		b[head], b[head+1] = majorText|24, byte(n)
		return b, true
	}
	b[head] = majorText | byte(n)
	copy(b[head+1:], b[head+2:])
	return b[:len(b)-1], true
}
