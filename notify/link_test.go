package notify

import "testing"

func TestUnlinked(t *testing.T) {
	for _, tt := range []struct{ in, want string }{
		{"", ""},
		{"take nothing", "take nothing"},
		{"press:\nhttps://watch.example.net/take/AbC_9-.x=\n\nThe master", "press:\nhttps://watch.example.net/take/(for its reader alone)\n\nThe master"},
		{"https://watch.example.net/take/AbC", "https://watch.example.net/take/(for its reader alone)"},
		{"/take/a /take/b", "/take/(for its reader alone) /take/(for its reader alone)"},
	} {
		if got := Unlinked(tt.in); got != tt.want {
			t.Errorf("%q became %q, want %q", tt.in, got, tt.want)
		}
	}
}
