package access

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"github.com/rs/zerolog"
)

// Certificate serves a certificate from files and takes changed ones without a
// restart. It is safe for concurrent use.
type Certificate struct {
	certificate, key string
	log              zerolog.Logger

	mu      sync.Mutex // guards the rest
	current *tls.Certificate
	stamp   [2]stamp
	looked  time.Time
	trouble string // why the files of now are not served; "" when they are
}

// stamp tells versions of a file apart.
type stamp struct {
	changed time.Time
	size    int64
}

// lookEvery is how often the files are looked at, at most.
const lookEvery = 5 * time.Second

// NewCertificate loads both PEM files. It returns an error when they do not
// serve.
func NewCertificate(certificate, key string, log zerolog.Logger) (*Certificate, error) {
	c := &Certificate{certificate: certificate, key: key, log: log}
	if err := c.load(); err != nil {
		return nil, err
	}
	return c, nil
}

func (c *Certificate) stamps() (out [2]stamp, err error) {
	for i, name := range []string{c.certificate, c.key} {
		info, err := os.Stat(name)
		if err != nil {
			return out, err
		}
		out[i] = stamp{info.ModTime(), info.Size()}
	}
	return out, nil
}

// load reads the files; the ones before stay in force when they do not serve.
func (c *Certificate) load() error {
	now, err := c.stamps()
	if err != nil {
		return fmt.Errorf("look at the certificate: %w", err)
	}
	if c.current != nil && now == c.stamp {
		return nil
	}
	pair, err := tls.LoadX509KeyPair(c.certificate, c.key)
	if err != nil {
		return fmt.Errorf("load the certificate: %w", err)
	}
	c.current, c.stamp = &pair, now
	return nil
}

// look takes changed files, unless it looked just now.
func (c *Certificate) look(now time.Time) {
	if now.Sub(c.looked) < lookEvery && !now.Before(c.looked) {
		return
	}
	first := c.looked.IsZero()
	c.looked = now
	was, before := c.current, c.trouble
	c.trouble = ""
	if err := c.load(); err != nil {
		// A file is often replaced before the other: the pair before serves on.
		c.trouble = err.Error()
	}
	switch {
	case c.trouble != "" && before == "":
		c.log.Warn().Str("why", c.trouble).Msg("the certificate on disk cannot be served; the one before is")
	case c.current != was && !first:
		c.log.Info().Time("until", c.current.Leaf.NotAfter).Msg("another certificate is served")
	}
}

// Config returns how the console speaks TLS: version 1.2 at least (RFC 9325
// section 3.1.1).
func (c *Certificate) Config() *tls.Config {
	return &tls.Config{MinVersion: tls.VersionTLS12, NextProtos: []string{"h2", "http/1.1"}, GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
		c.mu.Lock()
		defer c.mu.Unlock()
		c.look(time.Now())
		if c.current == nil {
			return nil, errors.New("there is no certificate")
		}
		return c.current, nil
	}}
}

// State returns the certificate that is served now, and why the files on disk
// are not, "" when they are.
func (c *Certificate) State(now time.Time) (leaf *x509.Certificate, trouble string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.look(now)
	return c.current.Leaf, c.trouble
}
