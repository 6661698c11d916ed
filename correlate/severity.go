package correlate

import "fmt"

// Severity is the perceived severity of ITU-T X.733. The numbers are those of
// RFC 8632 (ietf-alarms, typedef severity), where larger is more severe; they
// are written to disk and never change. The zero value is no severity at all
// and means "the point's own" where a configuration or rule leaves it out.
type Severity uint8

// The perceived severities, in RFC 8632 numbering.
const (
	Cleared       Severity = 1
	Indeterminate Severity = 2
	Warning       Severity = 3
	Minor         Severity = 4
	Major         Severity = 5
	Critical      Severity = 6
)

var severityNames = [...]string{Cleared: "cleared", Indeterminate: "indeterminate", Warning: "warning",
	Minor: "minor", Major: "major", Critical: "critical"}

// Severities lists what an alarm can be raised with, most severe first.
func Severities() []Severity { return []Severity{Critical, Major, Minor, Warning, Indeterminate} }

// String returns the X.733 word, or "unset" for the zero value.
func (s Severity) String() string {
	if s == 0 || int(s) >= len(severityNames) {
		return "unset"
	}
	return severityNames[s]
}

// ParseSeverity reads an X.733 word. It returns an error for any other text,
// the empty one included.
func ParseSeverity(text string) (Severity, error) {
	for s, name := range severityNames {
		if name != "" && name == text {
			return Severity(s), nil
		}
	}
	return 0, fmt.Errorf("unknown severity %q (known: critical, major, minor, warning, indeterminate, cleared)", text)
}

// MarshalText writes the X.733 word.
func (s Severity) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads an X.733 word.
func (s *Severity) UnmarshalText(text []byte) error {
	parsed, err := ParseSeverity(string(text))
	if err != nil {
		return err
	}
	*s = parsed
	return nil
}
