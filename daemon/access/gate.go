// Package access decides who may ask the daemon what over HTTP: the local user by
// the permissions of the socket, others by a secret, as a bearer token or, in a
// browser, by a session. It also keeps other sites' pages out.
package access

import (
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"fmt"
	"net/http"
	"net/netip"
	"net/url"
	"strings"

	"beltwarden/daemon/client"
)

// Options say who is let in.
type Options struct {
	// Operate and Look are the secrets of the two roles. With neither, only this computer
	// may ask, and may do everything.
	Operate, Look Secret
	// Public is the address under which people reach the daemon; nil when it is that of
	// the listener. Its host and origin count as our own.
	Public *url.URL
	// Hosts are further names of this computer, without a port.
	Hosts []string
	// Proxy is who may say, in X-Forwarded-For, for whom it asks; the zero Prefix is nobody.
	Proxy netip.Prefix
	// BoundsBody reports whether the handler of a request bounds its body by itself; nil for
	// none.
	BoundsBody func(*http.Request) bool
	// OnBurst is called once in each burst of wrong secrets, while the request waits; nil for
	// nobody.
	OnBurst func(Burst)
	// Coming answers signed links, without signing in; nil where none are made.
	Coming *Coming
	// Machine returns the machine's name, for the page of an invitation; nil for none.
	Machine func() string
}

// maxBody bounds the bytes of a request.
const maxBody = 1 << 20

// Gate admits or refuses each request. Its methods may be used from any goroutine.
type Gate struct {
	secrets  []secret // the roles that have one, the highest first
	o        Options
	cross    *http.CrossOriginProtection
	hosts    map[string]bool
	sessions *sessions
	throttle *throttle
	counts   refusalCounts

	invitations invitations
}

// Secret is the SHA-256 sum of a secret. The text is not kept, so that the memory of the process
// does not show it. The zero Secret is none.
type Secret struct {
	sum [sha256.Size]byte
	set bool
}

// SecretOf returns the sum of a secret; the zero Secret for an empty text.
func SecretOf(text []byte) Secret { return Secret{sha256.Sum256(text), len(text) > 0} }

// Set reports whether there is a secret.
func (s Secret) Set() bool { return s.set }

// secret is that of a role.
type secret struct {
	role Role
	Secret
}

// New returns a gate. Errors name options that contradict each other, and contain no secret.
// Close ends its sessions.
func New(o Options) (*Gate, error) {
	g := &Gate{o: o, cross: http.NewCrossOriginProtection(), hosts: map[string]bool{"localhost": true}, sessions: newSessions(), throttle: newThrottle()}
	for _, s := range []secret{{Operate, o.Operate}, {Look, o.Look}} {
		if s.set {
			g.secrets = append(g.secrets, s)
		}
	}
	if o.Operate.set && o.Operate == o.Look {
		return nil, errors.New("cannot tell who may operate from who may look: both secrets are the same; make another with: beltwarden config secret FILE")
	}
	for _, h := range o.Hosts {
		if h != "" { // whoever says no name would pass
			g.hosts[strings.ToLower(h)] = true
		}
	}
	if o.Public != nil {
		host := strings.ToLower(o.Public.Hostname())
		g.hosts[host] = true
		if len(g.secrets) == 0 && !isLocalName(host) {
			return nil, fmt.Errorf("cannot be reached as %s without a secret: other computers could heat and move the machine; make one with: beltwarden config secret FILE", o.Public.Host)
		}
		if err := g.cross.AddTrustedOrigin(o.Public.Scheme + "://" + strings.ToLower(o.Public.Host)); err != nil {
			return nil, fmt.Errorf("cannot take %s for an address of our own: %w", o.Public.Host, err)
		}
	}
	return g, nil
}

// Close ends every session.
func (g *Gate) Close() { g.sessions.close() }

// Handler returns the handler that lets requests through to next, with their role.
func (g *Gate) Handler(next http.Handler) http.Handler {
	g.cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		g.counts.add(refusedOrigin)
		g.refuse(w, r, http.StatusForbidden, "the request comes from a page of another site", "use the command line or this daemon's own pages")
	}))
	protected := g.cross.Handler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch {
		case r.URL.Path == "/login":
			g.handleLogin(w, r)
		case r.URL.Path == "/logout":
			g.handleLogout(w, r)
		case g.o.Coming != nil && strings.HasPrefix(r.URL.Path, ComingPath):
			g.handleComing(w, r)
		case strings.HasPrefix(r.URL.Path, InvitePath):
			g.handleInvite(w, r)
		default:
			g.admit(w, r, next)
		}
	}))
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		headers(w.Header())
		if g.o.BoundsBody == nil || !g.o.BoundsBody(r) {
			r.Body = http.MaxBytesReader(w, r.Body, maxBody)
		}
		switch {
		case Local(r) || r.URL.Path == "/healthz":
		case len(g.secrets) == 0 && viaProxy(r):
			// Whoever is behind the proxy would pass for a user of this computer.
			g.counts.add(refusedHost)
			g.refuse(w, r, http.StatusForbidden, "the request comes through a proxy, and no secret is set",
				"make a secret with: beltwarden config secret FILE, and name it as server.secret_file")
			return
		case g.knownHost(r.Host):
		case token(r) == "" || len(g.secrets) == 0:
			// DNS rebinding: a page whose name was made to resolve to this computer would
			// pass for one of our own. Its Host header gives it away, and it cannot know
			// a secret.
			g.counts.add(refusedHost)
			g.refuse(w, r, http.StatusMisdirectedRequest, "the daemon was called by a name that is not this computer's", g.hostRemedy())
			return
		case g.bearer(w, r) == None:
			return
		}
		protected.ServeHTTP(w, r)
	})
}

// admit finds the role of a request and lets it through if that is enough.
func (g *Gate) admit(w http.ResponseWriter, r *http.Request, next http.Handler) {
	switch {
	case Local(r) || len(g.secrets) == 0:
		next.ServeHTTP(w, withRole(r, Operate))
		return
	case readOnly(r) && (r.URL.Path == "/healthz" || strings.HasPrefix(r.URL.Path, "/static/")): // shows nothing of the machine
		next.ServeHTTP(w, r)
		return
	}
	role, r, done := g.sessionOf(r)
	defer done()
	if role == None && token(r) != "" {
		if role = g.bearer(w, r); role == None {
			return
		}
	}
	if role == None && g.hasPass(r) {
		role = Look
	}
	switch {
	case role == None:
		g.refuseUnknown(w, r)
	case role < Operate && !readOnly(r):
		g.counts.add(refusedRole)
		g.refuse(w, r, http.StatusForbidden, "you have view-only access", "sign in with the other secret, or ask somebody who has it")
	default:
		g.renewPass(w, r, role)
		next.ServeHTTP(w, withRole(r, role))
	}
}

// readOnly reports whether a request only reads.
func readOnly(r *http.Request) bool { return r.Method == http.MethodGet || r.Method == http.MethodHead }

// roleOfSecret returns the role that a secret gives.
func (g *Gate) roleOfSecret(text string) Role {
	sum, role := sha256.Sum256([]byte(text)), None
	for _, s := range g.secrets { // all of them, so that the time shows nothing
		if subtle.ConstantTimeCompare(sum[:], s.sum[:]) == 1 {
			role = max(role, s.role)
		}
	}
	return role
}

// token returns the bearer token of a request; "" is none.
func token(r *http.Request) string {
	scheme, text, _ := strings.Cut(r.Header.Get("Authorization"), " ")
	if !strings.EqualFold(scheme, "Bearer") {
		return ""
	}
	return strings.TrimSpace(text)
}

// bearer returns the role that the token of a request gives. If that is None, it has answered the
// request.
func (g *Gate) bearer(w http.ResponseWriter, r *http.Request) Role {
	role, answered := g.checkSecret(w, r, token(r))
	if role == None && !answered {
		w.Header().Set("WWW-Authenticate", `Bearer realm="beltwarden", error="invalid_token"`)
		client.Refuse(w, http.StatusUnauthorized, "the secret is wrong", "send the right one as: Authorization: Bearer SECRET")
	}
	return role
}

// refuseUnknown answers a request without a secret: a browser is sent to the page that asks for
// it, a program gets a problem.
func (g *Gate) refuseUnknown(w http.ResponseWriter, r *http.Request) {
	if wantsPage(r) {
		w.Header().Set("Cache-Control", "no-store")
		if readOnly(r) && r.Header.Get("Sec-Fetch-Site") == "cross-site" {
			// The sender may be signed in: a browser that follows a link from another site
			// withholds the cookie. It sends the cookie when it is made to ask again.
			w.Header().Set("Refresh", "0;url="+returnPath(r))
			(&loginPage{Title: "One moment", Next: returnPath(r)}).write(w, http.StatusOK)
			return
		}
		g.counts.add(refusedUnknown)
		http.Redirect(w, r, "/login?next="+url.QueryEscape(returnPath(r)), http.StatusSeeOther)
		return
	}
	g.counts.add(refusedUnknown)
	w.Header().Set("WWW-Authenticate", `Bearer realm="beltwarden"`)
	client.Refuse(w, http.StatusUnauthorized, "this address needs a secret", "send it as: Authorization: Bearer SECRET")
}
