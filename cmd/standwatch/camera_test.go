package main

import (
	"maps"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

// TestCameraOfASite: the alarm page offers the site's camera, and the master,
// not the browser, asks it.
func TestCameraOfASite(t *testing.T) {
	const gif = "GIF89a\x01\x00\x01\x00\x00\x00\x00,\x00\x00\x00\x00\x01\x00\x01\x00\x00\x02\x00;"
	camera := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte(gif)) }))
	defer camera.Close()
	files := maps.Clone(gullFiles)
	files["sites/one.yaml"] += "    cameras: [{name: Yard, url: \"" + camera.URL + "/still.gif\"}]\n"
	m := startMaster(t, files)
	m.send("127.9.3.1", "--trap", "1.3.6.1.4.1.32473.10.0.1", "--varbind", "1.3.6.1.4.1.32473.10.2.1.1.2=int:2", "--varbind", "1.3.6.1.4.1.32473.10.2.1.2.2=int:1")
	m.until("the door stands", func() bool { return len(m.alarms("standing")) == 1 })
	page := m.page("/alarms/gull-rock:door")
	if !strings.Contains(page, `src="/sites/gull-rock/cameras/0"`) || strings.Contains(page, camera.URL) {
		t.Error("the alarm page does not offer the camera, or gives its address away")
	}
	if got := m.page("/sites/gull-rock/cameras/0"); got != gif {
		t.Errorf("got %q", got)
	}
	if got := m.page("/sites/gull-rock/cameras/1"); !strings.Contains(got, "There is no such camera") {
		t.Errorf("got %q", got)
	}
}
