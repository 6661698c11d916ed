package console

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

// gif is the smallest picture there is, by GIF89a.
const gif = "GIF89a\x01\x00\x01\x00\x00\x00\x00,\x00\x00\x00\x00\x01\x00\x01\x00\x00\x02\x00;"

func TestCamera(t *testing.T) {
	elsewhere := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { t.Error("the redirect was followed") }))
	defer elsewhere.Close()
	camera := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch r.URL.Path {
		case "/still", "/wrong-type":
			w.Header().Set("Content-Type", "text/html")
			_, _ = w.Write([]byte(gif))
		case "/moved":
			http.Redirect(w, r, "/still", http.StatusFound)
		case "/away":
			http.Redirect(w, r, elsewhere.URL, http.StatusFound)
		case "/round":
			http.Redirect(w, r, "/round", http.StatusFound)
		case "/page":
			w.Header().Set("Content-Type", "image/jpeg")
			_, _ = w.Write([]byte("<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>"))
		case "/large":
			_, _ = w.Write([]byte(gif + strings.Repeat("x", cameraOctets)))
		default:
			http.NotFound(w, r)
		}
	}))
	defer camera.Close()
	c := newCameras()
	for path, want := range map[string]string{"/still": "", "/moved": "", "/away": "another address", "/round": "another address", "/page": "no picture", "/large": "larger than", "/gone": "404"} {
		octets, kind, err := c.picture(t.Context(), camera.URL+path)
		switch {
		case want == "" && (err != nil || kind != "image/gif" || string(octets) != gif):
			t.Errorf("%s: %q %q %v", path, octets, kind, err)
		case want != "" && (err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), camera.URL)):
			t.Errorf("%s: %v, want %q", path, err, want)
		}
	}
	for range camerasAtOnce {
		c.places <- struct{}{}
	}
	if _, _, err := c.picture(t.Context(), camera.URL+"/still"); err == nil || !strings.Contains(err.Error(), "too many") {
		t.Errorf("one more at once: %v", err)
	}
}
