package access

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"net/http"
	"time"
)

// A pass keeps a display on the wall signed in, where nobody has a keyboard: beyond the end of its session and a restart of
// the daemon. It is a cookie that the wall gets while somebody who may look is signed in, renewed whenever the page is
// loaded. It opens the wall and nothing else. Nothing is kept of it: it proves itself by the secret to look, so that
// another secret ends every pass.
const (
	passLimit = 400 * 24 * time.Hour // unused; browsers keep no cookie for longer
	passBytes = 8 + 16 + sha256.Size // when it ends, a number that nobody else has, and the proof of both
)

// wallPaths are what a pass opens.
var wallPaths = map[string]bool{"/wall": true, "/wall/stream": true}

// passProof is that of what stands before it in a pass.
func (g *Gate) passProof(text []byte) []byte {
	key := hmac.New(sha256.New, g.o.Look.sum[:])
	key.Write([]byte("beltwarden wall pass 1"))
	proof := hmac.New(sha256.New, key.Sum(nil))
	proof.Write(text)
	return proof.Sum(nil)
}

// newPass returns a pass from now on.
func (g *Gate) newPass(now time.Time) string {
	text := binary.BigEndian.AppendUint64(nil, uint64(now.Add(passLimit).Unix())) //nolint:gosec // after 1970
	id := make([]byte, 16)
	_, _ = rand.Read(id) // never fails
	text = append(text, id...)
	return base64.RawURLEncoding.EncodeToString(append(text, g.passProof(text)...))
}

// passes reports whether a text is a pass that is good now.
func (g *Gate) passes(text string, now time.Time) bool {
	data, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil || len(data) != passBytes || !g.o.Look.set {
		return false
	}
	claim := data[:passBytes-sha256.Size]
	if !hmac.Equal(data[len(claim):], g.passProof(claim)) {
		return false
	}
	return uint64(max(0, now.Unix())) < binary.BigEndian.Uint64(claim) //nolint:gosec // not below 0
}

// hasPass reports whether a request for the wall brings a pass that is good.
func (g *Gate) hasPass(r *http.Request) bool {
	if !wallPaths[r.URL.Path] || !readOnly(r) {
		return false
	}
	for _, c := range r.CookiesNamed(g.passName(r)) {
		if g.passes(c.Value, time.Now()) {
			return true
		}
	}
	return false
}

// renewPass gives the wall's browser a pass, if it may look and no more: whoever may operate is to be asked again.
func (g *Gate) renewPass(w http.ResponseWriter, r *http.Request, role Role) {
	if r.URL.Path == "/wall" && readOnly(r) && role == Look && g.o.Look.set && token(r) == "" {
		g.setPass(w, r, g.newPass(time.Now()))
	}
}

func (g *Gate) passName(r *http.Request) string { return g.cookieName(r) + "-wall" }

// setPass gives the browser a pass, or takes it away with an empty value.
func (g *Gate) setPass(w http.ResponseWriter, r *http.Request, value string) {
	c := &http.Cookie{Name: g.passName(r), Value: value, Path: "/", HttpOnly: true, Secure: g.secure(r), SameSite: http.SameSiteStrictMode,
		MaxAge: int(passLimit / time.Second)}
	if value == "" {
		c.MaxAge = -1
	}
	http.SetCookie(w, c)
}
