package client

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"

	"go.uber.org/goleak"

	"beltwarden/supervisor"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// served answers every request the same way and keeps the newest.
func served(t *testing.T, status int, kind, body string) (*Client, *http.Request) {
	t.Helper()
	got := new(http.Request)
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		*got = *r
		w.Header().Set("Content-Type", kind)
		w.WriteHeader(status)
		_, _ = w.Write([]byte(body))
	}))
	t.Cleanup(s.Close)
	c := New(s.URL+"/", WithSecret("0123456789abcdef"))
	t.Cleanup(c.Close)
	return c, got
}

func TestAnswersAreRead(t *testing.T) {
	c, got := served(t, 200, "application/json", `{"lot":3,"state":"Held","text":"done"}`)
	r, err := c.Command(t.Context(), CommandRequest{Command: supervisor.Hold})
	if err != nil || r.LotID != 3 || r.State != supervisor.Held || r.Text != "done" {
		t.Errorf("%+v, %v", r, err)
	}
	if got.Header.Get("Authorization") != "Bearer 0123456789abcdef" || got.Header.Get("Idempotency-Key") == "" || got.URL.Path != "/api/v1/commands" {
		t.Errorf("%s %v", got.URL, got.Header)
	}
	first := got.Header.Get("Idempotency-Key")
	if _, err := c.EndLot(t.Context(), 3, "over"); err != nil || got.Header.Get("Idempotency-Key") == first || got.URL.Path != "/api/v1/lots/3/end" {
		t.Errorf("%s, %v", got.URL, err)
	}
	c, _ = served(t, 200, "application/json", `[{"id":2,"name":"clips"},{"id":1}]`)
	if lots, err := c.Lots(t.Context()); err != nil || len(lots) != 2 || lots[0].Name != "clips" {
		t.Errorf("%+v, %v", lots, err)
	}
}

func TestProblems(t *testing.T) {
	for _, k := range []struct {
		status     int
		kind, body string
		want       string
	}{
		{409, "application/problem+json", `{"type":"about:blank","title":"Conflict","status":409,"detail":"cannot hold: the machine is Idle","remedy":"start it"}`, "cannot hold: the machine is Idle; start it"},
		{404, "text/plain", "404 page not found\n", "404 page not found"},
		{502, "text/html", "<html>", "the answer was 502 Bad Gateway"},
		{500, "application/problem+json", "{", "{"},
		{302, "", "", "the answer was 302 Found"},
	} {
		c, _ := served(t, k.status, k.kind, k.body)
		s, err := c.Status(t.Context())
		var p *Problem
		if !errors.As(err, &p) || p.Status != k.status || err.Error() != k.want || s != nil {
			t.Errorf("%d %s: %v, want %s", k.status, k.body, err, k.want)
		}
	}
	c, _ := served(t, 200, "text/plain", "hello")
	if _, err := c.Status(t.Context()); err == nil || !strings.Contains(err.Error(), "cannot read the answer") {
		t.Errorf("an answer that is no JSON: %v", err)
	}
}

func TestUnreachable(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s")
	for _, address := range []string{path, "http://127.0.0.1:1"} {
		_, err := New(address).Status(t.Context())
		var u *UnreachableError
		if !errors.As(err, &u) || u.Address != address ||
			!strings.HasPrefix(err.Error(), "cannot reach the daemon at "+address+": ") ||
			!strings.HasSuffix(err.Error(), "; start it with: beltwarden serve --config FILE") {
			t.Errorf("%v", err)
		}
	}
}

// Whoever cannot be trusted, or does not speak TLS, has been sent nothing.
func TestNothingIsSentUnseen(t *testing.T) {
	came := http.HandlerFunc(func(http.ResponseWriter, *http.Request) { t.Error("the request was sent") })
	strange, open := httptest.NewTLSServer(came), httptest.NewServer(came)
	defer strange.Close()
	defer open.Close()
	strange.Config.ErrorLog = log.New(io.Discard, "", 0) // it hears that it is not trusted
	for address, want := range map[string]string{strange.URL: "certificate", strings.Replace(open.URL, "http:", "https:", 1): "HTTP response to HTTPS client"} {
		c := New(address, WithSecret("glass-front-door-17"))
		defer c.Close()
		_, err := c.Command(t.Context(), CommandRequest{Command: supervisor.Start})
		var u *UnreachableError
		if !errors.As(err, &u) || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
}

// A daemon that ends while a connection to it is kept is away for whoever reads; what acts may have been carried out.
func TestEndOfAKeptConnection(t *testing.T) {
	for name, c := range map[string]struct {
		ask  func(*Client) error
		lost bool
	}{
		"reads": {func(c *Client) error { _, err := c.Status(t.Context()); return err }, false},
		"acts": {func(c *Client) error {
			_, err := c.Command(t.Context(), CommandRequest{Command: supervisor.Start})
			return err
		}, true},
	} {
		t.Run(name, func(t *testing.T) {
			l, err := net.Listen("unix", filepath.Join(t.TempDir(), "s"))
			if err != nil {
				t.Fatal(err)
			}
			asked := 0
			s := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
				if asked++; asked == 1 {
					fmt.Fprint(w, "{}")
					return
				}
				_ = l.Close() // and the path is gone
				if conn, _, err := http.NewResponseController(w).Hijack(); err == nil {
					_ = conn.Close()
				}
			})}
			served := make(chan struct{})
			go func() { defer close(served); _ = s.Serve(l) }()
			defer func() { _ = s.Close(); <-served }()
			client := New(l.Addr().String())
			defer client.Close()
			if _, err := client.Status(t.Context()); err != nil {
				t.Fatal(err)
			}
			err = c.ask(client)
			var away *UnreachableError
			var lost *LostError
			if errors.As(err, &lost) != c.lost || errors.As(err, &away) == c.lost {
				t.Errorf("%T: %v", err, err)
			}
		})
	}
}

// A caller who gives up does not read that the daemon is away.
func TestGivingUp(t *testing.T) {
	l, err := net.Listen("unix", filepath.Join(t.TempDir(), "s"))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close() // nobody answers: the connection waits to be accepted
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = New(l.Addr().String()).Status(ctx)
	var u *UnreachableError
	if !errors.Is(err, context.Canceled) || errors.As(err, &u) {
		t.Errorf("%v", err)
	}
}

// A connection that breaks after the request went out leaves its fate open.
func TestLostAnswer(t *testing.T) {
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		c, _, err := http.NewResponseController(w).Hijack()
		if err == nil {
			c.Close()
		}
	}))
	defer s.Close()
	c := New(s.URL)
	defer c.Close()
	_, err := c.Command(t.Context(), CommandRequest{Command: supervisor.Start})
	var lost *LostError
	if !errors.As(err, &lost) || !strings.Contains(err.Error(), "may or may not have carried out the request") {
		t.Errorf("%v", err)
	}
}
