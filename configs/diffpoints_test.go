package configs

import (
	"reflect"
	"testing"

	"example.net/standwatch/correlate"
)

// TestAlikePointsLooksAtEveryField: a field that is added to points must be
// compared, or a reload would not tell of it.
func TestAlikePointsLooksAtEveryField(t *testing.T) {
	fields := reflect.TypeFor[correlate.Point]()
	for i := range fields.NumField() {
		differsIn(t, fields.Field(i).Name, func(p *correlate.Point) reflect.Value { return reflect.ValueOf(p).Elem().Field(i) })
	}
	limits := reflect.TypeFor[correlate.Limits]()
	for i := range limits.NumField() {
		differsIn(t, limits.Field(i).Name, func(p *correlate.Point) reflect.Value { return reflect.ValueOf(&p.Limits).Elem().Field(i) })
	}
}

func differsIn(t *testing.T, name string, field func(*correlate.Point) reflect.Value) {
	t.Helper()
	plain, other := &correlate.Point{}, &correlate.Point{}
	if !alikePoints(plain, other) {
		t.Fatal("two empty points differ")
	}
	switch f := field(other); f.Kind() {
	case reflect.String:
		f.SetString("x")
	case reflect.Bool:
		f.SetBool(true)
	case reflect.Int, reflect.Int64:
		f.SetInt(1)
	case reflect.Uint8:
		f.SetUint(1)
	case reflect.Float64:
		f.SetFloat(1)
	case reflect.Pointer:
		f.Set(reflect.New(f.Type().Elem()))
	case reflect.Slice:
		f.Set(reflect.MakeSlice(f.Type(), 1, 1))
	case reflect.Struct:
		return // looked into apart
	default:
		t.Fatalf("field %s is of kind %s, for which this test has no value", name, f.Kind())
	}
	if got, want := alikePoints(plain, other), name == "ConfiguredAt"; got != want {
		t.Errorf("points that differ in %s: alike %t, want %t", name, got, want)
	}
}
