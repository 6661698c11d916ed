// Package configs reads the configuration folder and compiles it into what the
// daemon runs on: the network of sites and points, the rules, the plan of
// people and ladders, the receiver's agents, and the settings of store, console
// and gateways.
//
// # Files
//
// standwatch.yaml holds the centre, listeners, SNMP security, store, console,
// gateways and defaults; sites/*.yaml the sites and templates; rules/*.yaml the
// rules; people.yaml the people, rosters, ladders, routes and shifts. Any file
// below sites and rules is read, in folders too, in the order of their names.
//
// # Guarantee
//
// [Load] returns either a whole configuration or problems, never part of one.
// It finds all the problems it can in one go, each with file, line, column, the
// line itself, what is wrong and how to mend it. It changes nothing outside
// itself, so a reload that fails leaves everything as it was. A [Config] is
// immutable and safe for concurrent use.
//
// # Values from outside
//
// ${env:NAME} within any value of standwatch.yaml, people.yaml and sites/*.yaml
// is replaced by the environment variable NAME; ${env:NAME|default} by the
// default when it is not set. A secret is never written into a file: it is
// exactly one of ${env:NAME}, ${file:/path} and ${cred:NAME} (a file that
// systemd's LoadCredential= hands to the service), and becomes a [Secret],
// which prints as where it comes from.
//
// # Limits
//
// YAML anchors, aliases and merge keys are refused: templates do their work
// with better messages, and a file of a few lines cannot unfold into gigabytes.
// YAML is decoded by this package from the library's tree of nodes, not into
// structs by the library, because its messages lack the column of a value and
// a suggestion. The package starts no goroutine and reads no clock.
package configs
