// Package mib gives names, enumeration words, display hints and units to object
// identifiers, and reads them from MIB texts.
//
// [Standard] is a table of our own: the objects that the shipped rule packs
// use, with the documents they come from. [Read] reads SMIv1 (RFC 1155, 1212,
// 1215) and SMIv2 (RFC 2578, 2579, 2580) texts, [Resolve] joins their imports
// into a [Library], and [Draft] proposes rules and points for a library's
// notifications.
//
// Guarantee: reading never hangs, never panics and takes time in proportion to
// the text. Vendors' texts are seldom clean, so whatever can be read is read,
// and whatever cannot is a [Problem] with file, line and what was missing.
//
// [Names] and [Library] are immutable and safe for concurrent use. The package
// starts no goroutine, reads no clock and logs nothing.
package mib
