// Package access is the way into the console and the API: it finds out who
// sends a request, holds that against what a page or operation needs, keeps
// cookies, and serves the certificate of TLS.
//
// Guarantee: a handler behind a [Gate] finds in its request's context who sent
// it, or nobody; [Check] refuses nobody and whoever may too little, and both
// console and API call it before every handler. A session that is ended ends
// the streams that were opened with it. An address that a reverse proxy names
// is believed from configured proxies alone.
//
// Memory and goroutines: everything is safe for concurrent use. [While] starts
// one goroutine for a stream and waits for it when the stream ends.
//
// It does not make pages, and keeps nothing: accounts and sessions are the
// package accounts'. Cookies follow RFC 6265 and the prefix "__Host-" of its
// revision (draft-ietf-httpbis-rfc6265bis section 4.1.3.2, from memory), tokens
// RFC 6750 section 2.1.
package access
