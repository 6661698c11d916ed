package console

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"encoding/json"
	"mime"
	"net/http"
	"path"
	"strings"
	"time"

	"example.net/standwatch/cmd/standwatch/shift"
)

//go:embed pages/*.html
var pageFiles embed.FS

//go:embed assets/*
var assetFiles embed.FS

// assets are the embedded files under names that carry a hash of their
// content, so that a browser may keep them for ever.
type assets struct {
	names  map[string]string // plain name to hashed name
	bodies map[string][]byte // by hashed name
}

func newAssets() *assets {
	a := &assets{names: map[string]string{}, bodies: map[string][]byte{}}
	for _, name := range []string{"console.css", "console.js", "sound.js", "sign.svg", "report.css"} {
		body, err := assetFiles.ReadFile("assets/" + name)
		if name == "report.css" {
			body, err = []byte(shift.CSS), nil
		}
		if err != nil {
			panic(err) // embedded by the line above
		}
		sum := sha256.Sum256(body)
		ext := path.Ext(name)
		hashed := strings.TrimSuffix(name, ext) + "." + hex.EncodeToString(sum[:8]) + ext
		a.names[name], a.bodies[hashed] = hashed, body
	}
	return a
}

// path returns the address of an asset.
func (a *assets) path(name string) string { return "/assets/" + a.names[name] }

func (a *assets) serve(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	body, ok := a.bodies[name]
	if !ok {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Content-Type", mime.TypeByExtension(path.Ext(name)))
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	http.ServeContent(w, r, name, time.Time{}, bytes.NewReader(body))
}

func jsonText(s string) []byte {
	b, err := json.Marshal(s)
	if err != nil {
		panic(err) // a string always encodes
	}
	return b
}

// offline serves the script that keeps what was last seen. It has a plain name,
// since a browser looks for news of it there, and one at the top, since it may
// answer only for what lies below it (Service Workers, section "Path restriction").
func (*assets) offline(w http.ResponseWriter, r *http.Request) {
	body, err := assetFiles.ReadFile("assets/offline.js")
	if err != nil {
		panic(err) // embedded above
	}
	w.Header().Set("Content-Type", "text/javascript; charset=utf-8")
	w.Header().Set("Cache-Control", "no-cache")
	http.ServeContent(w, r, "offline.js", time.Time{}, bytes.NewReader(body))
}

// manifest lets a phone put the console among its programs (W3C Web Application
// Manifest).
func (s *server) manifest(w http.ResponseWriter, _ *http.Request) {
	name := "Standwatch"
	if s.Centre != "" {
		name += " · " + s.Centre
	}
	body, err := json.Marshal(map[string]any{
		"name": name, "short_name": "Standwatch", "id": "/", "start_url": "/", "scope": "/", "display": "standalone",
		"background_color": "#f5f2ea", "theme_color": "#17222b",
		"icons": []map[string]string{{"src": s.assets.path("sign.svg"), "sizes": "any", "type": "image/svg+xml", "purpose": "any"}},
	})
	if err != nil {
		panic(err) // it is made of texts
	}
	w.Header().Set("Content-Type", "application/manifest+json")
	w.Header().Set("Cache-Control", "no-cache")
	// A reader that went away needs no answer.
	_, _ = w.Write(body)
}
