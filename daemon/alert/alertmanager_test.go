package alert

import (
	"context"
	"encoding/json"
	"net/http"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"beltwarden/supervisor"
)

// TestAlertmanager: a hold is sent, sent again while it lasts, and ended when it is over,
// by the second version of that interface: a list of alerts with labels, annotations,
// startsAt and endsAt (Prometheus documentation, "Alerts API").
func TestAlertmanager(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		shot := supervisor.Snapshot{State: supervisor.Held, Cause: supervisor.Cause{Code: supervisor.CauseCheckParts}}
		var posts []posted
		const theirs = 56 * 365 * 24 * time.Hour // their clock is right, and ours is not set
		f := &receiver{act: func(_ int, r *http.Request) (int, http.Header, error) {
			if r.URL.Path != "/api/v2/alerts" || r.Header.Get("Content-Type") != "application/json" {
				t.Errorf("posted to %s as %s", r.URL.Path, r.Header.Get("Content-Type"))
			}
			var list []posted
			if err := json.NewDecoder(r.Body).Decode(&list); err != nil || len(list) == 0 {
				t.Errorf("%v %+v", err, list)
			}
			mu.Lock()
			defer mu.Unlock()
			posts = append(posts, list...)
			return 200, http.Header{"Date": {time.Now().Add(theirs).UTC().Format(http.TimeFormat)}}, nil
		}}
		m, err := NewAlertmanager(AlertmanagerOptions{Webhook: WebhookOptions{Name: "am", URL: "http://127.0.0.1:9093"}, Machine: "clip press",
			Snapshot: func() *supervisor.Snapshot { mu.Lock(); defer mu.Unlock(); s := shot; return &s }})
		if err != nil {
			t.Fatal(err)
		}
		m.post.client.Transport = f
		l := openLedger(t, filepath.Join(t.TempDir(), "l.db"))
		defer l.Close()
		_, stop := calls(t, l, Policy{}, Receiver{m, 1})
		defer stop()
		time.Sleep(5 * time.Second)
		begin := time.Now()
		queue(t, l, "h-1", supervisor.CauseCheckParts, "Held")
		time.Sleep(10 * time.Minute)
		mu.Lock()
		n := len(posts)
		first, last := posts[0], posts[n-1]
		mu.Unlock()
		if first.Labels["alertname"] == "" || first.Labels["machine"] != "clip press" || first.Labels["state"] != "Held" || first.Labels["severity"] != "warning" ||
			!strings.Contains(first.Annotations["description"], "12 good") || first.GeneratorURL != "https://belt.workshop.example/visit" {
			t.Errorf("sent %+v", first)
		}
		if n < 9 || n > 14 || !last.EndsAt.IsZero() || last.Labels["reason"] != first.Labels["reason"] {
			t.Errorf("sent %d times in 10 min, the last ends at %s", n, last.EndsAt)
		}
		mu.Lock()
		shot.State = supervisor.Execute
		mu.Unlock()
		time.Sleep(5 * time.Second)
		mu.Lock()
		last = posts[len(posts)-1]
		n = len(posts)
		mu.Unlock()
		if off := time.Until(last.EndsAt) - theirs; off > time.Second || off < -20*time.Second || last.EndsAt.Before(begin.Add(theirs)) {
			t.Errorf("the end was sent as %s, %s from the time of who takes it", last.EndsAt, off)
		}
		time.Sleep(10 * time.Minute)
		mu.Lock()
		defer mu.Unlock()
		if len(posts) != n {
			t.Errorf("%d more after the end", len(posts)-n)
		}
	})
}

// TestAlertmanagerInTrouble answers errors, and is tried again by the worker's rules.
func TestAlertmanagerInTrouble(t *testing.T) {
	for status, refused := range map[int]bool{500: false, 503: false, 429: false, 400: true, 404: true} {
		m, err := NewAlertmanager(AlertmanagerOptions{Webhook: WebhookOptions{Name: "am", URL: "http://127.0.0.1:9093/prefix/"}, Machine: "clip press",
			Snapshot: func() *supervisor.Snapshot { return new(supervisor.Snapshot) }})
		if err != nil {
			t.Fatal(err)
		}
		m.post.client.Transport = &receiver{act: func(_ int, r *http.Request) (int, http.Header, error) {
			if r.URL.Path != "/prefix/api/v2/alerts" {
				t.Errorf("posted to %s", r.URL.Path)
			}
			return status, nil, nil
		}}
		err = m.Notify(context.Background(), holdMessage())
		if e, ok := err.(*StatusError); !ok || e.Refused() != refused {
			t.Errorf("%d: %v", status, err)
		}
	}
}
