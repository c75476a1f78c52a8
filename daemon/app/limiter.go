package app

import (
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"

	"beltwarden/daemon/access"
)

// Bounds on network connections, which leave descriptors for the board's port and the ledger.
// Each role has its own number of connections, so that nobody can use up those of another role. A
// new connection is always accepted: beyond the bound the one that has been idle for longest is
// closed.
const (
	maxConnections = 120             // of each role, None included
	maxPerAddress  = 24              // of role None, from one address or IPv6 network
	unprovedIdle   = 5 * time.Second // between two requests, of role None
)

// limiter is a listener that keeps to these bounds.
type limiter struct {
	net.Listener
	proxy netip.Prefix // asks for many: the bound on one address does not hold for it

	mu    sync.Mutex
	conns [access.Operate + 1]map[*limitedConn]bool // by the highest role proved
}

func newLimiter(l net.Listener, proxy netip.Prefix) *limiter {
	c := &limiter{Listener: l, proxy: proxy}
	for role := range c.conns {
		c.conns[role] = map[*limitedConn]bool{}
	}
	return c
}

// Accept implements net.Listener.
func (c *limiter) Accept() (net.Conn, error) {
	conn, err := c.Listener.Accept()
	if err != nil {
		return nil, err
	}
	g := &limitedConn{Conn: conn, limiter: c, since: time.Now()}
	if a, ok := conn.RemoteAddr().(*net.TCPAddr); ok {
		from := a.AddrPort().Addr().Unmap().WithZone("")
		g.from, _ = from.Prefix(min(from.BitLen(), 64)) // of an address that is one
		g.many = c.proxy.Contains(from)
	}
	c.mu.Lock()
	room := c.evictFor(g, access.None)
	c.conns[access.None][g] = true
	c.mu.Unlock()
	if room != nil {
		_ = room.Close()
	}
	return g, nil
}

// evictFor returns the connection to close so that another fits into a role; nil for none. The
// lock must be held.
func (c *limiter) evictFor(g *limitedConn, role access.Role) *limitedConn {
	var all, same *limitedConn
	neighbours := 0
	longer := func(x, than *limitedConn) bool {
		if than == nil || x.busy != than.busy {
			return than == nil || than.busy
		}
		return x.since.Before(than.since)
	}
	for x := range c.conns[role] {
		if longer(x, all) {
			all = x
		}
		if x.from == g.from {
			if neighbours++; longer(x, same) {
				same = x
			}
		}
	}
	switch {
	case role == access.None && neighbours >= maxPerAddress && !g.many:
		return same
	case len(c.conns[role]) >= maxConnections:
		return all
	}
	return nil
}

// State is for http.Server: it notes which connections wait for a request.
func (c *limiter) State(conn net.Conn, state http.ConnState) {
	g, ok := access.Inner(conn).(*limitedConn)
	if !ok {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if g.idleEnd != nil {
		g.idleEnd.Stop()
	}
	switch state {
	case http.StateActive:
		g.busy, g.since = true, time.Now()
	case http.StateIdle:
		g.busy, g.since = false, time.Now()
		if g.role == access.None {
			g.idleEnd = time.AfterFunc(unprovedIdle, func() { _ = g.Close() })
		}
	}
}

// limitedConn is one connection of a limiter. Its fields are guarded by the limiter's lock.
type limitedConn struct {
	net.Conn
	limiter *limiter
	from    netip.Prefix // its address, or the IPv6 network that one person has whole
	many    bool         // it is the proxy's
	role    access.Role
	busy    bool        // with a request
	since   time.Time   // it is, or is not
	idleEnd *time.Timer // ends it; nil or stopped when it may stay
}

// Admitted implements access.RoleConn: the connection takes a place of its role.
func (g *limitedConn) Admitted(role access.Role) {
	c := g.limiter
	c.mu.Lock()
	var room *limitedConn
	if role > g.role && c.conns[g.role][g] {
		room = c.evictFor(g, role)
		delete(c.conns[g.role], g)
		g.role = role
		c.conns[role][g] = true
	}
	c.mu.Unlock()
	if room != nil {
		_ = room.Close()
	}
}

// Close implements net.Conn.
func (g *limitedConn) Close() error {
	g.limiter.mu.Lock()
	delete(g.limiter.conns[g.role], g)
	if g.idleEnd != nil {
		g.idleEnd.Stop()
	}
	g.limiter.mu.Unlock()
	return g.Conn.Close()
}
