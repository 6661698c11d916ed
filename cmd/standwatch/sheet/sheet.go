// Package sheet keeps spreadsheets from running what a remote wrote.
package sheet

import "strings"

// Harmless returns text that no spreadsheet takes for a formula: an apostrophe
// goes before what begins like one. That =, +, -, @, tab and carriage return begin
// one is common practice; RFC 4180 says nothing of it.
func Harmless(text string) string {
	if text != "" && strings.ContainsRune("=+-@\t\r", rune(text[0])) {
		return "'" + text
	}
	return text
}
