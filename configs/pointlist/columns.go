package pointlist

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"example.net/standwatch/correlate"
)

// column is something that a point list can say about a point. Its key is that
// of the YAML, with dots for what stands within.
type column struct {
	key    string
	header string   // on export
	also   []string // other headers on import, folded
	read   func(cell string) (word string, err error)
	text   bool // of a person: to be quoted, and guarded in spreadsheets
}

// analog reports whether only an analog point has what stands in the column.
func (c *column) analog() bool {
	switch c.key {
	case "unit", "scale", "offset", "decimals":
		return true
	}
	return strings.HasPrefix(c.key, "limits.") || strings.HasPrefix(c.key, "rate.") || strings.HasPrefix(c.key, "stuck.") || strings.HasPrefix(c.key, "plausible.")
}

// The columns that place a row.
const (
	colSite  = "site"
	colPoint = "point"
)

// columns lists what a list can hold, in the order of an export.
func columns() []column {
	return []column{
		{key: colSite, header: "Site", also: []string{"siteid", "location", "station", "where"}, read: asID},
		{key: "number", header: "Number", also: []string{"no", "nr", "pointnumber", "pointno", "ptno", "pt", "contact", "contactnumber", "input", "channel"}, read: asCount},
		{key: colPoint, header: "Point", also: []string{"pointid", "id", "tag"}, read: asID},
		{key: "name", header: "Description", also: []string{"name", "pointname", "pointdescription", "what", "label"}, read: asText, text: true},
		{key: "kind", header: "Kind", also: []string{"type", "pointtype", "signal"}, read: asKind},
		{key: "alarm", header: "Alarm word", also: []string{"alarm", "alarmtext", "alarmstate", "onword", "active"}, read: asText, text: true},
		{key: "normal", header: "Normal word", also: []string{"normal", "normaltext", "normalstate", "clearword", "offword", "inactive"}, read: asText, text: true},
		{key: "normally", header: "Normally", also: []string{"normallyopenorclosed", "polarity", "nonc", "ncno", "contacttype", "wiring"}, read: asWiring},
		{key: "severity", header: "Severity", also: []string{"priority", "level", "alarmlevel", "sev", "perceivedseverity"}, read: asSeverity},
		{key: "raise-after", header: "Delay", also: []string{"raiseafter", "alarmdelay", "ondelay", "qualification", "delays"}, read: asSpan},
		{key: "clear-after", header: "Clear delay", also: []string{"clearafter", "offdelay", "returndelay"}, read: asSpan},
		{key: "instructions", header: "Instructions", also: []string{"instruction", "action", "response", "whattodo", "procedure", "remarks", "notes"}, read: asText, text: true},
		{key: "caution", header: "Caution", also: []string{"warning", "safety", "hazard"}, read: asText, text: true},
		{key: "class", header: "Class", also: []string{"group", "category", "system"}, read: asText, text: true},
		{key: "cause", header: "Probable cause", also: []string{"cause"}, read: asText},
		{key: "latch", header: "Latch", also: []string{"latched", "latching"}, read: asTruth},
		{key: "re-alarm", header: "Re-alarm", also: []string{"remind", "reminder"}, read: asSpan},
		{key: "regulated", header: "Regulated", also: []string{"reportable"}, read: asTruth},
		{key: "quiet-clear", header: "Quiet clear", also: []string{}, read: asTruth},
		{key: "flap", header: "Flap", also: []string{"flapping", "chatter"}, read: asFlap},
		{key: "explained-by", header: "Explained by", also: []string{"parent", "causedby"}, read: asList},
		{key: "hold", header: "Hold", also: []string{}, read: asSpan},
		{key: "excused-by", header: "Excused by", also: []string{}, read: asExcuses},
		{key: "unit", header: "Unit", also: []string{"units", "engineeringunit", "uom"}, read: asText, text: true},
		{key: "scale", header: "Scale", also: []string{"factor", "multiplier", "gain"}, read: asNumber},
		{key: "offset", header: "Offset", also: []string{"bias"}, read: asNumber},
		{key: "decimals", header: "Decimals", also: []string{"places"}, read: asCount},
		{key: "limits.low-low.at", header: "Low-low", also: []string{"lowlow", "ll", "lowlowlimit"}, read: asNumber},
		{key: "limits.low-low.dead-band", header: "Low-low dead band", also: []string{}, read: asNumber},
		{key: "limits.low-low.severity", header: "Low-low severity", also: []string{}, read: asSeverity},
		{key: "limits.low.at", header: "Low", also: []string{"lowlimit", "lolimit", "lo"}, read: asNumber},
		{key: "limits.low.dead-band", header: "Low dead band", also: []string{}, read: asNumber},
		{key: "limits.low.severity", header: "Low severity", also: []string{}, read: asSeverity},
		{key: "limits.high.at", header: "High", also: []string{"highlimit", "hilimit", "hi"}, read: asNumber},
		{key: "limits.high.dead-band", header: "High dead band", also: []string{}, read: asNumber},
		{key: "limits.high.severity", header: "High severity", also: []string{}, read: asSeverity},
		{key: "limits.high-high.at", header: "High-high", also: []string{"highhigh", "hh", "highhighlimit"}, read: asNumber},
		{key: "limits.high-high.dead-band", header: "High-high dead band", also: []string{}, read: asNumber},
		{key: "limits.high-high.severity", header: "High-high severity", also: []string{}, read: asSeverity},
		{key: "rate.rise", header: "Rate rise", also: []string{}, read: asNumber},
		{key: "rate.fall", header: "Rate fall", also: []string{}, read: asNumber},
		{key: "rate.within", header: "Rate within", also: []string{}, read: asSpan},
		{key: "rate.dead-band", header: "Rate dead band", also: []string{}, read: asNumber},
		{key: "rate.severity", header: "Rate severity", also: []string{}, read: asSeverity},
		{key: "stuck.after", header: "Stuck after", also: []string{}, read: asSpan},
		{key: "stuck.by", header: "Stuck by", also: []string{}, read: asNumber},
		{key: "stuck.severity", header: "Stuck severity", also: []string{}, read: asSeverity},
		{key: "when", header: "Condition", also: []string{}, read: asText, text: true},
		{key: "plausible.min", header: "Plausible from", also: []string{"rangemin", "minimum"}, read: asNumber},
		{key: "plausible.max", header: "Plausible to", also: []string{"rangemax", "maximum"}, read: asNumber},
	}
}

// folded is a header without case, space and signs.
func folded(header string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) {
			return unicode.ToLower(r)
		}
		return -1
	}, header)
}

// columnFor finds the column that a header means, or nil.
func columnFor(all []column, header string) *column {
	name := folded(header)
	if name == "" {
		return nil
	}
	for i := range all {
		if c := &all[i]; folded(c.header) == name || folded(c.key) == name || slices.Contains(c.also, name) {
			return c
		}
	}
	return nil
}

func asText(cell string) (string, error) { return cell, nil }

// plainLetters writes letters of western Europe with those of ASCII, as is usual
// where they cannot be typed (common practice).
func plainLetters() *strings.Replacer {
	return strings.NewReplacer("ä", "ae", "ö", "oe", "ü", "ue", "ß", "ss", "æ", "ae", "ø", "oe", "œ", "oe", "å", "a", "á", "a", "à", "a", "â", "a", "ã", "a",
		"ç", "c", "é", "e", "è", "e", "ê", "e", "ë", "e", "í", "i", "ì", "i", "î", "i", "ï", "i", "ñ", "n", "ó", "o", "ò", "o", "ô", "o", "õ", "o",
		"ú", "u", "ù", "u", "û", "u", "ý", "y", "ÿ", "y")
}

// asID turns a name into an ID if it is none already: "Harrow Knoll" becomes
// harrow-knoll.
func asID(cell string) (string, error) {
	var b strings.Builder
	for _, r := range plainLetters().Replace(strings.ToLower(cell)) {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9':
			b.WriteRune(r)
		case b.Len() > 0 && !strings.HasSuffix(b.String(), "-"):
			b.WriteByte('-')
		}
	}
	id := strings.Trim(b.String(), "-")
	if len(id) > 64 {
		id = strings.Trim(id[:64], "-")
	}
	if !correlate.ValidID(id) {
		return "", fmt.Errorf("%q has no letter or digit to make an ID of", cell)
	}
	return id, nil
}

func asCount(cell string) (string, error) {
	n, err := strconv.Atoi(strings.TrimPrefix(cell, "#"))
	if err != nil || n < 0 {
		return "", fmt.Errorf("%q is no whole number", cell)
	}
	return strconv.Itoa(n), nil
}

// asNumber takes a decimal comma and the typographic minus too.
func asNumber(cell string) (string, error) {
	plain := strings.NewReplacer("−", "-", "–", "-", " ", "", "\u00a0", "").Replace(cell)
	if !strings.Contains(plain, ".") && strings.Count(plain, ",") == 1 {
		plain = strings.ReplaceAll(plain, ",", ".")
	}
	v, err := strconv.ParseFloat(plain, 64)
	if err != nil || v-v != 0 {
		return "", fmt.Errorf("%q is no number", cell)
	}
	return strconv.FormatFloat(v, 'g', -1, 64), nil
}

func asTruth(cell string) (string, error) {
	switch folded(cell) {
	case "yes", "y", "true", "1", "x", "on":
		return "yes", nil
	case "no", "n", "false", "0", "off":
		return "no", nil
	}
	return "", fmt.Errorf("%q is neither yes nor no", cell)
}

func asKind(cell string) (string, error) {
	switch word := folded(cell); word {
	case "di", "digital", "contact", "binary", "status":
		return correlate.Discrete.String(), nil
	case "ai", "analogue", "measurement":
		return correlate.Analog.String(), nil
	default:
		if _, ok := correlate.ParseKind(word); ok {
			return word, nil
		}
	}
	return "", fmt.Errorf("unknown kind of point %q (known: %s)", cell, strings.Join(correlate.Kinds(), ", "))
}

func asWiring(cell string) (string, error) {
	switch folded(cell) {
	case "no", "open", "normallyopen", "a", "forma":
		return "open", nil
	case "nc", "closed", "normallyclosed", "b", "formb":
		return "closed", nil
	}
	return "", fmt.Errorf("%q is neither normally open (NO) nor normally closed (NC)", cell)
}

func asSeverity(cell string) (string, error) {
	words := map[string]correlate.Severity{"crit": correlate.Critical, "maj": correlate.Major, "min": correlate.Minor, "warn": correlate.Warning,
		"ind": correlate.Indeterminate}
	word := folded(cell)
	if s, ok := words[word]; ok {
		return s.String(), nil
	}
	s, err := correlate.ParseSeverity(word)
	if err != nil || s == correlate.Cleared {
		return "", fmt.Errorf("unknown severity %q (known: critical, major, minor, warning, indeterminate)", cell)
	}
	return s.String(), nil
}

// asSpan takes "5m" as the YAML does, a bare number as seconds, and units
// written out: "5 min".
func asSpan(cell string) (string, error) {
	plain := strings.ToLower(strings.ReplaceAll(cell, " ", ""))
	end := strings.IndexFunc(plain, unicode.IsLetter)
	if end < 0 {
		number, err := asNumber(plain)
		if err != nil || strings.HasPrefix(number, "-") {
			return "", fmt.Errorf("%q is no length of time", cell)
		}
		return number + "s", nil
	}
	units := map[string]string{"sec": "s", "secs": "s", "second": "s", "seconds": "s", "min": "m", "mins": "m", "minute": "m", "minutes": "m",
		"hr": "h", "hrs": "h", "hour": "h", "hours": "h", "day": "d", "days": "d"}
	if unit, known := units[plain[end:]]; known {
		plain = plain[:end] + unit
	}
	if !spanShape(plain) {
		return "", fmt.Errorf("%q is no length of time, such as 30s or 5m", cell)
	}
	return plain, nil
}

// spanShape reports whether text is numbers with units of time, one after the
// other.
func spanShape(text string) bool {
	for text != "" {
		unit := strings.TrimLeft(text, "0123456789.")
		rest := strings.TrimLeftFunc(unit, unicode.IsLetter)
		if unit == text || !slices.Contains([]string{"ns", "us", "µs", "ms", "s", "m", "h", "d", "w"}, strings.TrimSuffix(unit, rest)) {
			return false
		}
		text = rest
	}
	return true
}

// asList reads words that are parted by spaces, commas or semicolons.
func asList(cell string) (string, error) {
	return strings.Join(strings.FieldsFunc(cell, func(r rune) bool { return unicode.IsSpace(r) || r == ',' || r == ';' }), " "), nil
}

// asExcuses reads "entry 15m, other/entry 5m".
func asExcuses(cell string) (string, error) {
	for _, one := range strings.FieldsFunc(cell, isComma) {
		if len(strings.Fields(one)) != 2 {
			return "", fmt.Errorf("%q is no event with a length of time, such as entry 15m", strings.TrimSpace(one))
		}
	}
	return strings.TrimSpace(cell), nil
}

func isComma(r rune) bool { return r == ',' || r == ';' }

// flapReaders are the settings that a flap cell may have.
func flapReaders() map[string]func(string) (string, error) {
	return map[string]func(string) (string, error){"count-only": asTruth, "cut": asNumber, "reuse": asNumber, "half-life-clear": asSpan,
		"half-life-standing": asSpan, "max-hold": asSpan}
}

// asFlap reads on, off, count-only, or settings: "cut=3 reuse=0.5".
func asFlap(cell string) (string, error) {
	if !strings.Contains(cell, "=") {
		switch word := strings.ToLower(strings.ReplaceAll(cell, " ", "-")); word {
		case "on", "off", "count-only":
			return word, nil
		}
		return "", fmt.Errorf("%q is none of on, off, count-only, and no settings such as cut=3", cell)
	}
	var settings []string
	for _, setting := range strings.Fields(cell) {
		key, value, _ := strings.Cut(setting, "=")
		read := flapReaders()[key]
		if slices.ContainsFunc(settings, func(s string) bool { return strings.HasPrefix(s, key+"=") }) {
			return "", fmt.Errorf("%s is given twice", key)
		}
		if read == nil || value == "" {
			return "", fmt.Errorf("%q is no flap setting (known: %s)", setting, strings.Join(slices.Sorted(maps.Keys(flapReaders())), ", "))
		}
		word, err := read(value)
		if err != nil {
			return "", fmt.Errorf("%s: %w", key, err)
		}
		settings = append(settings, key+"="+word)
	}
	return strings.Join(settings, " "), nil
}
