package client

import (
	"context"
	"net/http"
	"time"
)

// Receiver is how one receiver of alerts stands.
type Receiver struct {
	Name string `json:"name"`
	// Configured is false for a receiver that is no longer in the configuration;
	// nothing is sent to it.
	Configured    bool      `json:"configured"`
	Kind          string    `json:"kind,omitempty"`  // webhook, mail, service or alertmanager
	Level         int       `json:"level,omitempty"` // 1 is called at once, 2 and 3 when nobody has acted
	Pending       int       `json:"pending"`         // that should have been delivered by now
	KeptBack      int       `json:"kept_back"`       // that wait for quiet hours, the bound on messages, or others to act
	Failing       int       `json:"failing"`         // with at least one failed attempt
	Delivered     int       `json:"delivered"`
	LastError     string    `json:"last_error,omitempty"`
	LastDelivered time.Time `json:"last_delivered,omitzero"`
	Oldest        *Stamp    `json:"oldest,omitempty"`       // of the oldest pending alert
	OldestAgeS    float64   `json:"oldest_age_s,omitempty"` // seconds since it was raised
	Quiet         bool      `json:"quiet_now"`
	Limited       bool      `json:"limited_now"` // the bound on messages keeps some back
}

// AlertTest names the receiver that a test message goes to.
type AlertTest struct {
	Receiver string `json:"channel"`
}

// AlertTested is what came of a test message.
type AlertTested struct {
	Receiver string  `json:"channel"`
	Arrived  bool    `json:"arrived"` // the receiver has taken it
	Error    string  `json:"error,omitempty"`
	TookS    float64 `json:"took_s"`
}

// Acknowledgement says who knows of the alerts so far.
type Acknowledgement struct {
	By string `json:"by,omitempty"`
}

// Alerts returns how every receiver of alerts stands.
func (c *Client) Alerts(ctx context.Context) ([]Receiver, error) {
	return get[[]Receiver](ctx, c, "/api/v1/alerts")
}

// TestAlert sends a message to one receiver, now, and returns what came of it.
func (c *Client) TestAlert(ctx context.Context, receiver string) (AlertTested, error) {
	var t AlertTested
	err := c.call(ctx, http.MethodPost, "/api/v1/alerts/test", AlertTest{Receiver: receiver}, &t)
	return t, err
}

// Acknowledge says that somebody knows of the alerts so far, so that nobody else is
// called about it.
func (c *Client) Acknowledge(ctx context.Context, by string) error {
	return c.call(ctx, http.MethodPost, "/api/v1/alerts/acknowledge", Acknowledgement{By: by}, nil)
}
