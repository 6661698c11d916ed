package api

import (
	"fmt"
	"strings"

	"example.net/standwatch/correlate"
)

// AuditedText says in words how asking an agent went.
func AuditedText(e *correlate.Audited) string {
	if e.Failure != "" {
		return "not answered: " + e.Failure
	}
	parts := []string{fmt.Sprintf("%d states and values read", e.Read)}
	for _, part := range []struct {
		n    int
		text string
	}{{e.Raised, "found standing"}, {e.Cleared, "found over"}, {e.Late, "overtaken by newer reports"}} {
		if part.n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", part.n, part.text))
		}
	}
	if e.Trouble != "" {
		parts = append(parts, "but: "+e.Trouble)
	}
	return strings.Join(parts, ", ")
}
