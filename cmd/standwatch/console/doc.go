// Package console is what people see in a browser: the watch, alarms, sites,
// history, outbox and intake, as pages that the server renders and that work
// before any script runs. One small script of our own patches them while they
// are open and makes everything reachable by keyboard.
//
// Guarantee: a page shows only what is committed; it shows the time of its
// truth, and says so loudly when that time stands still. Whatever a trap
// brought is escaped text. Pages load nothing from another host and run no
// inline script (content security policy "default-src 'self'"), and no form of
// another origin can act (http.CrossOriginProtection).
//
// Each page is a pure ...View function from state and time to a struct, a
// template, and a thin handler. Views copy what they need while the state is
// lent. The package starts no goroutine; each stream lives in its request's.
//
// Severity is always said three ways: the word (ITU-T X.733), a count of
// blocks, and a hue of the palette of Okabe and Ito (2008); text stays in ink.
// WCAG 2.2 AA is the measure for contrast, keyboard and structure.
package console
