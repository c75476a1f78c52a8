package access

import (
	"context"
	"crypto/tls"
	"net"
	"net/http"
	"os/user"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// peerKey is the context key under which a connection over the socket keeps the
// name of the user at its other end.
type peerKey struct{}

// RoleConn is a connection that is told the role of each request admitted on it.
type RoleConn interface{ Admitted(Role) }

// roleConnKey is the context key of the RoleConn that a request came on.
type roleConnKey struct{}

// ConnContext is for http.Server: it keeps in the context who is at the other end of a
// connection over the local socket, or the connection if it is a RoleConn.
func ConnContext(ctx context.Context, c net.Conn) context.Context {
	switch c := Inner(c).(type) {
	case *net.UnixConn:
		return context.WithValue(ctx, peerKey{}, peerName(c))
	case RoleConn:
		return context.WithValue(ctx, roleConnKey{}, c)
	}
	return ctx
}

// Inner returns the connection below TLS.
func Inner(c net.Conn) net.Conn {
	if t, ok := c.(*tls.Conn); ok {
		return t.NetConn()
	}
	return c
}

// peerName asks the kernel who has connected.
func peerName(c *net.UnixConn) string {
	const unknown = "local user"
	raw, err := c.SyscallConn()
	if err != nil {
		return unknown
	}
	var cred *unix.Ucred
	var failed error
	if err := raw.Control(func(fd uintptr) {
		cred, failed = unix.GetsockoptUcred(int(fd), unix.SOL_SOCKET, unix.SO_PEERCRED)
	}); err != nil || failed != nil {
		return unknown
	}
	id := strconv.FormatUint(uint64(cred.Uid), 10)
	if u, err := user.LookupId(id); err == nil && u.Username != "" {
		return u.Username
	}
	return "user " + id
}

// Local reports whether a request came over the local socket.
func Local(r *http.Request) bool { return r.Context().Value(peerKey{}) != nil }

// HasSession reports whether a request belongs to a session that can be ended.
func HasSession(r *http.Request) bool { return r.Context().Value(sessionKey{}) != nil }

// Actor returns who makes a request, for the ledger: the name given in it and, in round brackets,
// the user that the kernel reports at the other end of the socket, as in "Anna (maria)". Round
// brackets in the given name become square ones, so that nobody can claim to be a known user.
func Actor(r *http.Request, said string) string {
	said = strings.NewReplacer("(", "[", ")", "]").Replace(said)
	known, _ := r.Context().Value(peerKey{}).(string)
	switch {
	case said == "" && known == "":
		return "an operator over the network"
	case known == "" || said == known:
		return said
	case said == "":
		return known
	}
	return said + " (" + known + ")"
}
