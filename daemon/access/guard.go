// Package access decides who may ask the daemon what over HTTP: the local user by
// the permissions of the socket, others by a secret.
package access

import (
	"crypto/sha256"
	"crypto/subtle"
	"net"
	"net/http"
	"net/netip"
	"strings"

	"beltwarden/daemon/client"
)

// Options say who is let in.
type Options struct {
	// Secret, when not empty, must be given as a bearer token by every request that
	// does not come over the local socket.
	Secret string
}

// Guard lets in who may come in. The socket is guarded by its permissions. Over
// TCP the secret is asked for if there is one; without one only a program on this
// computer may speak, and not a web page that a browser on it happens to show.
func Guard(o Options, next http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		client.Refuse(w, http.StatusForbidden, "the request comes from a page of another site", "use the command line or this daemon's own pages")
	}))
	want := sha256.Sum256([]byte(o.Secret))
	return cross.Handler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("X-Content-Type-Options", "nosniff")
		w.Header().Set("Content-Security-Policy", "default-src 'self'; frame-ancestors 'none'")
		r = bounded(w, r)
		switch {
		case Local(r) || r.URL.Path == "/healthz":
		case o.Secret != "":
			token, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
			got := sha256.Sum256([]byte(token))
			if !ok || subtle.ConstantTimeCompare(got[:], want[:]) != 1 {
				w.Header().Set("WWW-Authenticate", `Bearer realm="beltwarden"`)
				client.Refuse(w, http.StatusUnauthorized, "this address asks for a secret", "send it as: Authorization: Bearer SECRET")
				return
			}
		case !ownHost(r.Host):
			// A page whose name was made to resolve to this computer would pass for
			// one of our own; the name it was called by gives it away.
			client.Refuse(w, http.StatusMisdirectedRequest, "the daemon is called by a name that is not this computer's",
				"use 127.0.0.1, [::1] or localhost")
			return
		}
		next.ServeHTTP(w, r)
	}))
}

// ownHost reports whether a Host header names a loopback address.
func ownHost(host string) bool {
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	}
	name = strings.Trim(name, "[]")
	if strings.EqualFold(name, "localhost") {
		return true
	}
	a, err := netip.ParseAddr(name)
	return err == nil && a.IsLoopback()
}
