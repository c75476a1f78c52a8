package alert

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"sync/atomic"
	"time"
)

// Headers of a request beside its body.
const (
	// AlertIDHeader carries the identity of an alert, so that a receiver can tell a
	// repeated delivery from a new alert.
	AlertIDHeader = "X-Beltwarden-Alert-Id"
	// TimestampHeader is when the request was made, in seconds since 1970. It is signed,
	// so that a receiver can refuse one that somebody kept and sends again.
	TimestampHeader = "X-Beltwarden-Timestamp"
	// SignatureHeader is "sha256=" and the HMAC-SHA256, in hexadecimal, of timestamp,
	// a point, and the body.
	SignatureHeader = "X-Beltwarden-Signature"
)

// mostAnswer is how much of a receiver's answer is read, so that the connection
// can be used again; the rest is of no interest.
const mostAnswer = 64 << 10

// WebhookOptions describe a receiver that is called by HTTP POST.
type WebhookOptions struct {
	Name    string            // of the receiver; made of the host when empty
	URL     string            // may carry a secret
	Header  map[string]string // added to each request; may carry secrets
	Sign    []byte            // secret that requests are signed with; none when empty
	Timeout time.Duration     // of one attempt, 10 s when 0
	Agent   string            // the User-Agent, "beltwarden" when empty
	// Dial reaches the receiver; nil is the network.
	Dial func(ctx context.Context, network, address string) (net.Conn, error)
}

// Webhook is a [Notifier] that posts the alert's payload as JSON.
type Webhook struct {
	url     string
	header  http.Header
	timeout time.Duration
	name    string
	sign    []byte
	client  *http.Client
	ahead   atomic.Int64 // nanoseconds by which the receiver's clock was ahead of ours when it answered last
}

// NewWebhook returns a receiver. It connects to nothing yet.
func NewWebhook(o WebhookOptions) (*Webhook, error) {
	u, err := url.Parse(o.URL)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return nil, errors.New("cannot use the address of a webhook: it is not of the form https://host/path")
	}
	w := &Webhook{url: o.URL, header: http.Header{}, timeout: o.Timeout, name: o.Name, sign: o.Sign}
	if w.name == "" {
		w.name = receiverName(u)
	}
	if w.timeout <= 0 {
		w.timeout = 10 * time.Second
	}
	w.header.Set("User-Agent", "beltwarden")
	if o.Agent != "" {
		w.header.Set("User-Agent", o.Agent)
	}
	for name, value := range o.Header {
		w.header.Set(name, value)
	}
	w.header.Set("Content-Type", "application/json")
	w.client = &http.Client{
		Transport: &http.Transport{DialContext: o.Dial, MaxIdleConns: 1, IdleConnTimeout: time.Minute, ForceAttemptHTTP2: true,
			TLSHandshakeTimeout: w.timeout, ResponseHeaderTimeout: w.timeout, MaxResponseHeaderBytes: mostAnswer},
		// What was meant for one receiver, secrets included, does not go to another.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	return w, nil
}

// receiverName is the host, for people, and a short hash that keeps receivers on
// one host apart. User and password are left out, so that the name stays the
// same when they are changed.
func receiverName(u *url.URL) string {
	bare := *u
	bare.User = nil
	sum := sha256.Sum256([]byte(bare.String()))
	return u.Host + "-" + hex.EncodeToString(sum[:4])
}

// Name implements [Notifier].
func (w *Webhook) Name() string { return w.name }

// Close lets idle connections go.
func (w *Webhook) Close() { w.client.CloseIdleConnections() }

// Kind implements [Notifier].
func (w *Webhook) Kind() string { return "webhook" }

// Notify implements [Notifier].
func (w *Webhook) Notify(ctx context.Context, m *Message) error {
	return w.post(ctx, m.ID, m.JSON)
}

// post makes one request, signed if there is a secret for that.
func (w *Webhook) post(ctx context.Context, id string, body []byte) error {
	ctx, cancel := context.WithTimeout(ctx, w.timeout)
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, w.url, bytes.NewReader(body))
	if err != nil {
		return errors.New("cannot use the address of the receiver")
	}
	r.Header = w.header.Clone()
	r.Header.Set(AlertIDHeader, id)
	if len(w.sign) > 0 {
		at := strconv.FormatInt(time.Now().Unix(), 10)
		r.Header.Set(TimestampHeader, at)
		r.Header.Set(SignatureHeader, Signature(w.sign, at, body))
	}
	answer, err := w.client.Do(r)
	if err != nil {
		return w.plain(err)
	}
	defer answer.Body.Close()
	_, _ = io.CopyN(io.Discard, answer.Body, mostAnswer) // the status has said it all
	if at, err := http.ParseTime(answer.Header.Get("Date")); err == nil {
		w.ahead.Store(int64(time.Until(at)))
	}
	if answer.StatusCode/100 == 2 {
		return nil
	}
	return &StatusError{Status: answer.StatusCode, RetryAfter: retryAfter(answer.Header.Get("Retry-After"), time.Now())}
}

// Signature is what [SignatureHeader] holds for a body sent at a time, given as in
// [TimestampHeader].
func Signature(secret []byte, timestamp string, body []byte) string {
	mac := hmac.New(sha256.New, secret)
	mac.Write([]byte(timestamp + "."))
	mac.Write(body)
	return "sha256=" + hex.EncodeToString(mac.Sum(nil))
}

// plain returns an error without the address, which may hold a secret.
func (w *Webhook) plain(err error) error {
	if errors.Is(err, context.DeadlineExceeded) {
		return fmt.Errorf("the receiver has not answered within %s", w.timeout)
	}
	if u := new(url.Error); errors.As(err, &u) {
		err = u.Err
	}
	return fmt.Errorf("cannot reach the receiver: %w", err)
}

// retryAfter reads the header of that name: seconds or a date (RFC 9110, 10.2.3).
func retryAfter(value string, now time.Time) time.Duration {
	if seconds, err := strconv.ParseUint(value, 10, 31); err == nil {
		return time.Duration(seconds) * time.Second
	}
	if at, err := http.ParseTime(value); err == nil {
		return max(0, at.Sub(now))
	}
	return 0
}
