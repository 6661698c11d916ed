package access

import (
	"net/url"
	"strconv"
	"strings"
	"time"
)

// LocalPath returns where a login leads to: the path and query given, when they
// are of this server, else "/". Browsers read a backslash as a slash and skip
// control characters (WHATWG URL standard, section 4.4), so that neither may
// be there at all.
func LocalPath(text string) string {
	if !strings.HasPrefix(text, "/") || strings.HasPrefix(text, "//") || strings.ContainsFunc(text, func(r rune) bool { return r < 0x21 || r == '\\' || r == 0x7f }) {
		return "/"
	}
	u, err := url.Parse(text)
	if err != nil || u.Scheme != "" || u.Host != "" || u.User != nil || !strings.HasPrefix(u.Path, "/") || strings.HasPrefix(u.Path, "//") || strings.Contains(u.Path, `\`) {
		return "/"
	}
	return (&url.URL{Path: u.Path, RawQuery: u.RawQuery}).String()
}

// retryAfter is a header's whole number of seconds (RFC 9110 section 10.2.3).
func retryAfter(d time.Duration) string {
	return strconv.Itoa(int((d + time.Second - 1) / time.Second))
}
