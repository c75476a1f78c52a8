package app

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"
)

// web is a network in memory: receivers of alerts in virtual time, each with its bad hours.
type web struct {
	mu   sync.Mutex
	got  map[string][]call // by receiver
	bad  map[string]func(now time.Time) string
	conn sync.WaitGroup

	phone  *http.Server
	phones chan net.Conn
}

// call is a message that a receiver has taken, and acknowledged.
type call struct {
	at  time.Time
	ids []string // of alerts; of a mail the identity of the message alone
}

func newWeb() *web {
	w := &web{got: map[string][]call{}, bad: map[string]func(time.Time) string{}, phones: make(chan net.Conn)}
	w.phone = &http.Server{Handler: http.HandlerFunc(w.serve)}
	w.conn.Go(func() { _ = w.phone.Serve(w) })
	return w
}

// Accept, Close and Addr make it a net.Listener for the receivers that are called by HTTP.
func (w *web) Accept() (net.Conn, error) {
	c, ok := <-w.phones
	if !ok {
		return nil, net.ErrClosed
	}
	return c, nil
}

func (w *web) Close() error   { return nil }
func (w *web) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(192, 0, 2, 1), Port: 80} }

func (w *web) shut() {
	close(w.phones)
	_ = w.phone.Close()
	w.conn.Wait()
}

// mood is how a receiver is just now.
func (w *web) mood(name string) string {
	if f := w.bad[name]; f != nil {
		return f(time.Now())
	}
	return ""
}

// dial is the way to all of them.
func (w *web) dial(ctx context.Context, _, address string) (net.Conn, error) {
	host, _, _ := net.SplitHostPort(address)
	name, _, _ := strings.Cut(host, ".")
	if w.mood(name) == "away" {
		return nil, &net.OpError{Op: "dial", Net: "tcp", Err: errors.New("no route to host")}
	}
	near, far := net.Pipe()
	if name == "mail" {
		w.conn.Go(func() { w.letterbox(far) })
		return near, nil
	}
	select {
	case w.phones <- far:
		return near, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// serve takes a message, or does what the receiver does in its bad hours.
func (w *web) serve(rw http.ResponseWriter, r *http.Request) {
	name, _, _ := strings.Cut(r.Host, ".")
	data, err := io.ReadAll(r.Body)
	var m struct {
		ID     string   `json:"id"`
		Alerts []string `json:"alerts"`
	}
	if err != nil || json.Unmarshal(data, &m) != nil {
		rw.WriteHeader(http.StatusTeapot)
		return
	}
	switch w.mood(name) {
	case "refuses":
		rw.WriteHeader(http.StatusForbidden)
		return
	case "busy":
		rw.WriteHeader(http.StatusServiceUnavailable)
		return
	case "hangs":
		<-r.Context().Done()
		return
	case "slow":
		select {
		case <-time.After(8 * time.Second):
		case <-r.Context().Done(): // nobody waits for the answer: it does not count
			return
		}
	}
	if m.Alerts == nil {
		m.Alerts = []string{m.ID}
	}
	w.take(name, m.Alerts...)
}

func (w *web) take(name string, ids ...string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.got[name] = append(w.got[name], call{time.Now(), ids})
}

// letterbox is a mail server for one connection, by RFC 5321.
func (w *web) letterbox(c net.Conn) {
	defer c.Close()
	in := bufio.NewReader(c)
	say := func(line string) { _, _ = fmt.Fprintf(c, "%s\r\n", line) }
	say("220 mail.example ready")
	for {
		line, err := in.ReadString('\n')
		if err != nil {
			return
		}
		switch verb, _, _ := strings.Cut(strings.ToUpper(strings.TrimSpace(line)), " "); verb {
		case "EHLO", "HELO":
			say("250 mail.example")
		case "DATA":
			if w.mood("mail") == "busy" {
				say("451 try again later")
				continue
			}
			say("354 go on")
			id := ""
			for line != ".\r\n" {
				if line, err = in.ReadString('\n'); err != nil {
					return
				}
				if of, ok := strings.CutPrefix(line, "X-Beltwarden-Alert-Id: "); ok {
					id = strings.TrimSpace(of)
				}
			}
			w.take("mail", id)
			say("250 taken")
		case "QUIT":
			say("221 bye")
			return
		default:
			say("250 ok")
		}
	}
}
