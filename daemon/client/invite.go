package client

import (
	"context"
	"net/http"
	"time"
)

// InviteRequest asks for a code by which one browser signs in.
type InviteRequest struct {
	Role string `json:"role"`          // look or operate
	URL  string `json:"url,omitempty"` // scheme and host by which the browser reaches the daemon; the configuration's by default
}

// Invitation lets one browser sign in, once.
type Invitation struct {
	Machine string    `json:"machine"`
	Role    string    `json:"role"`
	URL     string    `json:"url"`   // to open; it holds the token
	Login   string    `json:"login"` // page where the code can be typed
	Code    string    `json:"code"`  // without characters that look like others
	Until   time.Time `json:"until"`
}

// Invite has the daemon make a code by which one browser signs in.
func (c *Client) Invite(ctx context.Context, q InviteRequest) (v Invitation, err error) {
	return v, c.call(ctx, http.MethodPost, "/api/v1/invitations", q, &v)
}
