package configs

import (
	"reflect"
	"slices"

	"example.net/standwatch/correlate"
)

// alikePoints reports whether nothing differs between two points but where they
// are configured. A large network has most of a million points, of which a
// reload changes few; reflection over whole points takes many times as long.
func alikePoints(a, b *correlate.Point) bool {
	return a == b || alikeWords(a, b) && alikeNumbers(a, b) && slices.Equal(a.ExplainedBy, b.ExplainedBy) && slices.Equal(a.ExcusedBy, b.ExcusedBy) &&
		alikePointed(a.Flap, b.Flap) && alikePointed(a.Limits.LowLow, b.Limits.LowLow) && alikePointed(a.Limits.Low, b.Limits.Low) &&
		alikePointed(a.Limits.High, b.Limits.High) && alikePointed(a.Limits.HighHigh, b.Limits.HighHigh) && alikePointed(a.Rate, b.Rate) &&
		alikePointed(a.Stuck, b.Stuck) && alikeDerived(a.Derive, b.Derive) && alikePointed(a.PlausibleMin, b.PlausibleMin) && alikePointed(a.PlausibleMax, b.PlausibleMax)
}

func alikeWords(a, b *correlate.Point) bool {
	return a.ID == b.ID && a.Name == b.Name && a.AlarmWord == b.AlarmWord && a.NormalWord == b.NormalWord && a.Class == b.Class && a.Cause == b.Cause &&
		a.Unit == b.Unit && a.Instructions == b.Instructions && a.Caution == b.Caution
}

func alikeNumbers(a, b *correlate.Point) bool {
	return a.Kind == b.Kind && a.Severity == b.Severity && a.RaiseAfter == b.RaiseAfter && a.ClearAfter == b.ClearAfter && a.Latch == b.Latch &&
		a.ReAlarm == b.ReAlarm && a.FlapCount == b.FlapCount && a.Hold == b.Hold && a.Scale == b.Scale && a.Offset == b.Offset && a.Decimals == b.Decimals &&
		a.Regulated == b.Regulated && a.QuietClear == b.QuietClear && a.Normally == b.Normally && a.Number == b.Number
}

// alikePointed compares what few points have.
func alikePointed[T any](a, b *T) bool { return a == b || reflect.DeepEqual(a, b) }

// alikeDerived compares what is written, since functions cannot be compared.
func alikeDerived(a, b *correlate.Derivation) bool {
	if a == nil || b == nil {
		return a == b
	}
	return a.Written == b.Written && slices.Equal(a.Of, b.Of)
}
