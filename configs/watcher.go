package configs

import (
	"net/http"
	"net/url"
	"time"
)

// Watcher is who outside hears the master's heartbeat, and tells somebody when
// it does not. Headers may hold secrets; it must not be printed.
type Watcher struct {
	URL     string
	Method  string
	Body    string
	Headers map[string]string
	Every   time.Duration
}

type watcherShape struct {
	Here    place           `yaml:"-"`
	URL     text            `yaml:"url" jsonschema_description:"Address of the watcher, which tells somebody when it hears nothing."`
	Method  text            `yaml:"method" jsonschema_description:"GET (default), POST or PUT."`
	Body    text            `yaml:"body" jsonschema_description:"What is sent with it."`
	Secrets entries[secret] `yaml:"secret-headers" jsonschema_description:"Headers that are secret, such as Authorization."`
	Every   span            `yaml:"every" jsonschema_description:"How often; default 1m."`
}

// watcherOf returns who hears the heartbeat, or nil.
func (c *compiler) watcherOf(s *watcherShape) *Watcher {
	if s == nil {
		return nil
	}
	w := &Watcher{URL: s.URL.V, Method: s.Method.or(http.MethodGet), Body: s.Body.V, Headers: map[string]string{}, Every: s.Every.or(time.Minute)}
	for _, h := range s.Secrets {
		w.Headers[h.Key] = h.V.V.Reveal()
	}
	u, err := url.Parse(s.URL.V)
	switch {
	case !c.noLogin(s.URL, "use secret-headers: with Authorization"):
	case err != nil || u.Host == "" || (u.Scheme != "http" && u.Scheme != "https"):
		c.out.hush(s.URL.At)
		c.out.mistake(s.Here, "the watcher's url is no web address", "write it as https://watcher.example.net/standwatch")
	case w.Every < 5*time.Second || w.Every > time.Hour:
		c.out.mistake(s.Every.At, "a heartbeat is every 5s to 1h", "")
	case w.Method != http.MethodGet && w.Method != http.MethodPost && w.Method != http.MethodPut:
		c.out.mistake(s.Method.At, "unknown method "+quoted(w.Method), DidYouMean(w.Method, []string{http.MethodGet, http.MethodPost, http.MethodPut}))
	}
	return w
}
