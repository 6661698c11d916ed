package access

import (
	"fmt"
	"slices"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store/accounts"
)

// ScopeError says that a scope names a site or a region that there is none of.
type ScopeError struct {
	Kind string // "site" or "region"
	Name string
	Mend string // "did you mean harrow-knoll?", or which there are; may be empty
}

// Error says what is wrong and how to mend it.
func (e *ScopeError) Error() string {
	text := fmt.Sprintf("there is no %s %q in the configuration", e.Kind, e.Name)
	if e.Mend != "" {
		text += "; " + e.Mend
	}
	return text
}

// InNetwork returns a *ScopeError when a scope names what the network has not: a
// misspelt region would show its account nothing, and nobody would see why.
func InNetwork(net *correlate.Network, scope accounts.Scope) error {
	for _, id := range scope.Sites {
		if net.Site(id) == nil {
			var sites []string
			for _, known := range net.Sites() {
				sites = append(sites, string(known))
			}
			return &ScopeError{"site", string(id), configs.DidYouMean(string(id), sites)}
		}
	}
	for _, region := range scope.Regions {
		if regions := net.Regions(); !slices.Contains(regions, region) {
			return &ScopeError{"region", region, configs.DidYouMean(region, regions)}
		}
	}
	return nil
}
