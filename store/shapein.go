package store

import (
	"encoding/binary"
	"math"
	"reflect"
	"time"
)

// item reads data items from octets. Once something is not as our own writing
// has it, odd is set, nothing more is read, and the library has to read it all.
type item struct {
	b   []byte
	odd bool
}

// head reads the head of an item of the major type wanted.
func (it *item) head(major byte) uint64 {
	if len(it.b) == 0 || it.b[0]&0xe0 != major {
		it.odd = true
		return 0
	}
	info := it.b[0] & 0x1f
	if info < 24 {
		it.b = it.b[1:]
		return uint64(info)
	}
	size := 1 << (info - 24)
	if info > 27 || len(it.b) < 1+size {
		it.odd = true
		return 0
	}
	var n uint64
	switch size {
	case 1:
		n = uint64(it.b[1])
	case 2:
		n = uint64(binary.BigEndian.Uint16(it.b[1:]))
	case 4:
		n = uint64(binary.BigEndian.Uint32(it.b[1:]))
	default:
		n = binary.BigEndian.Uint64(it.b[1:])
	}
	it.b = it.b[1+size:]
	return n
}

// octets reads an octet or text string; what it returns aliases the item.
func (it *item) octets(major byte) []byte {
	n := it.head(major)
	if it.odd || n > uint64(len(it.b)) {
		it.odd = true
		return nil
	}
	out := it.b[:n:n]
	it.b = it.b[n:]
	return out
}

// list reads the head of an array whose elements take an octet at least.
func (it *item) list() int {
	n := it.head(majorArray)
	if n > uint64(len(it.b)) {
		it.odd = true
		return 0
	}
	return int(n)
}

func (it *item) int() int64 {
	if len(it.b) > 0 && it.b[0]&0xe0 == majorNeg {
		n := it.head(majorNeg)
		if n > math.MaxInt64 {
			it.odd = true
		}
		return -1 - int64(n)
	}
	n := it.head(majorUint)
	if n > math.MaxInt64 {
		it.odd = true
	}
	return int64(n)
}

// is reads one octet if it is the next.
func (it *item) is(octet byte) bool {
	if it.odd || len(it.b) == 0 || it.b[0] != octet {
		return false
	}
	it.b = it.b[1:]
	return true
}

// maxNested bounds what skip goes into; records nest five deep.
const maxNested = 16

// skip passes over one item of definite length.
func (it *item) skip() { it.skipNested(maxNested) }

func (it *item) skipNested(depth int) {
	if it.odd || len(it.b) == 0 || depth == 0 {
		it.odd = true
		return
	}
	switch major := it.b[0] & 0xe0; major {
	case majorOctets, majorText:
		it.octets(major)
	case majorArray, majorMap:
		n := it.head(major)
		if n > uint64(len(it.b)) {
			it.odd = true
			return
		}
		if major == majorMap {
			n *= 2
		}
		for range n {
			if it.skipNested(depth - 1); it.odd {
				return
			}
		}
	case majorTag:
		it.odd = true // we write none
	default:
		it.head(major) // integers, simple values and floats have nothing behind it
	}
}

// readInto reads a value of the shape's type into v, which is zero.
func (s *shape) readInto(it *item, v reflect.Value) {
	left := it.head(majorMap)
	for i := range s.fields {
		if left == 0 || it.odd {
			break
		}
		f := &s.fields[i]
		if n := len(f.key); len(it.b) < n || string(it.b[:n]) != string(f.key) {
			continue // left out, or out of order, which shows at the end
		}
		it.b = it.b[len(f.key):]
		left--
		f.readInto(it, at(v, f.path))
	}
	if left > 0 {
		it.odd = true
	}
}

func (f *shapeField) readInto(it *item, v reflect.Value) {
	if f.kind != kindSlice {
		readScalar(it, f.kind, f.inner, v)
		return
	}
	if it.is(octetNull) {
		return
	}
	n := it.list()
	if it.odd {
		return
	}
	v.Set(reflect.MakeSlice(v.Type(), n, n))
	for i := 0; i < n && !it.odd; i++ {
		readScalar(it, f.elem, f.inner, v.Index(i))
	}
}

func readScalar(it *item, kind shapeKind, inner *shape, v reflect.Value) {
	switch kind {
	case kindText:
		v.SetString(string(it.octets(majorText)))
	case kindOctets:
		if it.is(octetNull) {
			return
		}
		octets := it.octets(majorOctets)
		v.SetBytes(append(make([]byte, 0, len(octets)), octets...))
	case kindBool:
		yes := it.is(octetTrue)
		if !yes && !it.is(octetFalse) {
			it.odd = true
		}
		v.SetBool(yes)
	case kindUint:
		n := it.head(majorUint)
		if v.OverflowUint(n) {
			it.odd = true
			return
		}
		v.SetUint(n)
	case kindInt:
		n := it.int()
		if v.OverflowInt(n) {
			it.odd = true
			return
		}
		v.SetInt(n)
	case kindFloat:
		if !it.is(octetFloat) || len(it.b) < 8 {
			it.odd = true
			return
		}
		v.SetFloat(math.Float64frombits(binary.BigEndian.Uint64(it.b)))
		it.b = it.b[8:]
	case kindTime:
		readTime(it, v.Addr().Interface().(*time.Time))
	case kindStruct:
		inner.readInto(it, v)
	case kindPointer:
		if it.is(octetNull) {
			return
		}
		v.Set(reflect.New(inner.typ))
		inner.readInto(it, v.Elem())
	default:
		it.odd = true
	}
}

func readTime(it *item, into *time.Time) {
	if it.is(octetNull) {
		return
	}
	t, err := time.Parse(time.RFC3339Nano, string(it.octets(majorText)))
	if err != nil {
		it.odd = true
		return
	}
	*into = t
}
