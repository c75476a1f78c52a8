package access

import (
	"context"
	"net"
	"net/http"
	"os/user"
	"strconv"

	"golang.org/x/sys/unix"
)

// peerKey is the context key under which a connection over the socket keeps the
// name of the user at its other end.
type peerKey struct{}

// ConnContext is for http.Server: it remembers who is at the other end of a
// connection over the local socket.
func ConnContext(ctx context.Context, c net.Conn) context.Context {
	s, ok := c.(*net.UnixConn)
	if !ok {
		return ctx
	}
	return context.WithValue(ctx, peerKey{}, peerName(s))
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

// LoggedIn reports whether a request belongs to a session that can be ended.
func LoggedIn(r *http.Request) bool { return r.Context().Value(sessionKey{}) != nil }

// Who is who asks: as said in the request, or as the kernel knows.
func Who(r *http.Request, said string) string {
	if said != "" {
		return said
	}
	if name, ok := r.Context().Value(peerKey{}).(string); ok {
		return name
	}
	return "an operator over the network"
}
