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

//go:embed assets/console.css assets/console.js assets/sign.svg
var assetFiles embed.FS

// assets are the embedded files under names that carry a hash of their
// content, so that a browser may keep them for ever.
type assets struct {
	names  map[string]string // plain name to hashed name
	bodies map[string][]byte // by hashed name
}

func newAssets() *assets {
	a := &assets{names: map[string]string{}, bodies: map[string][]byte{}}
	for _, name := range []string{"console.css", "console.js", "sign.svg", "report.css"} {
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
