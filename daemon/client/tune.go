package client

import (
	"context"

	"beltwarden/supervisor"
)

// ScaleRequest asks for other steps/mm of the belt axis on the board.
type ScaleRequest struct {
	supervisor.ScaleRequest
	By string `json:"by,omitempty"`
}

// TrialBeginRequest asks for a run of the empty belt.
type TrialBeginRequest struct {
	supervisor.TrialBegin
	By string `json:"by,omitempty"`
}

// TrialEndRequest gives the reading after the run.
type TrialEndRequest struct {
	supervisor.TrialEnd
	By string `json:"by,omitempty"`
}

// SetScale sets the belt's scale on the board, and returns once the board has confirmed it.
func (c *Client) SetScale(ctx context.Context, r ScaleRequest) (supervisor.Result, error) {
	return c.post(ctx, "/api/v1/scale", r)
}

// BeginTrial has the belt run. Status shows when it has stopped.
func (c *Client) BeginTrial(ctx context.Context, r TrialBeginRequest) (supervisor.Result, error) {
	return c.post(ctx, "/api/v1/trials/begin", r)
}

// EndTrial gives the second reading; the result's Trial is the judgement.
func (c *Client) EndTrial(ctx context.Context, r TrialEndRequest) (supervisor.Result, error) {
	return c.post(ctx, "/api/v1/trials/end", r)
}
