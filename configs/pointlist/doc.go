// Package pointlist reads and writes point lists as spreadsheets keep them: CSV
// with a line of headers and one row per point.
//
// What it answers for: headers are matched leniently and said back; every bad
// row is named with its line; nothing is half-imported. [Read] turns a list into
// rows, [List.YAML] those into a file for the sites folder of a configuration,
// [Try] says what such a file would do to a configuration without changing
// anything, and [Export] writes the points of a configuration as a list. What is
// exported and imported again gives the same points.
//
// CSV is that of RFC 4180, also with semicolons or tabs between the cells, with a
// byte order mark, and with rows of unequal length. A cell that a spreadsheet
// could take for a formula is exported behind an apostrophe, which is removed on
// import.
//
// The package starts no goroutine and keeps nothing.
package pointlist
