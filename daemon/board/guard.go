package board

import (
	"crypto/sha256"
	"crypto/subtle"
	"net"
	"net/http"
	"net/netip"
	"strings"

	"beltwarden/daemon/client"
)

// guard lets in who may come in. The socket is guarded by its permissions. Over
// TCP the secret is asked for if there is one; without one only a program on this
// computer may speak, and not a web page that a browser on it happens to show.
func (b *board) guard(next http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		refuse(w, http.StatusForbidden, "the request comes from a page of another site", "use the command line or this daemon's own pages")
	}))
	want := sha256.Sum256([]byte(b.Secret))
	return cross.Handler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("X-Content-Type-Options", "nosniff")
		w.Header().Set("Content-Security-Policy", "default-src 'self'; frame-ancestors 'none'")
		r.Body = http.MaxBytesReader(w, r.Body, mostBody)
		switch {
		case local(r) || r.URL.Path == "/healthz":
		case b.Secret != "":
			token, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
			got := sha256.Sum256([]byte(token))
			if !ok || subtle.ConstantTimeCompare(got[:], want[:]) != 1 {
				w.Header().Set("WWW-Authenticate", `Bearer realm="beltwarden"`)
				refuse(w, http.StatusUnauthorized, "this address asks for a secret", "send it as: Authorization: Bearer SECRET")
				return
			}
		case !ownHost(r.Host):
			// A page whose name was made to resolve to this computer would pass for
			// one of our own; the name it was called by gives it away.
			refuse(w, http.StatusMisdirectedRequest, "the daemon is called by a name that is not this computer's",
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

// spoken words the answers that the mux gives by itself as problems.
func spoken(mux *http.ServeMux) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if _, pattern := mux.Handler(r); pattern != "" {
			mux.ServeHTTP(w, r)
			return
		}
		// Let the mux say which of the two it is, and which methods are allowed.
		m := &muted{header: http.Header{}}
		mux.ServeHTTP(m, r)
		if allow := m.header.Get("Allow"); m.status == http.StatusMethodNotAllowed {
			w.Header().Set("Allow", allow)
			refuse(w, m.status, "the method "+r.Method+" is not possible here", "use "+allow)
			return
		}
		refuse(w, http.StatusNotFound, "there is nothing at "+r.URL.Path, "the interface begins at /api/v1/status")
	})
}

// muted keeps the status of an answer and drops the rest.
type muted struct {
	header http.Header
	status int
}

func (m *muted) Header() http.Header         { return m.header }
func (m *muted) Write(p []byte) (int, error) { return len(p), nil }
func (m *muted) WriteHeader(status int) {
	if m.status == 0 {
		m.status = status
	}
}

// refuse answers with a problem.
func refuse(w http.ResponseWriter, status int, detail, remedy string) {
	w.Header().Set("Content-Type", client.ProblemType)
	write(w, status, client.Problem{Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: detail, Remedy: remedy})
}
