package client

import (
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/url"
	"time"

	"beltwarden/supervisor/job"
)

// Job is a job file that is stored with the daemon.
type Job struct {
	Name   string    `json:"name"`
	Path   string    `json:"path"` // on the daemon's computer
	Bytes  int64     `json:"bytes"`
	Stored time.Time `json:"stored"`
	// SHA256 is empty for a file that came into the folder by other means.
	SHA256 string `json:"sha256,omitempty"`
}

// JobDetail is a stored job and what it will do on the machine.
type JobDetail struct {
	Job
	// Plan is what `inspect --json` prints; absent when the file cannot be cut.
	Plan json.RawMessage `json:"plan,omitempty"`
	// Refusal is then why.
	Refusal []job.Finding `json:"refusal,omitempty"`
	// Blocked says that no lot can be opened of it.
	Blocked bool `json:"blocked"`
}

// Jobs returns the stored job files, the newest first.
func (c *Client) Jobs(ctx context.Context) ([]Job, error) {
	return get[[]Job](ctx, c, "/api/v1/jobs")
}

// Job has the daemon inspect a stored job file.
func (c *Client) Job(ctx context.Context, name string) (*JobDetail, error) {
	return get[*JobDetail](ctx, c, "/api/v1/jobs/"+url.PathEscape(name))
}

// PutJob hands a job file to the daemon. The name that it got is in the answer.
func (c *Client) PutJob(ctx context.Context, name string, content io.Reader) (Job, error) {
	var stored Job
	err := c.call(ctx, http.MethodPost, "/api/v1/jobs?"+url.Values{"name": {name}}.Encode(), content, &stored)
	return stored, err
}

// RemoveJob takes a stored job file away.
func (c *Client) RemoveJob(ctx context.Context, name string) error {
	return c.call(ctx, http.MethodDelete, "/api/v1/jobs/"+url.PathEscape(name), nil, nil)
}
