package app

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// piped is a listener without a network, for servers in virtual time.
type piped struct{ conns chan net.Conn }

func (p piped) Accept() (net.Conn, error) {
	if c, ok := <-p.conns; ok {
		return c, nil
	}
	return nil, net.ErrClosed
}

func (p piped) Close() error   { close(p.conns); return nil }
func (p piped) Addr() net.Addr { return &net.TCPAddr{} }

// TestSlowAndGreedyClients: who keeps a connection without doing anything with it loses it in
// time, whichever way: silent, with half a header, with a body by drops, with an answer that he
// does not take, between two requests. Too long a header is refused.
func TestSlowAndGreedyClients(t *testing.T) {
	const whole = "GET / HTTP/1.1\r\nHost: x\r\n\r\n"
	for name, c := range map[string]struct {
		client func(net.Conn)
		within time.Duration
	}{
		"silent":        {func(net.Conn) {}, 5 * time.Second},
		"half a header": {func(c net.Conn) { _, _ = io.WriteString(c, whole[:20]) }, 5 * time.Second},
		"a header by drops": {func(c net.Conn) {
			for _, b := range []byte(whole + strings.Repeat("x", 100)) {
				if _, err := c.Write([]byte{b}); err != nil {
					return
				}
				time.Sleep(time.Second)
			}
		}, 5 * time.Second},
		"a body by drops": {func(c net.Conn) {
			_, _ = io.WriteString(c, "POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 1000\r\n\r\n")
			for {
				if _, err := c.Write([]byte{'x'}); err != nil {
					return
				}
				time.Sleep(time.Second)
			}
		}, 31 * time.Second},
		"an answer not taken": {func(c net.Conn) { _, _ = io.WriteString(c, whole) }, 31 * time.Second},
		"idle after a request": {func(c net.Conn) {
			_, _ = io.WriteString(c, "HEAD / HTTP/1.1\r\nHost: x\r\n\r\n")
		}, 121 * time.Second},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ours, theirs := net.Pipe()
				ended := make(chan struct{})
				l := piped{make(chan net.Conn, 1)}
				l.conns <- watched{ours, ended}
				server := newServer(context.Background(), http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
					_, _ = io.Copy(io.Discard, r.Body)
					_, _ = w.Write(bytes.Repeat([]byte("belt"), 1<<18))
				}), log.New(io.Discard, "", 0))
				served := make(chan error, 1)
				go func() { served <- server.Serve(l) }()
				began := time.Now()
				var clients sync.WaitGroup
				clients.Go(func() { c.client(theirs) })
				if name != "an answer not taken" {
					clients.Go(func() { _, _ = io.Copy(io.Discard, theirs) })
				}
				select {
				case <-ended:
					if took := time.Since(began); took > c.within {
						t.Errorf("ended after %v", took)
					}
				case <-time.After(time.Hour):
					t.Error("the connection is kept for ever")
				}
				_ = theirs.Close()
				clients.Wait()
				_ = server.Close()
				if err := <-served; !errors.Is(err, http.ErrServerClosed) && !errors.Is(err, net.ErrClosed) {
					t.Error(err)
				}
			})
		})
	}
	c, r := locked(t), machine(t)
	a := start(t, Options{Config: c, Opener: r.Open})
	if status, _ := say(t, a.Addr(), "GET /healthz HTTP/1.1\r\nHost: 127.0.0.1\r\nX: "+strings.Repeat("x", 80<<10)+"\r\n\r\n"); status != http.StatusRequestHeaderFieldsTooLarge {
		t.Errorf("a header of 80 KiB: %d", status)
	}
}

// watched tells when the server has closed a connection.
type watched struct {
	net.Conn
	ended chan struct{}
}

func (w watched) Close() error {
	err := w.Conn.Close()
	select {
	case <-w.ended:
	default:
		close(w.ended)
	}
	return err
}
