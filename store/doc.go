// Package store is the data folder: the journal with its look-up, the
// checkpoint of the state, and the little that has to outlive a restart beside
// them (identity, secrets).
//
// Guarantee: what [Store.Append] has returned nil for is on the disk (two
// fdatasync per call) and stays readable after the process or the machine dies
// at any moment. An Append that returns an error leaves the store as it was
// and usable; after a crash its records may nevertheless be there. The journal
// is the truth: look-up and checkpoint follow from it and are rebuilt when they
// are missing, damaged or of another version.
//
// Memory and goroutines: records and slices that are returned belong to the
// caller. Append is called by one goroutine at a time (the ledger's); everything
// else may be called concurrently. The package starts no goroutine; [Store.Tend]
// does the upkeep in its caller's.
//
// It does not decide anything and knows nothing of configuration. Console
// accounts, sessions and tokens are the package accounts'; here they are only a
// file that is opened, backed up and closed with the folder.
//
// # The folder, format 1
//
//	lock             flock'ed while open; "pid host" in text, for the refused
//	control          socket of a running daemon, which answers commands there
//	folder.db        bbolt, see below
//	checkpoint       newest checkpoint, see below
//	base             the state before the oldest segment, once any was dropped; as checkpoint
//	kept.db          bbolt; records of dropped segments that had to be kept
//	accounts.db      bbolt; console accounts, see the package accounts
//	journal/S.journal   bbolt; one segment, S being its first sequence number in 20 digits
//	journal/S.lookup    bbolt; the posting runs of that segment
//
// Anything else in the folder is left alone and named in [Store.Notes].
// Numbers in keys are big-endian, 8 octets, unless said otherwise.
//
// # folder.db
//
//	bucket "folder":  "format" 1 octet (1); "created" int64 UnixNano;
//	                  "engine" SNMP engine ID; "boots" 4 octets; "backed-up" of the
//	                  newest backup: its newest record, 8 octets, and int64 UnixNano;
//	                  absent in folders that were never backed up
//	bucket "secrets": name -> octets
//	bucket "dropped": first sequence number -> CBOR [Tombstone]
//	bucket "configurations": hash as the journal names it -> one octet packing (as
//	                a block's), then a CBOR map: 1 when it was first kept, int64
//	                UnixNano; 2 its files, array of maps 1 name, 2 octets. Absent in
//	                folders that never kept one
//	bucket "marks": name of whoever follows the journal -> sequence number up to
//	                which it is done, 8 octets. Absent where nobody does
//
// # A segment
//
//	bucket "head":    "format" 1 octet (1)
//	                  "first"  first sequence number, 8 octets
//	                  "prev"   chain hash of the segment before, 32 octets, zero for the
//	                           first; absent until that one is sealed
//	                  "sealed" CBOR map once sealed: 1 last sequence number, 2 chain
//	                           hash, 3 octets of all records before compression
//	bucket "records": sequence number of the block's first record -> block
//
// A block holds consecutive records: one octet packing (1 plain, 2 zstd frame),
// then the body, which for zstd is compressed: uvarint count, count times uvarint
// length, the records' octets. A commit writes plain blocks; sealing rewrites the
// segment with larger zstd ones into a new file that then takes the old one's
// place.
//
// # A record
//
// One octet version (1), then a CBOR map with integer keys:
//
//	1  sequence number
//	2  time, int64 UnixNano, UTC
//	3  input, array of [number, body]; numbers in inputNumbers
//	4  events, array of arrays [number, body]; numbers in correlate.EventKinds
//
// Bodies are CBOR maps with the integer keys of the correlate types. Times in
// bodies are RFC 3339 text in UTC with nanoseconds (null for the zero time): the
// CBOR epoch times are floating point and lose nanoseconds. Texts are octets as
// they came and may be invalid UTF-8. Keys that a reader does not know are
// skipped; event and input numbers that it does not know are an error.
//
// The chain hash of a segment is SHA-256 over the previous segment's chain hash
// (32 zero octets for the first), then for each record its sequence number, its
// length (8 octets each) and its octets as above. It does not depend on how
// records are packed into blocks. Dropped segments leave their hash in a
// tombstone, so the chain goes on over them.
//
// # The look-up
//
// One posting run covers up to 65,536 consecutive records of one segment, runs
// beginning at the segment's first record and every 65,536 from there.
//
//	bucket "spans": run's first sequence number -> CBOR map: 1 number of records,
//	                2 smallest and 3 largest int64 UnixNano of every 1,024 records
//	bucket "terms": run's first sequence number, term -> uvarint differences of the
//	                offsets in the run, ascending; the first is the offset itself
//
// A term is one letter and its value: s site; p point; q site, zero octet, point;
// k site, zero, point, zero, instance (only where there is an instance); v severity,
// one octet; e event kind, one octet; a agent; u unmatched. Terms are cut at 512
// octets; candidates are always checked against the record itself.
//
// # A checkpoint
//
// The line "standwatch checkpoint 1\n", the CBOR form of [correlate.Snapshot], and
// the SHA-256 of both. It is written beside, synced and renamed into place.
package store
