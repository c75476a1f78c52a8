package access

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"net"
	"net/http"
	"sync"
	"time"
)

// Bounds on sessions. A screen on the wall that shows a live page uses its session
// all the time.
const (
	sessionIdle  = 24 * time.Hour      // without a request
	sessionLimit = 30 * 24 * time.Hour // altogether
	maxSessions  = 128                 // of each role; the one unused for longest goes first
)

// sessionBytes is the number of random bytes of an identity, too many to guess.
const sessionBytes = 32

// session is a browser that has given a secret.
type session struct {
	role   Role
	ctx    context.Context // ends with the session, and what it has under way with it
	cancel context.CancelFunc
	begun  time.Time
	used   time.Time
	open   int // requests under way
}

func (s *session) expired(now time.Time) bool {
	return now.Sub(s.begun) >= sessionLimit || s.open == 0 && now.Sub(s.used) >= sessionIdle
}

// sessions keeps them by the sum of their identity, so that the memory of the
// process holds no cookie.
type sessions struct {
	mu    sync.Mutex
	byKey map[[sha256.Size]byte]*session
}

func newSessions() *sessions { return &sessions{byKey: map[[sha256.Size]byte]*session{}} }

// begin returns the identity of a new session.
func (s *sessions) begin(role Role) string {
	id := make([]byte, sessionBytes)
	_, _ = rand.Read(id) // never fails
	text := base64.RawURLEncoding.EncodeToString(id)
	now := time.Now()
	ctx, cancel := context.WithDeadline(context.Background(), now.Add(sessionLimit))
	s.mu.Lock()
	defer s.mu.Unlock()
	s.sweep(now, role)
	s.byKey[sha256.Sum256([]byte(text))] = &session{role: role, ctx: ctx, cancel: cancel, begun: now, used: now}
	return text
}

// sweep drops expired sessions and makes room for one more of a role. Sessions of one role never
// push out those of another.
func (s *sessions) sweep(now time.Time, role Role) {
	var oldest [sha256.Size]byte
	var used time.Time
	count := 0
	for key, v := range s.byKey {
		if v.expired(now) {
			s.drop(key)
			continue
		}
		if v.role != role {
			continue
		}
		if count++; used.IsZero() || v.used.Before(used) {
			oldest, used = key, v.used
		}
	}
	if count >= maxSessions {
		s.drop(oldest)
	}
}

func (s *sessions) drop(key [sha256.Size]byte) {
	if v := s.byKey[key]; v != nil {
		v.cancel()
		delete(s.byKey, key)
	}
}

// use returns the session of an identity, or nil. It counts as used until release.
func (s *sessions) use(id string) (v *session, release func()) {
	key, now := sha256.Sum256([]byte(id)), time.Now()
	s.mu.Lock()
	defer s.mu.Unlock()
	v = s.byKey[key]
	if v == nil {
		return nil, func() {}
	}
	if v.expired(now) {
		s.drop(key)
		return nil, func() {}
	}
	v.used = now
	v.open++
	return v, func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		v.open--
		v.used = time.Now()
	}
}

// end forgets an identity.
func (s *sessions) end(id string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.drop(sha256.Sum256([]byte(id)))
}

func (s *sessions) close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for key := range s.byKey {
		s.drop(key)
	}
}

// sessionKey is the context key of a request that belongs to a session.
type sessionKey struct{}

// sessionOf returns the role of the session that a request belongs to, and the request with a
// context that ends when the session does. The returned function must be called after the request.
// Another program at the same host can set further cookies of that name: they sign nobody out,
// since the highest role counts.
func (g *Gate) sessionOf(r *http.Request) (Role, *http.Request, func()) {
	var s *session
	release := func() {}
	for _, c := range r.CookiesNamed(g.cookieName(r)) {
		v, free := g.sessions.use(c.Value)
		if v == nil || s != nil && v.role <= s.role {
			free()
			continue
		}
		release()
		s, release = v, free
	}
	if s == nil {
		return None, r, release
	}
	ctx, cancel := context.WithCancel(context.WithValue(r.Context(), sessionKey{}, true))
	stop := context.AfterFunc(s.ctx, cancel)
	return s.role, r.WithContext(ctx), func() {
		stop()
		cancel()
		release()
	}
}

// secure reports whether the browser speaks TLS, to us or to the proxy before us.
func (g *Gate) secure(r *http.Request) bool {
	return r.TLS != nil || g.o.Public != nil && g.o.Public.Scheme == "https"
}

// cookieName is the name of the cookie. It contains the port, since browsers send a cookie to all
// ports of a host, and a computer may run two daemons. The prefix makes a browser refuse a
// cookie that another page of the same domain has set.
func (g *Gate) cookieName(r *http.Request) string {
	name := "beltwarden"
	if _, port, err := net.SplitHostPort(r.Host); err == nil && len(port) <= 5 && digits(port) {
		name += "-" + port
	}
	if g.secure(r) {
		name = "__Host-" + name
	}
	return name
}

func digits(s string) bool {
	for _, c := range s {
		if c < '0' || c > '9' {
			return false
		}
	}
	return s != ""
}

// setCookie gives the browser its session, or takes it away with an empty value.
func (g *Gate) setCookie(w http.ResponseWriter, r *http.Request, value string) {
	c := &http.Cookie{Name: g.cookieName(r), Value: value, Path: "/", HttpOnly: true, Secure: g.secure(r), SameSite: http.SameSiteStrictMode,
		MaxAge: int(sessionLimit / time.Second)}
	if value == "" {
		c.MaxAge = -1
	}
	http.SetCookie(w, c)
}
