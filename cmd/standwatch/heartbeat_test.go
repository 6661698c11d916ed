package main

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"example.net/standwatch/configs"
	"example.net/standwatch/notify"
)

// TestHeartbeat: it goes out with its secret, and its failure is seen.
func TestHeartbeat(t *testing.T) {
	var status, heard atomic.Int32
	status.Store(http.StatusNoContent)
	watcher := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodPost || r.Header.Get("Authorization") != "Bearer x" {
			t.Errorf("got %s %v", r.Method, r.Header)
		}
		heard.Add(1)
		w.WriteHeader(int(status.Load()))
	}))
	defer watcher.Close()
	watch := &configs.Watcher{URL: watcher.URL + "/?key=secret", Method: http.MethodPost, Headers: map[string]string{"Authorization": "Bearer x"}, Every: time.Minute}
	client := &http.Client{}
	defer client.CloseIdleConnections()
	var h heart
	if err := h.beat(t.Context(), client, watch); err != nil || heard.Load() != 1 || h.missed.Load() != 0 {
		t.Errorf("%v, heard %d, missed %d", err, heard.Load(), h.missed.Load())
	}
	status.Store(http.StatusInternalServerError)
	for range beatsMissed {
		if err := h.beat(t.Context(), client, watch); err == nil || !strings.Contains(err.Error(), "500") {
			t.Errorf("refused, it says %v", err)
		}
	}
	watcher.Close()
	err := h.beat(t.Context(), client, watch)
	words, _ := h.words.Load().(string)
	if err == nil || h.missed.Load() != beatsMissed+1 || words != err.Error() || strings.Contains(words, "secret") {
		t.Errorf("missed %d, %q", h.missed.Load(), words)
	}
	status.Store(http.StatusNoContent)
	again := httptest.NewServer(watcher.Config.Handler)
	defer again.Close()
	watch.URL = again.URL
	if err := h.beat(t.Context(), client, watch); err != nil || h.missed.Load() != 0 {
		t.Errorf("heard again: %v, missed %d", err, h.missed.Load())
	}
}

func TestGatewayFault(t *testing.T) {
	now := time.Date(2026, 11, 25, 6, 0, 0, 0, time.UTC)
	for words, h := range map[string]notify.GatewayHealth{
		"":                      {Failures: gatewayFails - 1, Oldest: now.Add(-queueOld), Recent: 20, Failed: 10},
		"cannot be used: x":     {Trouble: "x"},
		"does not let us in":    {ProbeFailed: "535"},
		"failed 3 times":        {Failures: gatewayFails},
		"has had a message":     {Oldest: now.Add(-queueOld - time.Second)},
		"failed 11 of the last": {Recent: 20, Failed: 11},
	} {
		if got := gatewayFault(h, now); !strings.HasPrefix(got, words) || (words == "") != (got == "") {
			t.Errorf("want %q, got %q", words, got)
		}
	}
}
