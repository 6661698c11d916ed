// Package field finds a value in a decoded JSON document by a path such as
// messages.0.id, for requests and answers that are described in configuration.
//
// Guarantee: pure. What is not there, or is no text, number or truth value, is
// the empty text. It knows nothing of gateways.
package field

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
)

// At returns what a path leads to; ok is false when it leads nowhere. Steps are
// names of members, or numbers of elements from 0.
func At(doc any, path string) (value any, ok bool) {
	for step := range strings.SplitSeq(path, ".") {
		switch at := doc.(type) {
		case map[string]any:
			if doc, ok = at[step]; !ok {
				return nil, false
			}
		case []any:
			i, err := strconv.Atoi(step)
			if err != nil || i < 0 || i >= len(at) {
				return nil, false
			}
			doc = at[i]
		default:
			return nil, false
		}
	}
	return doc, true
}

// Text returns the text of what a path leads to, or "".
func Text(doc any, path string) string {
	value, _ := At(doc, path)
	switch v := value.(type) {
	case string:
		return v
	case json.Number, bool:
		return fmt.Sprint(v)
	}
	return ""
}
