package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"beltwarden/daemon/client"
)

// answerLimit is how long a command waits for the daemon. A request is answered
// once it is durable, which on a slow memory card takes seconds.
const answerLimit = 30 * time.Second

// mostSecret bounds the file that holds the secret.
const mostSecret = 4096

// newClient returns a client of the daemon that the command is meant for.
func newClient(c *cobra.Command) (*client.Client, error) {
	address, err := daemonAddress(c)
	if err != nil {
		return nil, err
	}
	path := os.Getenv(secretVariable)
	if f := c.Flag("secret-file"); f != nil && f.Changed {
		path = f.Value.String()
	}
	if path == "" {
		return client.New(address), nil
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, &failure{status: exitUsage, err: fmt.Errorf("cannot read the secret: %w", err), hint: "name its file with --secret-file or " + secretVariable}
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, mostSecret))
	if err != nil {
		return nil, fmt.Errorf("cannot read the secret: %w", err)
	}
	return client.New(address, client.WithSecret(strings.TrimSpace(string(text)))), nil
}

// withDaemon calls the daemon that the command is meant for.
func withDaemon(c *cobra.Command, do func(ctx context.Context, d *client.Client) error) error {
	d, err := newClient(c)
	if err != nil {
		return err
	}
	defer d.Close()
	ctx, cancel := context.WithTimeoutCause(c.Context(), answerLimit, errors.New("no answer within "+answerLimit.String()))
	defer cancel()
	return do(ctx, d)
}

// classifyRemote gives an answer of the daemon, or its absence, an exit status.
func classifyRemote(err error) *failure {
	var unreachable *client.UnreachableError
	if errors.As(err, &unreachable) {
		return &failure{status: exitUnreachable, err: errors.New("cannot reach the daemon at " + unreachable.Address + ": " + unreachable.Err.Error()),
			hint: "start it with: beltwarden serve --config FILE, or say where it is with --daemon or " + daemonVariable}
	}
	var p *client.Problem
	if !errors.As(err, &p) {
		return nil
	}
	f := &failure{status: exitUnexpected, err: err}
	switch p.Status {
	case http.StatusConflict, http.StatusNotFound, http.StatusUnauthorized, http.StatusForbidden:
		f.status = exitRefused
	case http.StatusBadRequest, http.StatusUnprocessableEntity, http.StatusRequestEntityTooLarge:
		f.status = exitUsage
	case http.StatusServiceUnavailable:
		f.status = exitUnreachable
	}
	// The remedy stands on a line of its own.
	if p.Remedy != "" {
		text := p.Detail
		if text == "" {
			text = p.Title
		}
		f.err, f.hint = errors.New(withoutTail(text, p.Remedy)), p.Remedy
	}
	return f
}

// withoutTail takes a remedy off the end of a text that repeats it.
func withoutTail(text, tail string) string {
	for _, joint := range []string{"; ", ": ", " "} {
		if n := len(text) - len(joint+tail); n > 0 && text[n:] == joint+tail {
			return text[:n]
		}
	}
	return text
}
