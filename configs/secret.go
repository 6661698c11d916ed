package configs

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"regexp"
	"strings"

	"go.yaml.in/yaml/v4"
)

// Secret is a password, passphrase or community that came from outside the
// configuration files. However it is printed, it shows only where it came from.
type Secret struct{ from, value string }

// Reveal returns the secret itself.
func (s Secret) Reveal() string { return s.value }

// IsZero reports whether there is no secret.
func (s Secret) IsZero() bool { return s == Secret{} }

// String returns where the secret comes from, never the secret.
func (s Secret) String() string {
	if s.from == "" {
		return "(no secret)"
	}
	return s.from
}

// GoString is String, so that %#v hides the secret too.
func (s Secret) GoString() string { return s.String() }

// MarshalText is String, so that JSON and YAML hide the secret too.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// outside is where values come from that stand in no file.
type outside struct {
	env      func(name string) (string, bool)
	readFile func(path string) ([]byte, error)
}

// credentials is the variable in which systemd names the folder of a service's
// credentials (systemd.exec(5), LoadCredential=).
const credentials = "CREDENTIALS_DIRECTORY"

var (
	envRef = regexp.MustCompile(`\$\{env:([A-Za-z_][A-Za-z0-9_]*)(\|[^}]*)?\}`)
	// secretLooking finds what may be a secret under a key of any kind, such as
	// a header; a reference to one it leaves alone.
	secretLooking = regexp.MustCompile(`(?i)(?:pass|secret|token|pwd|authori[sz]ation|api-?key)[a-z_-]*["']?\s*:\s*["']?[^\s$"'{\[#]`)
	secretRef     = regexp.MustCompile(`^\$\{(env|file|cred):([^}|]+)\}$`)
)

// loginInAddress finds a name, and perhaps a password, before the host of an
// address (userinfo, RFC 3986 section 3.2.1), even where the rest is no address.
var loginInAddress = regexp.MustCompile(`^[^/?#]*://[^/?#]*@`)

// secretHeader finds headers that carry a secret by their name.
var secretHeader = regexp.MustCompile(`(?i)^(proxy-)?authorization$|^cookie$|api-?key|token|secret|passw`)

// noLogin refuses a login in an address: it would stand in the configuration,
// which is archived, and in what is shown of it.
func (c *compiler) noLogin(address text, mend string) bool {
	if !loginInAddress.MatchString(address.V) {
		return true
	}
	c.out.hush(address.At)
	c.out.mistake(address.At, "the address has a login in it, which must not stand in the configuration", "leave out what stands before the @; "+mend)
	return false
}

// openHeaders refuses headers that carry a secret by their name.
func (c *compiler) openHeaders(headers entries[text]) bool {
	good := true
	for _, h := range headers {
		if secretHeader.MatchString(h.Key) {
			good = false
			c.out.hush(h.V.At)
			c.out.mistake(h.At, "the header "+h.Key+" carries a secret, which must not stand in the configuration", "put it under secret-headers: and "+secretMend)
		}
	}
	return good
}

const secretMend = "write ${env:NAME}, ${file:/path/to/it} or ${cred:NAME} and keep the secret there"

// fill replaces every ${env:NAME} and ${env:NAME|default} in text.
func (o *outside) fill(text string) (string, *fault) {
	var wrong *fault
	filled := envRef.ReplaceAllStringFunc(text, func(ref string) string {
		parts := envRef.FindStringSubmatch(ref)
		if v, ok := o.env(parts[1]); ok {
			return v
		}
		if strings.HasPrefix(parts[2], "|") {
			return parts[2][1:]
		}
		wrong = &fault{fmt.Sprintf("environment variable %s is not set", parts[1]), fmt.Sprintf("set it, or give a default: ${env:%s|default}", parts[1])}
		return ""
	})
	if wrong != nil {
		return "", wrong
	}
	for _, kind := range []string{"${file:", "${cred:"} {
		if strings.Contains(text, kind) {
			return "", &fault{fmt.Sprintf("%s...} is for secrets only", kind), "write the value here, or use ${env:NAME}"}
		}
	}
	if strings.Contains(filled, "${env:") && strings.Contains(text, "${env:") {
		return "", &fault{fmt.Sprintf("%q has a ${env:...} that cannot be read", shorten(text)), "write ${env:NAME} or ${env:NAME|default}; a name has letters, digits and underscores"}
	}
	return filled, nil
}

// secret reads a secret, which must be a reference and nothing else.
func (d *decoder) secret(n *yaml.Node) (Secret, *fault) {
	if n.Kind != yaml.ScalarNode || isNull(n) {
		return Secret{}, &fault{"expected where a secret comes from, found " + nodeWord(n), secretMend}
	}
	parts := secretRef.FindStringSubmatch(n.Value)
	if parts == nil || d.outside == nil {
		return Secret{}, &fault{"a secret must not stand in the configuration", secretMend}
	}
	value, err := d.outside.resolve(parts[1], parts[2])
	if err != nil {
		return Secret{}, &fault{fmt.Sprintf("secret %s: %v", n.Value, err), map[bool]string{true: "set it where this is run, or keep the secret in a file: ${file:/path/to/it}"}[parts[1] == "env"]}
	}
	if value == "" {
		return Secret{}, &fault{fmt.Sprintf("secret %s is empty", n.Value), ""}
	}
	return Secret{from: n.Value, value: value}, nil
}

func (o *outside) resolve(kind, name string) (string, error) {
	switch kind {
	case "env":
		v, ok := o.env(name)
		if !ok {
			return "", fmt.Errorf("environment variable %s is not set", name)
		}
		return v, nil
	case "cred":
		folder, ok := o.env(credentials)
		if !ok {
			return "", fmt.Errorf("%s is not set; the service needs LoadCredential=%s:/path", credentials, name)
		}
		if filepath.Base(name) != name {
			return "", errors.New("a credential's name has no path")
		}
		return o.file(filepath.Join(folder, name))
	}
	return o.file(name)
}

// file returns a file's text without its last line end.
func (o *outside) file(path string) (string, error) {
	text, err := o.readFile(path)
	if err != nil {
		var pathErr *fs.PathError
		if errors.As(err, &pathErr) {
			err = pathErr.Err
		}
		return "", fmt.Errorf("read %s: %w", path, err)
	}
	return strings.TrimSuffix(strings.TrimSuffix(string(text), "\n"), "\r"), nil
}
