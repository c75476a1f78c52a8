package app

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"
)

// idle opens a connection by which one request was answered, and which stays open.
func idle(t *testing.T, address, lines string) net.Conn {
	t.Helper()
	conn, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	_ = conn.SetDeadline(time.Now().Add(time.Minute))
	fmt.Fprintf(conn, "GET /healthz HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
	if lines != "" {
		fmt.Fprintf(conn, "GET /api/v1/status HTTP/1.1\r\nHost: 127.0.0.1\r\n%s\r\n", lines)
	}
	in := bufio.NewReader(conn)
	for n := strings.Count(lines, "\r\n"); n >= 0; n-- {
		res, err := http.ReadResponse(in, nil)
		if err != nil {
			t.Fatal(err)
		}
		_, _ = io.Copy(io.Discard, res.Body)
		_ = res.Body.Close()
	}
	return conn
}

// stillOpen reports whether the daemon has left a connection open. It waits a little, since the
// end of one travels.
func stillOpen(conn net.Conn) bool {
	_ = conn.SetReadDeadline(time.Now().Add(200 * time.Millisecond))
	_, err := conn.Read(make([]byte, 1))
	return os.IsTimeout(err)
}

// TestStrangersShutNobodyOut: connections that a stranger leaves open make room, his own
// first, and soon end by themselves; those of who has given a secret stay; lookers take no
// places of operators.
func TestStrangersShutNobodyOut(t *testing.T) {
	c, r := locked(t), machine(t)
	a := start(t, Options{Config: c, Opener: r.Open})
	mine := idle(t, a.Addr(), "Authorization: Bearer "+operates+"\r\n")
	look := idle(t, a.Addr(), "Authorization: Bearer "+looks+"\r\n")
	var theirs []net.Conn
	for range 300 {
		theirs = append(theirs, idle(t, a.Addr(), ""))
	}
	if status, _ := ask(t, &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: 5 * time.Second}, "GET", "http://"+a.Addr()+"/api/v1/status", "", "Authorization: Bearer "+operates); status != http.StatusOK {
		t.Errorf("an operator among them: %d", status)
	}
	if stillOpen(theirs[0]) {
		t.Error("the longest idle one of the stranger stays")
	}
	if n := strangersOf(a); n > mostOfAddress {
		t.Errorf("%d connections of one stranger are open", n)
	}
	until(t, "the stranger's connections end by themselves", func() bool { return strangersOf(a) == 0 })
	if !stillOpen(mine) || !stillOpen(look) {
		t.Error("who had given a secret was cut off")
	}
	for range mostConnections + 10 {
		idle(t, a.Addr(), "Authorization: Bearer "+looks+"\r\n")
	}
	if !stillOpen(mine) {
		t.Error("lookers have cut off an operator")
	}
	if stillOpen(look) {
		t.Error("the looker that was idle for longest stays")
	}
}

// strangersOf counts connections by which no secret has come.
func strangersOf(a *App) int {
	a.crowd.mu.Lock()
	defer a.crowd.mu.Unlock()
	return len(a.crowd.guests[0])
}
