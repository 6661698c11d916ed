package sheet

import "testing"

func TestHarmless(t *testing.T) {
	for text, want := range map[string]string{
		"": "", "Door open": "Door open", "=1+1": "'=1+1", "+1": "'+1", "-54.0 V": "'-54.0 V", "@a": "'@a", "\tx": "'\tx", "\rx": "'\rx", "ü": "ü", "a=b": "a=b",
	} {
		if got := Harmless(text); got != want {
			t.Errorf("%q becomes %q, want %q", text, got, want)
		}
	}
}
