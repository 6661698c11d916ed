// Package api answers the JSON interface below /api/v1: standing alarms and
// actions on them, history, the stream of records, sites, rosters, intake and
// outbox.
//
// Guarantee: it shows only what is committed, since it reads the ledger's
// published state and the journal and nothing else. Everything that a trap can
// bring is data: it leaves as JSON with the type said and sniffing forbidden.
// Request bodies, query texts, streams and the time a slow reader may take are
// bounded.
//
// Names of alarm fields and their values follow RFC 8632 (ietf-alarms) in the
// JSON spelling of RFC 7951; own fields stand beside them under plain names,
// as they would when a module of our own used those groupings. Documents are
// not a RESTCONF data tree, so they carry no qualified top-level member. Times
// are RFC 3339 with the centre's offset, errors RFC 9457 problem documents,
// events in the stream follow the HTML standard's "server-sent events".
//
// The wire types are exported because the terminal client reads them too. The
// package starts no goroutine of its own; each stream lives in its request's.
package api
