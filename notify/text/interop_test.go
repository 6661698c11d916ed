//go:build interop

package text

import (
	"bytes"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"unicode"
)

// lengths asks Perl's Encode::GSM0338, which follows 3GPP TS 23.038, how many
// septets each character costs; 0 when the alphabet lacks it.
const lengths = `use Encode; binmode STDIN, ":utf8"; while (<STDIN>) { chomp; my $c = chr(hex $_); my $b = eval { encode("gsm0338", $c, Encode::FB_CROAK) }; print defined $b ? length $b : 0, "\n" }`

// TestInteropSeptets compares the cost of every character of the basic
// multilingual plane with an independent table. The escape itself and the page
// break are left out on purpose, and the zero octet of "@" is one septet.
func TestInteropSeptets(t *testing.T) {
	var ask strings.Builder
	var runes []rune
	for r := rune(1); r < 0x10000; r++ {
		if r == 0x1B || r == 0x0C || unicode.Is(unicode.Cs, r) || r&0xFFFE == 0xFFFE || (r >= 0xFDD0 && r <= 0xFDEF) {
			continue
		}
		runes = append(runes, r)
		ask.WriteString(strconv.FormatInt(int64(r), 16) + "\n")
	}
	cmd := exec.CommandContext(t.Context(), "perl", "-e", lengths)
	cmd.Stdin = strings.NewReader(ask.String())
	var complaint bytes.Buffer
	cmd.Stderr = &complaint
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("perl: %v\n%s", err, complaint.String())
	}
	answers := strings.Fields(string(out))
	if len(answers) != len(runes) {
		t.Fatalf("%d answers for %d characters", len(answers), len(runes))
	}
	known := 0
	for i, r := range runes {
		want, err := strconv.Atoi(answers[i])
		if err != nil {
			t.Fatal(err)
		}
		got, _ := Septets(string(r)) // 0 when the alphabet lacks it
		if got != want {
			t.Errorf("%q (U+%04X): %d septets, Perl says %d", r, r, got, want)
		}
		if want > 0 {
			known++
		}
	}
	// 128 places without the escape; ten extensions without the page break.
	if known != 127+9 {
		t.Errorf("%d characters are known to both, want 136", known)
	}
}
