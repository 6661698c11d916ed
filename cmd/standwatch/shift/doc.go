// Package shift tells the story of a stretch of time from the journal: what
// stood when it began, what rose and cleared, how long it took until somebody
// had it and until it was over, who was called out and what operators did; and
// beside it the figures by which the alarm system itself is judged
// (ANSI/ISA-18.2 and EEMUA 191, as quoted by public documents; the standards
// themselves were not opened).
//
// Guarantee: the same records give the same report. A report over a stretch
// that is not over yet, that begins before the journal, or that is too short
// for its figures says so.
//
// Memory and goroutines: [Collect] reads the journal once, in order, and holds
// one line for each episode. The package starts no goroutine and asks no clock.
//
// It knows nothing of pages and addresses; [WriteHTML], [WriteCSV] and the JSON
// form of [Report] are for whoever shows or keeps it.
package shift
