package configs

import (
	"encoding/hex"
	"fmt"
	"math"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v4"

	"example.net/standwatch/correlate"
)

// val is a scalar value with its place. Set tells whether it was given, and was
// good.
type val[T any] struct {
	V   T
	At  place
	Set bool
}

type (
	text     = val[string]
	integer  = val[int]
	number   = val[float64]
	truth    = val[bool]
	span     = val[time.Duration]
	severity = val[correlate.Severity]
	secret   = val[Secret]
	octets   = val[size]
	engine   = val[engineID]
	address  = val[netip.Addr]
	prefix   = val[netip.Prefix]
	hostPort = val[netip.AddrPort]
)

// size is a number of octets.
type size int64

// engineID is an SNMP engine ID (RFC 3411 section 5).
type engineID []byte

func (o *val[T]) decodeNode(d *decoder, n *yaml.Node) {
	o.At = d.at(n)
	var wrong *fault
	if s, ok := any(&o.V).(*Secret); ok {
		if *s, wrong = d.secret(n); wrong != nil {
			// The line is not shown: it may hold the secret.
			d.out.hush(o.At)
		}
	} else {
		word, ok := d.scalar(n)
		if !ok {
			return
		}
		wrong = parseInto(word, &o.V)
	}
	if wrong != nil {
		d.mistake(n, wrong.what, wrong.mend)
		return
	}
	o.Set = true
}

// or returns the value, or fallback if none was given.
func (o val[T]) or(fallback T) T {
	if !o.Set {
		return fallback
	}
	return o.V
}

// parseInto reads a word into one of the types a val can have.
func parseInto(word string, into any) *fault {
	switch v := into.(type) {
	case *string:
		*v = word
	case *int:
		return parsed(v, word, parseInt)
	case *float64:
		return parsed(v, word, parseFloat)
	case *bool:
		return parsed(v, word, parseBool)
	case *time.Duration:
		return parsed(v, word, parseSpan)
	case *correlate.Severity:
		return parsed(v, word, parseSeverity)
	case *correlate.Kind:
		return parsed(v, word, parseKind)
	case *size:
		return parsed(v, word, parseSize)
	case *engineID:
		return parsed(v, word, parseEngineID)
	case *netip.Addr:
		return parsed(v, word, parseAddr)
	case *netip.Prefix:
		return parsed(v, word, parsePrefix)
	case *netip.AddrPort:
		return parsed(v, word, parseHostPort)
	default:
		panic(fmt.Sprintf("configs: no reader for %T", into))
	}
	return nil
}

func parsed[T any](into *T, word string, parse func(string) (T, *fault)) *fault {
	v, wrong := parse(word)
	if wrong == nil {
		*into = v
	}
	return wrong
}

func parseInt(word string) (int, *fault) {
	v, err := strconv.Atoi(word)
	if err != nil {
		return 0, &fault{fmt.Sprintf("%q is no whole number", shorten(word)), ""}
	}
	return v, nil
}

func parseFloat(word string) (float64, *fault) {
	v, err := strconv.ParseFloat(word, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, &fault{fmt.Sprintf("%q is no number", shorten(word)), "write it as -54.5"}
	}
	return v, nil
}

func parseBool(word string) (bool, *fault) {
	switch strings.ToLower(word) {
	case "true", "yes", "on":
		return true, nil
	case "false", "no", "off":
		return false, nil
	}
	return false, &fault{fmt.Sprintf("%q is neither yes nor no", shorten(word)), "write yes or no"}
}

// parseSpan reads a duration as time.ParseDuration does, and days and weeks.
func parseSpan(word string) (time.Duration, *fault) {
	if v, err := time.ParseDuration(daysToHours(word)); err == nil && v >= 0 {
		return v, nil
	}
	mend := "write it with units, such as 30s, 5m, 1h30m or 14d"
	if _, err := strconv.ParseFloat(word, 64); err == nil {
		mend = fmt.Sprintf("add a unit: %ss for seconds, %sm for minutes", word, word)
	}
	if strings.HasPrefix(word, "-") {
		mend = "a length of time cannot be negative"
	}
	return 0, &fault{fmt.Sprintf("%q is no length of time", shorten(word)), mend}
}

// daysToHours turns leading whole weeks and days into hours: "1d12h" into
// "24h12h". A day is 24 hours.
func daysToHours(word string) string {
	var b strings.Builder
	for {
		end := strings.IndexFunc(word, func(r rune) bool { return r < '0' || r > '9' })
		if end <= 0 || end > 6 || word[end] != 'd' && word[end] != 'w' {
			return b.String() + word
		}
		hours, err := strconv.Atoi(word[:end])
		if err != nil {
			return b.String() + word
		}
		if hours *= 24; word[end] == 'w' {
			hours *= 7
		}
		fmt.Fprintf(&b, "%dh", hours)
		if word = word[end+1:]; word == "" {
			return b.String()
		}
	}
}

func severityWords() []string {
	var words []string
	for _, s := range correlate.Severities() {
		words = append(words, s.String())
	}
	return words
}

func parseSeverity(word string) (correlate.Severity, *fault) {
	v, err := correlate.ParseSeverity(word)
	switch {
	case err != nil:
		return 0, &fault{fmt.Sprintf("unknown severity %q", shorten(word)), DidYouMean(word, severityWords())}
	case v == correlate.Cleared:
		return 0, &fault{"an alarm cannot be raised with the severity cleared", "known: " + strings.Join(severityWords(), ", ")}
	}
	return v, nil
}

func parseKind(word string) (correlate.Kind, *fault) {
	v, ok := correlate.ParseKind(word)
	if !ok {
		return 0, &fault{fmt.Sprintf("unknown kind of point %q", shorten(word)), DidYouMean(word, correlate.Kinds())}
	}
	return v, nil
}

// sizeUnits are the units of a size; the plain number is octets (IEC 80000-13).
func sizeUnits() []string { return []string{"GiB", "MiB", "KiB"} }

func parseSize(word string) (size, *fault) {
	wrong := &fault{fmt.Sprintf("%q is no size", shorten(word)), "write it as 512KiB, 4MiB or 2GiB"}
	digits, factor := word, int64(1)
	if at := slices.IndexFunc(sizeUnits(), func(u string) bool { return strings.HasSuffix(word, u) }); at >= 0 {
		digits = strings.TrimSpace(strings.TrimSuffix(word, sizeUnits()[at]))
		factor = int64(1) << (10 * (3 - at))
	}
	n, err := strconv.ParseInt(digits, 10, 64)
	if err != nil || n < 0 || n > math.MaxInt64/factor {
		return 0, wrong
	}
	return size(n * factor), nil
}

// parseEngineID reads hexadecimal digits, in groups if one likes, and checks
// them as RFC 3411 section 5 (SnmpEngineID) demands.
func parseEngineID(word string) (engineID, *fault) {
	plain := strings.NewReplacer(" ", "", ":", "", "-", "").Replace(strings.TrimPrefix(word, "0x"))
	id, err := hex.DecodeString(plain)
	if err != nil {
		return nil, &fault{fmt.Sprintf("%q is no engine ID", shorten(word)), "write it in hexadecimal, such as 80007ed904736974652d61, in quotes if it is digits only"}
	}
	all := func(b byte) bool { return !slices.ContainsFunc(id, func(x byte) bool { return x != b }) }
	switch {
	case len(id) < 5 || len(id) > 32:
		return nil, &fault{fmt.Sprintf("an engine ID has 5 to 32 octets, this has %d", len(id)), "RFC 3411 section 5"}
	case all(0) || all(0xff):
		return nil, &fault{"an engine ID cannot be all zeros or all ones", "RFC 3411 section 5"}
	case id[0]&0x80 == 0 && len(id) != 12:
		return nil, &fault{fmt.Sprintf("an engine ID whose first bit is 0 has 12 octets, this has %d", len(id)), "RFC 3411 section 5; most begin with 80"}
	}
	return id, nil
}

func parseAddr(word string) (netip.Addr, *fault) {
	v, err := netip.ParseAddr(word)
	if err != nil {
		return v, &fault{fmt.Sprintf("%q is no IP address", shorten(word)), "write it as 192.0.2.10 or 2001:db8::10; names are not looked up"}
	}
	return v.Unmap(), nil
}

func parsePrefix(word string) (netip.Prefix, *fault) {
	if a, err := netip.ParseAddr(word); err == nil {
		return netip.PrefixFrom(a.Unmap(), a.Unmap().BitLen()), nil
	}
	v, err := netip.ParsePrefix(word)
	switch {
	case err != nil:
		return v, &fault{fmt.Sprintf("%q is no network", shorten(word)), "write it as 192.0.2.0/24 or 2001:db8::/32"}
	case v != v.Masked():
		return v, &fault{fmt.Sprintf("%s has bits set beyond its length", v), "did you mean " + v.Masked().String() + "?"}
	}
	return v, nil
}

func parseHostPort(word string) (netip.AddrPort, *fault) {
	if port, found := strings.CutPrefix(word, ":"); found {
		word = "[::]:" + port
	}
	v, err := netip.ParseAddrPort(word)
	if err != nil {
		return v, &fault{fmt.Sprintf("%q is no address with a port", shorten(word)), "write it as 192.0.2.1:162, 0.0.0.0:162 or [::]:162"}
	}
	return v, nil
}
