package api

import (
	"bufio"
	"errors"
	"fmt"
	"net"
	"net/http"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// wires hands the server connections that stay in the bubble of a test.
type wires chan net.Conn

func (w wires) Accept() (net.Conn, error) {
	c, open := <-w
	if !open {
		return nil, errors.New("closed")
	}
	return c, nil
}
func (w wires) Close() error   { return nil }
func (w wires) Addr() net.Addr { return &net.UnixAddr{Name: "bubble", Net: "unix"} }

// An upload may take long as long as it keeps coming, and no longer; other bodies
// must come within the server's bound.
func TestSlowBodies(t *testing.T) {
	for _, c := range []struct {
		name, path string
		every      time.Duration // between two pieces
		piece      int           // bytes
		pieces     int
		want       string // status, in virtual time
		most       time.Duration
	}{
		{"a large file over a slow line", "/api/v1/jobs?name=clip.gcode", 10 * time.Second, 20_000, 60, "201", 11 * time.Minute},
		{"silence", "/api/v1/jobs?name=clip.gcode", time.Hour, 10, 2, "408", time.Minute},
		{"a byte now and then", "/api/v1/jobs?name=clip.gcode", 10 * time.Second, 1, 1000, "408", 2 * time.Minute},
		{"a command, byte by byte", "/api/v1/commands", 10 * time.Second, 1, 1000, "", time.Minute},
	} {
		t.Run(c.name, func(t *testing.T) {
			b, s := withShelf(t, 32<<20)
			synctest.Test(t, func(t *testing.T) {
				server := &http.Server{Handler: b.plain, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 30 * time.Second, WriteTimeout: 30 * time.Second}
				listener := make(wires, 1)
				served := make(chan struct{})
				go func() { defer close(served); _ = server.Serve(listener) }()
				mine, its := net.Pipe()
				listener <- its
				began := time.Now()
				sent := make(chan struct{})
				go func() {
					defer close(sent)
					fmt.Fprintf(mine, "POST %s HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/octet-stream\r\nContent-Length: %d\r\n\r\n", c.path, c.piece*c.pieces)
					for range c.pieces {
						if _, err := mine.Write([]byte(strings.Repeat("x", c.piece))); err != nil {
							return
						}
						time.Sleep(c.every)
					}
				}()
				line, _ := bufio.NewReader(mine).ReadString('\n') // "" when the server has hung up
				if took := time.Since(began); !strings.Contains(line, c.want) || took > c.most {
					t.Errorf("%q after %s", line, took)
				}
				_ = mine.Close()
				close(listener)
				<-served
				<-sent
				_ = server.Close()
			})
			list, err := s.List()
			if stored := len(list) == 1; err != nil || stored != (c.want == "201") {
				t.Errorf("the folder holds %+v, %v", list, err)
			}
		})
	}
}
