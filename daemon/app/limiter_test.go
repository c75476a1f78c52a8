package app

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"beltwarden/daemon/access"
)

// idle opens a connection by which one request was answered, and which stays open.
func idle(t *testing.T, address, lines string) net.Conn {
	t.Helper()
	conn, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	_ = conn.SetDeadline(time.Now().Add(patience))
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

// stillOpen reports whether the daemon has left a connection open, by its own account.
func stillOpen(a *App, conn net.Conn) bool {
	a.limiter.mu.Lock()
	defer a.limiter.mu.Unlock()
	for _, conns := range a.limiter.conns {
		for g := range conns {
			if g.RemoteAddr().String() == conn.LocalAddr().String() {
				return true
			}
		}
	}
	return false
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
	if status, _ := ask(t, &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: patience}, "GET", "http://"+a.Addr()+"/api/v1/status", "", "Authorization: Bearer "+operates); status != http.StatusOK {
		t.Errorf("an operator among them: %d", status)
	}
	if stillOpen(a, theirs[0]) {
		t.Error("the longest idle one of the stranger stays")
	}
	if n := strangersOf(a); n > maxPerAddress {
		t.Errorf("%d connections of one stranger are open", n)
	}
	until(t, "the stranger's connections end by themselves", func() bool { return strangersOf(a) == 0 })
	if !stillOpen(a, mine) || !stillOpen(a, look) {
		t.Error("who had given a secret was cut off")
	}
	for range maxConnections + 10 {
		idle(t, a.Addr(), "Authorization: Bearer "+looks+"\r\n")
	}
	if !stillOpen(a, mine) {
		t.Error("lookers have cut off an operator")
	}
	if stillOpen(a, look) {
		t.Error("the looker that was idle for longest stays")
	}
}

// strangersOf counts connections by which no secret has come.
func strangersOf(a *App) int {
	a.limiter.mu.Lock()
	defer a.limiter.mu.Unlock()
	return len(a.limiter.conns[0])
}

// from is a connection from an address.
type from struct {
	net.Conn
	address string
}

func (f from) RemoteAddr() net.Addr {
	return net.TCPAddrFromAddrPort(netip.MustParseAddrPort(f.address))
}

// TestWhoMakesRoom: one address, or one IPv6 network, takes no more places than are its own,
// and a proxy that asks for many is no one; who is idle goes before who waits for an answer,
// and of those who wait he who has waited for longest.
func TestWhoMakesRoom(t *testing.T) {
	for name, c := range map[string]struct {
		address func(i int) string
		come    int
		stay    int
	}{
		"one address":      {func(i int) string { return fmt.Sprintf("192.0.2.7:%d", 1000+i) }, 60, maxPerAddress},
		"one IPv6 network": {func(i int) string { return fmt.Sprintf("[2001:db8::%x]:1000", i+1) }, 60, maxPerAddress},
		"IPv4 in IPv6":     {func(i int) string { return fmt.Sprintf("[::ffff:192.0.2.7]:%d", 1000+i) }, 60, maxPerAddress},
		"neighbours":       {func(i int) string { return fmt.Sprintf("192.0.2.%d:1000", i+1) }, 60, 60},
		"many":             {func(i int) string { return fmt.Sprintf("192.0.%d.%d:1000", i/200, i%200+1) }, 300, maxConnections},
		"the proxy":        {func(i int) string { return fmt.Sprintf("127.0.0.1:%d", 1000+i) }, 60, 60},
		"too much proxy":   {func(i int) string { return fmt.Sprintf("127.0.0.1:%d", 1000+i) }, 300, maxConnections},
	} {
		t.Run(name, func(t *testing.T) {
			l := piped{make(chan net.Conn, 1)}
			limiter := newLimiter(l, netip.MustParsePrefix("127.0.0.1/32"))
			for i := range c.come {
				_, theirs := net.Pipe()
				l.conns <- from{theirs, c.address(i)}
				if _, err := limiter.Accept(); err != nil {
					t.Fatal(err)
				}
			}
			if n := len(limiter.conns[access.None]); n != c.stay {
				t.Errorf("%d of %d are here, want %d", n, c.come, c.stay)
			}
		})
	}
	synctest.Test(t, func(t *testing.T) {
		l := piped{make(chan net.Conn, 1)}
		limiter := newLimiter(l, netip.Prefix{})
		come := func() net.Conn {
			_, theirs := net.Pipe()
			l.conns <- from{theirs, "192.0.2.7:1000"}
			g, err := limiter.Accept()
			if err != nil {
				t.Fatal(err)
			}
			time.Sleep(time.Millisecond)
			return g
		}
		is := func(conn net.Conn) bool {
			limiter.mu.Lock()
			defer limiter.mu.Unlock()
			return limiter.conns[access.None][conn.(*limitedConn)]
		}
		var all []net.Conn
		for range maxPerAddress {
			g := come()
			limiter.State(g, http.StateActive)
			all = append(all, g)
		}
		limiter.State(all[5], http.StateIdle)
		come()
		if is(all[5]) || !is(all[0]) {
			t.Error("one that waits for an answer has made room for the newcomer, and one that is idle has not")
		}
		last := come() // the newest is idle until it asks
		if !is(all[0]) {
			t.Error("a newcomer has pushed out who waits for an answer, with another newcomer there")
		}
		limiter.State(last, http.StateActive)
		come()
		if is(all[0]) || !is(all[1]) {
			t.Error("of those who wait the wrong one has gone")
		}
		for _, g := range all {
			_ = g.Close()
		}
		_ = last.Close()
	})
}
