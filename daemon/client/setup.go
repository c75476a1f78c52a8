package client

import (
	"context"

	"beltwarden/supervisor"
)

// SetupMoveRequest asks for one move of the belt, at a machine that is being set up.
type SetupMoveRequest struct {
	supervisor.SetupMove
	By string `json:"by,omitempty"`
}

// SetupFoundRequest is what a person saw of it.
type SetupFoundRequest struct {
	supervisor.SetupFound
	By string `json:"by,omitempty"`
}

// SetupMove moves the belt, and returns once the board has confirmed the move.
func (c *Client) SetupMove(ctx context.Context, r SetupMoveRequest) (supervisor.Result, error) {
	return c.post(ctx, "/api/v1/setup/move", r)
}

// SetupFound says what was seen, and returns what the configuration must say by it.
func (c *Client) SetupFound(ctx context.Context, r SetupFoundRequest) (supervisor.Result, error) {
	return c.post(ctx, "/api/v1/setup/found", r)
}
