// Package client speaks the daemon's JSON interface, over its local socket or
// over HTTP, and holds the types that travel on it. The command line uses it,
// and the daemon's own handlers answer in its types.
package client

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptrace"
	"net/url"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"beltwarden/supervisor"
)

// maxAnswer bounds an answer that is read into memory.
const maxAnswer = 64 << 20

// Client calls one daemon. Its methods may be used from any goroutine.
type Client struct {
	address string // as given, for messages
	base    string // scheme and host of requests
	secret  string
	http    *http.Client

	transport *http.Transport
}

// Option alters a Client.
type Option func(*Client)

// WithSecret makes the client send the secret that a daemon requires at an
// address other than its socket.
func WithSecret(secret string) Option { return func(c *Client) { c.secret = secret } }

// WithAuthority makes the client trust the certificates of an authority, in PEM, and
// no others: a workshop's daemon often has a certificate of its own making.
func WithAuthority(pem []byte) (Option, error) {
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, errors.New("there is no certificate in it")
	}
	return func(c *Client) {
		c.transport.TLSClientConfig = &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}
	}, nil
}

// New returns a client of the daemon at a socket, named by its path, or at a URL
// that begins with http:// or https://. Nothing is connected yet.
func New(socketOrURL string, options ...Option) *Client {
	c := &Client{address: socketOrURL, base: strings.TrimSuffix(socketOrURL, "/")}
	transport := &http.Transport{MaxIdleConns: 2, IdleConnTimeout: 30 * time.Second, Proxy: nil}
	if !strings.HasPrefix(socketOrURL, "http://") && !strings.HasPrefix(socketOrURL, "https://") {
		c.base = "http://beltwarden"
		transport.DialContext = func(ctx context.Context, _, _ string) (net.Conn, error) {
			var d net.Dialer
			return d.DialContext(ctx, "unix", socketOrURL)
		}
	}
	c.transport = transport
	c.http = &http.Client{Transport: transport, CheckRedirect: func(*http.Request, []*http.Request) error {
		return http.ErrUseLastResponse // a secret is not carried elsewhere
	}}
	for _, o := range options {
		o(c)
	}
	return c
}

// Close lets idle connections go.
func (c *Client) Close() { c.http.CloseIdleConnections() }

// Status returns the newest picture of the run.
func (c *Client) Status(ctx context.Context) (*supervisor.Snapshot, error) {
	return get[*supervisor.Snapshot](ctx, c, "/api/v1/status")
}

// Command gives one of the ten commands. A refusal is a *Problem with status 409.
func (c *Client) Command(ctx context.Context, r CommandRequest) (supervisor.Result, error) {
	return c.post(ctx, "/api/v1/commands", r)
}

// Check records a visit.
func (c *Client) Check(ctx context.Context, r CheckRequest) (supervisor.Result, error) {
	return c.post(ctx, "/api/v1/checks", r)
}

// OpenLot has the daemon inspect the job files and open a lot of them. Files that
// cannot run are a *Problem with status 422 whose detail lists every reason.
func (c *Client) OpenLot(ctx context.Context, r LotRequest) (supervisor.Result, error) {
	return c.post(ctx, "/api/v1/lots", r)
}

// Lots returns all lots, the newest first.
func (c *Client) Lots(ctx context.Context) ([]LotSummary, error) {
	return get[[]LotSummary](ctx, c, "/api/v1/lots")
}

// Lot returns one lot with its history.
func (c *Client) Lot(ctx context.Context, id int64) (*LotDetail, error) {
	return get[*LotDetail](ctx, c, "/api/v1/lots/"+strconv.FormatInt(id, 10))
}

// LotReport returns the report of a lot as the daemon writes it: format is html, csv or
// json, and who it is for workshop or customer.
func (c *Client) LotReport(ctx context.Context, id int64, format, who string) ([]byte, error) {
	q := url.Values{"format": {format}, "for": {who}}
	var text []byte
	err := c.call(ctx, http.MethodGet, "/api/v1/lots/"+strconv.FormatInt(id, 10)+"/report?"+q.Encode(), nil, &text)
	return text, err
}

// EndLot gives up a lot, or closes one whose parts were all found good.
func (c *Client) EndLot(ctx context.Context, id int64, reason string) (supervisor.Result, error) {
	return c.post(ctx, "/api/v1/lots/"+strconv.FormatInt(id, 10)+"/end", EndRequest{Reason: reason})
}

// Events returns up to limit events, the oldest first: the newest ones there are.
func (c *Client) Events(ctx context.Context, limit int) ([]Event, error) {
	return get[[]Event](ctx, c, "/api/v1/events?limit="+strconv.Itoa(limit))
}

// EventsAfter returns up to limit events that follow the one numbered after, the
// oldest first.
func (c *Client) EventsAfter(ctx context.Context, after int64, limit int) ([]Event, error) {
	q := url.Values{"after": {strconv.FormatInt(after, 10)}, "limit": {strconv.Itoa(limit)}}
	return get[[]Event](ctx, c, "/api/v1/events?"+q.Encode())
}

// Ready returns nil when the daemon has its board and its ledger at hand, and
// says what is missing otherwise.
func (c *Client) Ready(ctx context.Context) error {
	return c.call(ctx, http.MethodGet, "/readyz", nil, nil)
}

func (c *Client) post(ctx context.Context, path string, body any) (supervisor.Result, error) {
	var r supervisor.Result
	err := c.call(ctx, http.MethodPost, path, body, &r)
	return r, err
}

// get reads one resource.
func get[T any](ctx context.Context, c *Client, path string) (T, error) {
	var to T
	if err := c.call(ctx, http.MethodGet, path, nil, &to); err != nil {
		var none T
		return none, err
	}
	return to, nil
}

// call makes one request and reads the answer into to, which may be nil.
func (c *Client) call(ctx context.Context, method, path string, body, to any) error {
	request, err := c.request(ctx, method, path, body)
	if err != nil {
		return fmt.Errorf("cannot ask the daemon at %s: %w", c.address, err)
	}
	// Nothing is sent before there is a connection, with the name that was called.
	var reached atomic.Bool
	request = request.WithContext(httptrace.WithClientTrace(request.Context(), &httptrace.ClientTrace{
		// A request travels again where a connection that was kept turns out to be closed. Of one that only reads
		// the last attempt counts; one that acts may have been carried out at the first.
		GetConn: func(string) {
			if method == http.MethodGet {
				reached.Store(false)
			}
		},
		GotConn: func(httptrace.GotConnInfo) { reached.Store(true) },
	}))
	answer, err := c.http.Do(request)
	if err != nil {
		if cause := context.Cause(ctx); cause != nil {
			return fmt.Errorf("cannot wait for the daemon at %s: %w", c.address, cause)
		}
		if !reached.Load() {
			return &UnreachableError{c.address, withoutURL(err)}
		}
		return &LostError{c.address, withoutURL(err)}
	}
	defer answer.Body.Close()
	data, err := io.ReadAll(io.LimitReader(answer.Body, maxAnswer+1))
	if err != nil {
		return &LostError{c.address, err}
	}
	if len(data) > maxAnswer {
		return fmt.Errorf("cannot read the answer of the daemon at %s: it is longer than %d bytes", c.address, maxAnswer)
	}
	if answer.StatusCode/100 != 2 {
		return problem(answer, data)
	}
	switch to := to.(type) {
	case nil:
		return nil
	case *[]byte: // as it came
		*to = data
		return nil
	}
	if err := json.Unmarshal(data, to); err != nil {
		return fmt.Errorf("cannot read the answer of the daemon at %s: %w", c.address, err)
	}
	return nil
}

// request builds a request; a body that can be read is sent as it is, any other as
// JSON. What acts carries a key of its own, so that the daemon carries it out once
// even if the connection makes it travel twice.
func (c *Client) request(ctx context.Context, method, path string, body any) (*http.Request, error) {
	content, kind := io.Reader(nil), "application/octet-stream"
	if given, ok := body.(io.Reader); ok {
		content = given
	} else if body != nil {
		data, err := json.Marshal(body)
		if err != nil {
			return nil, err
		}
		content, kind = bytes.NewReader(data), "application/json"
	}
	r, err := http.NewRequestWithContext(ctx, method, c.base+path, content)
	if err != nil {
		return nil, err
	}
	if body != nil {
		r.Header.Set("Content-Type", kind)
	}
	if method != http.MethodGet {
		r.Header.Set("Idempotency-Key", rand.Text())
	}
	if c.secret != "" {
		r.Header.Set("Authorization", "Bearer "+c.secret)
	}
	return r, nil
}
