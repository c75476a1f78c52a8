package app

import (
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"

	"beltwarden/daemon/access"
)

// Bounds on connections over the network. Each role has places of its own, so that nobody
// takes those of another, and a newcomer always comes in: where there is no place left, the
// connection that has been idle for longest goes. Descriptors are needed for the board's
// port and the ledger too.
const (
	mostConnections = 120             // of each role, and of those by which no secret has come
	mostOfAddress   = 24              // of the latter, from one address or IPv6 network
	strangersIdle   = 5 * time.Second // between two requests, of the latter
)

// crowd is a listener that keeps to these bounds.
type crowd struct {
	net.Listener
	proxy netip.Prefix // asks for many: the bound on one address does not hold for it

	mu     sync.Mutex
	guests [access.Operate + 1]map[*guest]bool // by the highest role proved
}

func newCrowd(l net.Listener, proxy netip.Prefix) *crowd {
	c := &crowd{Listener: l, proxy: proxy}
	for role := range c.guests {
		c.guests[role] = map[*guest]bool{}
	}
	return c
}

// Accept implements net.Listener.
func (c *crowd) Accept() (net.Conn, error) {
	conn, err := c.Listener.Accept()
	if err != nil {
		return nil, err
	}
	g := &guest{Conn: conn, crowd: c, since: time.Now()}
	if a, ok := conn.RemoteAddr().(*net.TCPAddr); ok {
		from := a.AddrPort().Addr().Unmap().WithZone("")
		g.from, _ = from.Prefix(min(from.BitLen(), 64)) // of an address that is one
		g.many = c.proxy.Contains(from)
	}
	c.mu.Lock()
	room := c.roomFor(g, access.None)
	c.guests[access.None][g] = true
	c.mu.Unlock()
	if room != nil {
		_ = room.Close()
	}
	return g, nil
}

// roomFor returns the connection that must go for another to have a place in a role; nil for
// none. The lock is held.
func (c *crowd) roomFor(g *guest, role access.Role) *guest {
	var all, same *guest
	neighbours := 0
	longer := func(x, than *guest) bool {
		if than == nil || x.busy != than.busy {
			return than == nil || than.busy
		}
		return x.since.Before(than.since)
	}
	for x := range c.guests[role] {
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
	case role == access.None && neighbours >= mostOfAddress && !g.many:
		return same
	case len(c.guests[role]) >= mostConnections:
		return all
	}
	return nil
}

// State is for http.Server: it notes which connections wait for a request.
func (c *crowd) State(conn net.Conn, state http.ConnState) {
	g, ok := access.Inner(conn).(*guest)
	if !ok {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if g.bored != nil {
		g.bored.Stop()
	}
	switch state {
	case http.StateActive:
		g.busy, g.since = true, time.Now()
	case http.StateIdle:
		g.busy, g.since = false, time.Now()
		if g.role == access.None {
			g.bored = time.AfterFunc(strangersIdle, func() { _ = g.Close() })
		}
	}
}

// guest is one connection of a crowd. Its fields are guarded by the crowd's lock.
type guest struct {
	net.Conn
	crowd *crowd
	from  netip.Prefix // its address, or the IPv6 network that one person has whole
	many  bool         // it is the proxy's
	role  access.Role
	busy  bool        // with a request
	since time.Time   // it is, or is not
	bored *time.Timer // ends it; nil or stopped when it may stay
}

// Proved implements access.Visitor: the connection takes a place of its role.
func (g *guest) Proved(role access.Role) {
	c := g.crowd
	c.mu.Lock()
	var room *guest
	if role > g.role && c.guests[g.role][g] {
		room = c.roomFor(g, role)
		delete(c.guests[g.role], g)
		g.role = role
		c.guests[role][g] = true
	}
	c.mu.Unlock()
	if room != nil {
		_ = room.Close()
	}
}

// Close implements net.Conn.
func (g *guest) Close() error {
	g.crowd.mu.Lock()
	delete(g.crowd.guests[g.role], g)
	if g.bored != nil {
		g.bored.Stop()
	}
	g.crowd.mu.Unlock()
	return g.Conn.Close()
}
