package accounts

import (
	"fmt"
	"slices"
	"strings"

	"example.net/standwatch/correlate"
)

// Role is what a person may do; each may all that the smaller ones may. Numbers
// are fixed.
type Role uint8

// The roles.
const (
	Look       Role = 1 // see
	Operate    Role = 2 // and act on alarms
	Supervise  Role = 3 // and decide beyond a shift, and see who did what
	Administer Role = 4 // and make accounts
)

var roleNames = [...]string{Look: "look", Operate: "operate", Supervise: "supervise", Administer: "administer"}

// Roles lists all roles, smallest first.
func Roles() []Role { return []Role{Look, Operate, Supervise, Administer} }

// String returns the role's word, or "none".
func (r Role) String() string {
	if r == 0 || int(r) >= len(roleNames) {
		return "none"
	}
	return roleNames[r]
}

// ParseRole reads a role's word. It returns an error that lists the words.
func ParseRole(word string) (Role, error) {
	if i := slices.Index(roleNames[:], word); i > 0 {
		return Role(i), nil
	}
	return 0, fmt.Errorf("%q is no role; there are look, operate, supervise and administer", word)
}

// Scope is the sites that a person may see. The zero Scope is all of them.
type Scope struct {
	Sites   []correlate.SiteID `cbor:"1,keyasint,omitempty"`
	Regions []string           `cbor:"2,keyasint,omitempty"`
}

// All reports whether nothing is kept from the person.
func (s Scope) All() bool { return len(s.Sites) == 0 && len(s.Regions) == 0 }

// Sees reports whether the site is among those of the scope; nil is not, unless
// all are.
func (s Scope) Sees(site *correlate.Site) bool {
	if s.All() {
		return true
	}
	return site != nil && (slices.Contains(s.Sites, site.ID) || site.Region != "" && slices.Contains(s.Regions, site.Region))
}

// String returns "all sites", or the regions and sites in order.
func (s Scope) String() string {
	if s.All() {
		return "all sites"
	}
	var parts []string
	for _, r := range s.Regions {
		parts = append(parts, "region "+r)
	}
	for _, id := range s.Sites {
		parts = append(parts, "site "+string(id))
	}
	return strings.Join(parts, ", ")
}

// NewScope returns a scope of sites and regions, sorted, each once.
func NewScope(sites, regions []string) Scope {
	var s Scope
	for _, id := range tidy(sites) {
		s.Sites = append(s.Sites, correlate.SiteID(id))
	}
	s.Regions = tidy(regions)
	return s
}

func tidy(words []string) []string {
	var out []string
	for _, w := range words {
		if w = strings.TrimSpace(w); w != "" {
			out = append(out, w)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// Who is a person or machine that is known.
type Who struct {
	Name       string // account
	Role       Role
	Scopes     []Scope // a site is seen when all of them see it; none means all sites
	Session    string  // ID of the session; empty for a token in a header
	Token      string  // name of the token; empty for a person
	MustChange bool    // the password was given by another, so nothing else may be done first
}

// Actor is the name that the journal gets.
func (w Who) Actor() string {
	if w.Token != "" {
		return w.Name + " (token " + w.Token + ")"
	}
	return w.Name
}

// All reports whether no site is kept from the person.
func (w Who) All() bool {
	return !slices.ContainsFunc(w.Scopes, func(s Scope) bool { return !s.All() })
}

// Sees reports whether the person may see the site.
func (w Who) Sees(site *correlate.Site) bool {
	return !slices.ContainsFunc(w.Scopes, func(s Scope) bool { return !s.Sees(site) })
}
