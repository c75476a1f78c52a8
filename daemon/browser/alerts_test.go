package browser

import (
	"net/http"
	"net/http/httptest"
	"sync/atomic"
	"testing"
	"time"

	"beltwarden/config"
	"beltwarden/supervisor"
)

// A receiver that is down leaves a mark until it is up; a test can be sent, and whoever
// knows can say so.
func TestAlertsPage(t *testing.T) {
	beside(t)
	var up atomic.Bool
	var got atomic.Int32
	server := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, _ *http.Request) {
		if !up.Load() {
			rw.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		got.Add(1)
	}))
	defer server.Close()
	w := newWorkshop(t, 0, func(c *config.Settings) {
		c.Hold.EveryParts = 2
		c.Alerts.RetryFirst, c.Alerts.RetryLimit, c.Alerts.EscalateAfter = time.Second, 2*time.Second, time.Hour
		c.Alerts.Webhooks = []config.Webhook{{Receiver: config.Receiver{Name: "workshop phone", Level: 1}, URL: server.URL, Timeout: longest},
			{Receiver: config.Receiver{Name: "foreman", Level: 2}, URL: server.URL + "/2", Timeout: longest}}
	})
	w.order("plant-stake clips", 12)
	w.reach(supervisor.Held)
	b := open(t, w.url, phone)
	b.visit("/")
	b.sees("Alerts do not reach workshop phone", "If nobody acts, these are called too: foreman")
	b.lawful()
	b.shot("mark")
	b.press("See the alerts")
	b.sees("not reached", "called if nobody has acted for a while", "waiting for somebody to act")
	b.lawful()
	b.shot("down")
	b.press("Send a test to workshop phone")
	b.sees("The test did not reach workshop phone")
	b.shot("test-failed")
	up.Store(true)
	b.press("Send a test to workshop phone")
	b.sees("The test was accepted by workshop phone")
	b.fill("Your name", "Ada")
	b.press("Acknowledge: call nobody else")
	b.sees("Acknowledged. Nobody else is called")
	b.visit("/")
	b.sees("Where the parts are")
	if !within(longest, func() bool {
		b.visit("/")
		return !b.says("Alerts do not reach") && !b.says("If nobody acts, these are called too")
	}) {
		t.Error("the mark stays though everything is delivered and known")
	}
	b.visit("/alerts")
	b.sees("all delivered")
	b.lawful()
	b.shot("up")
	if got.Load() < 2 {
		t.Errorf("the receiver got %d messages", got.Load())
	}
}
