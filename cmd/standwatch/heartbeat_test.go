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
	c := newCalled(t, nil)
	watch := &configs.Watcher{URL: watcher.URL + "/?key=secret", Method: http.MethodPost, Headers: map[string]string{"Authorization": "Bearer x"}, Every: time.Minute}
	c.d.mu.Lock()
	cfg := *c.d.config
	cfg.Watcher = watch
	c.d.config = &cfg
	c.d.mu.Unlock()
	client := &http.Client{}
	defer client.CloseIdleConnections()
	if next := c.d.beat(t.Context(), client); next != time.Minute || heard.Load() != 1 || c.d.missed.Load() != 0 {
		t.Errorf("next %s, heard %d, missed %d", next, heard.Load(), c.d.missed.Load())
	}
	status.Store(http.StatusInternalServerError)
	for range beatsMissed {
		c.d.beat(t.Context(), client)
	}
	watcher.Close()
	c.d.beat(t.Context(), client)
	words, _ := c.d.beatWords.Load().(string)
	if c.d.missed.Load() != beatsMissed+1 || words == "" || strings.Contains(words, "secret") {
		t.Errorf("missed %d, %q", c.d.missed.Load(), words)
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
