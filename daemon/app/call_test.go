package app

import (
	"context"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"beltwarden/config"
)

// Everybody is called while no daemon runs: at any level, again where the first attempt is
// refused, and beside a receiver that cannot be used or never answers.
func TestCallWithoutADaemon(t *testing.T) {
	t.Parallel()
	var mu sync.Mutex
	got := map[string][]string{}
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	receiver := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body := make([]byte, 1<<16)
		n, _ := r.Body.Read(body)
		mu.Lock()
		defer mu.Unlock()
		got[r.URL.Path] = append(got[r.URL.Path], string(body[:n]))
		if r.URL.Path == "/closed" || r.URL.Path == "/busy" && len(got[r.URL.Path]) == 1 {
			http.Error(w, "not now", http.StatusServiceUnavailable)
		}
		if len(got["/ready"]) >= 1 && len(got["/busy"]) >= 2 && len(got["/closed"]) >= 5 {
			time.AfterFunc(5*time.Second, cancel) // the time for calling is over, and the answers have come long since
		}
	}))
	defer receiver.Close()
	c := &config.Settings{}
	c.Machine.Name = "clip press"
	c.Alerts.RetryFirst, c.Alerts.RetryLimit = 10*time.Millisecond, 20*time.Millisecond
	hook := func(name, path string, level int) config.Webhook {
		return config.Webhook{Receiver: config.Receiver{Name: name, Level: level}, Timeout: patience, URL: receiver.URL + path}
	}
	c.Alerts.Webhooks = []config.Webhook{hook("ada", "/ready", 1), hook("second", "/busy", 2), hook("away", "/closed", 1),
		{Receiver: config.Receiver{Name: "lost"}, Timeout: patience, URLFile: "no such file"}}
	reached, err := Call(ctx, c, "v1", "the daemon has ended")
	if reached != 2 {
		t.Errorf("%d were reached, want 2", reached)
	}
	for _, want := range []string{"away", "no such file"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("the error does not name %q: %v", want, err)
		}
	}
	mu.Lock()
	defer mu.Unlock()
	for path, tries := range map[string]int{"/ready": 1, "/busy": 2} {
		if len(got[path]) != tries {
			t.Errorf("%s was asked %d times, want %d", path, len(got[path]), tries)
			continue
		}
		for _, want := range []string{`"subject":"Go to the machine, clip press: daemon not running"`, "the daemon has ended", `"urgency":"urgent"`} {
			if !strings.Contains(got[path][tries-1], want) {
				t.Errorf("%s: lacks %s: %s", path, want, got[path][tries-1])
			}
		}
	}
	if len(got["/closed"]) < 2 {
		t.Error("who refuses is not tried again")
	}
}
