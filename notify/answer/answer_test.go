package answer

import (
	"bytes"
	"errors"
	"testing"
	"time"
)

func TestParse(t *testing.T) {
	const alphabet = "CDFGHJKMNPQRTWXY34679"
	for text, want := range map[string]string{
		"K7M3P":              "K7M3P",
		" ok k7m3p, thanks!": "K7M3P",
		"(K7M3PQ)":           "K7M3PQ",
		"K7M3P\n> CRITICAL Harrow Knoll: Mains failed 02:14. C4D6F": "K7M3P",
		"K7M3P k7m3p": "K7M3P",
		"K7M3P C4D6F": "", // which?
		"K7M3":        "",
		"K7M3PQR":     "",
		"K7M3O":       "", // O is in no code
		"taken":       "",
		"":            "",
	} {
		if got, ok := Parse(text, alphabet); got != want || ok != (want != "") {
			t.Errorf("%q: got %q %v, want %q", text, got, ok, want)
		}
	}
}

var key = bytes.Repeat([]byte{7}, MinKey)

func TestToken(t *testing.T) {
	s, err := NewSigner(key)
	if err != nil {
		t.Fatal(err)
	}
	until := time.Unix(1_768_000_000, 0)
	want := Claim{CallOut: "c17", Person: "north", Until: until}
	token := s.Sign(want)
	if got, err := s.Open(token, until.Add(-time.Second)); err != nil || got != want {
		t.Errorf("got %+v %v", got, err)
	}
	if _, err := s.Open(token, until); !errors.Is(err, ErrTooLate) {
		t.Errorf("at its end: got %v", err)
	}
	for i := range token {
		for _, b := range []byte("Aa9") {
			if token[i] == b {
				continue
			}
			forged := token[:i] + string(b) + token[i+1:]
			if _, err := s.Open(forged, until.Add(-time.Second)); !errors.Is(err, ErrBadToken) {
				t.Errorf("%s: got %v", forged, err)
			}
		}
	}
	for _, end := range []string{"\r", "\n"} {
		if _, err := s.Open(token[:9]+end+token[9:], until.Add(-time.Second)); !errors.Is(err, ErrBadToken) {
			t.Errorf("with %q in it: got %v", end, err)
		}
	}
	other, err := NewSigner(bytes.Repeat([]byte{8}, MinKey))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := other.Open(token, until.Add(-time.Second)); !errors.Is(err, ErrBadToken) {
		t.Errorf("another key: got %v", err)
	}
	// The names cannot run into each other.
	if s.Sign(Claim{CallOut: "c1", Person: "7north", Until: until}) == s.Sign(Claim{CallOut: "c17", Person: "north", Until: until}) {
		t.Error("two claims have the same token")
	}
	if _, err := NewSigner(key[1:]); err == nil {
		t.Error("a short key was taken")
	}
}

func FuzzOpen(f *testing.F) {
	s, err := NewSigner(key)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(s.Sign(Claim{CallOut: "c17", Person: "north", Until: time.Unix(1<<40, 0)}))
	f.Add("")
	f.Fuzz(func(t *testing.T, token string) {
		c, err := s.Open(token, time.Unix(0, 0))
		if err == nil && s.Sign(c) != token {
			t.Errorf("%q opens to %+v, whose token is another", token, c)
		}
	})
}
