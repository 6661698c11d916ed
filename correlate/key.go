package correlate

import (
	"cmp"
	"fmt"
	"net/url"
	"strings"
)

// SiteID names a site: lower-case letters, digits and hyphens.
type SiteID string

// PointID names a point within its site, in the same alphabet as a SiteID.
type PointID string

// AgentID names an agent: an SNMP entity that reports for a site.
type AgentID string

// AlarmID is the text form of a Key, stable for ever: the same key is the same
// alarm (RFC 8632 section 4.1, alarm identity).
type AlarmID string

// Seq numbers journal records from 1, without gaps. Zero is no record.
type Seq uint64

// SiteSelf is the site on which the master reports its own faults.
const SiteSelf SiteID = "self"

// Key says what an alarm is about: one instance of one point at one site.
// Instance is empty for a point that has just one.
type Key struct {
	Site     SiteID  `cbor:"1,keyasint"`
	Point    PointID `cbor:"2,keyasint"`
	Instance string  `cbor:"3,keyasint,omitempty"`
}

// ID returns the key as "site:point" or "site:point:instance", the instance
// escaped as in a URL path segment.
func (k Key) ID() AlarmID {
	if k.Instance == "" {
		return AlarmID(string(k.Site) + ":" + string(k.Point))
	}
	return AlarmID(string(k.Site) + ":" + string(k.Point) + ":" + url.PathEscape(k.Instance))
}

// String is the alarm ID as text.
func (k Key) String() string { return string(k.ID()) }

// IsZero reports whether k names nothing.
func (k Key) IsZero() bool { return k == Key{} }

// Compare orders keys by site, point and instance.
func (k Key) Compare(o Key) int {
	return cmp.Or(cmp.Compare(k.Site, o.Site), cmp.Compare(k.Point, o.Point), cmp.Compare(k.Instance, o.Instance))
}

// ParseAlarmID is the inverse of [Key.ID].
func ParseAlarmID(id AlarmID) (Key, error) {
	parts := strings.SplitN(string(id), ":", 3)
	if len(parts) < 2 || !ValidID(parts[0]) || !ValidID(parts[1]) {
		return Key{}, fmt.Errorf("alarm id %q is not site:point or site:point:instance", id)
	}
	k := Key{Site: SiteID(parts[0]), Point: PointID(parts[1])}
	if len(parts) == 3 {
		instance, err := url.PathUnescape(parts[2])
		if err != nil {
			return Key{}, fmt.Errorf("alarm id %q: instance: %w", id, err)
		}
		k.Instance = instance
	}
	return k, nil
}

// ValidID reports whether text can be a site, point or agent ID: 1 to 64
// lower-case ASCII letters, digits and hyphens, not beginning with a hyphen.
func ValidID(text string) bool {
	if text == "" || len(text) > 64 || text[0] == '-' {
		return false
	}
	for _, r := range text {
		if (r < 'a' || r > 'z') && (r < '0' || r > '9') && r != '-' {
			return false
		}
	}
	return true
}
