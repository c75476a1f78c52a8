package app

import (
	"net"
	"sync"
)

// mostConnections bounds those over the network. Descriptors are needed for the
// board's port and the ledger too.
const mostConnections = 300

// crowd is a listener that lets in so many connections at one time; more wait outside.
type crowd struct {
	net.Listener
	places chan struct{}
	closed chan struct{}
	once   sync.Once
}

func newCrowd(l net.Listener, most int) *crowd {
	return &crowd{Listener: l, places: make(chan struct{}, most), closed: make(chan struct{})}
}

// Accept implements net.Listener.
func (c *crowd) Accept() (net.Conn, error) {
	select {
	case c.places <- struct{}{}:
	case <-c.closed:
		return nil, net.ErrClosed
	}
	conn, err := c.Listener.Accept()
	if err != nil {
		<-c.places
		return nil, err
	}
	return &guest{Conn: conn, leave: sync.OnceFunc(func() { <-c.places })}, nil
}

// Close implements net.Listener.
func (c *crowd) Close() error {
	c.once.Do(func() { close(c.closed) })
	return c.Listener.Close()
}

// guest is a connection that gives its place back.
type guest struct {
	net.Conn
	leave func()
}

// Close implements net.Conn.
func (g *guest) Close() error {
	defer g.leave()
	return g.Conn.Close()
}
