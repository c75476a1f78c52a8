package access

import (
	"encoding/base64"
	"net/http"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// cookiesOf are those of an answer as a browser sends them back, "" for none.
func cookiesOf(r *http.Response) string {
	var list []string
	for _, c := range r.Cookies() {
		if c.MaxAge > 0 {
			list = append(list, c.Name+"="+c.Value)
		}
	}
	return strings.Join(list, "; ")
}

// A wall that was signed in once to look stays so when its session has ended and the daemon was restarted, for as long as it
// is used; by its pass it sees the wall, and nothing else.
func TestWallStaysSignedIn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHouse(t, both())
		session := cookiesOf(h.visit("POST", "/login", "secret="+looks, "Content-Type: application/x-www-form-urlencoded"))
		pass := cookiesOf(h.visit("GET", "/wall", "", "Cookie: "+session))
		if pass == "" {
			t.Fatal("the wall gets no pass")
		}
		for range 3 { // renewed now and then, over more than a year each
			time.Sleep(passLimit - time.Hour)
			h = newHouse(t, both()) // a restart
			r := h.visit("GET", "/wall", "", "Cookie: "+pass)
			if r.StatusCode != http.StatusOK {
				t.Fatalf("with its pass: %d", r.StatusCode)
			}
			if s := h.visit("GET", "/wall/stream", "", "Cookie: "+pass); s.StatusCode != http.StatusOK || len(s.Cookies()) > 0 {
				t.Errorf("its stream: %d, cookies %v", s.StatusCode, s.Cookies())
			}
			for _, c := range []struct{ method, path string }{{"GET", "/"}, {"GET", "/lots"}, {"GET", "/stream"}, {"GET", "/api/v1/status"}, {"POST", "/wall"}, {"POST", "/command"}, {"GET", "/wall/"}} {
				if got := h.visit(c.method, c.path, "", "Cookie: "+pass); got.StatusCode == http.StatusOK {
					t.Errorf("%s %s is open to a pass", c.method, c.path)
				}
			}
			pass = cookiesOf(r)
		}
		time.Sleep(passLimit)
		if r := h.visit("GET", "/wall", "", "Cookie: "+pass); r.StatusCode == http.StatusOK {
			t.Error("a pass that was not used for longer is still good")
		}
	})
}

// Who may operate gets no pass, nor a program; a pass is no good with another secret, nor when it was touched.
func TestPassOfOthers(t *testing.T) {
	h := newHouse(t, both())
	session := cookiesOf(h.visit("POST", "/login", "secret="+operates, "Content-Type: application/x-www-form-urlencoded"))
	if r := h.visit("GET", "/wall", "", "Cookie: "+session); r.StatusCode != http.StatusOK || len(r.Cookies()) > 0 {
		t.Errorf("who operates: %d, %v", r.StatusCode, r.Cookies())
	}
	if r := h.visit("GET", "/wall", "", "Authorization: Bearer "+looks); r.StatusCode != http.StatusOK || len(r.Cookies()) > 0 {
		t.Errorf("a program: %d, %v", r.StatusCode, r.Cookies())
	}
	session = cookiesOf(h.visit("POST", "/login", "secret="+looks, "Content-Type: application/x-www-form-urlencoded"))
	if r := h.visit("GET", "/lots", "", "Cookie: "+session); len(r.Cookies()) > 0 {
		t.Errorf("another page gives a pass: %v", r.Cookies())
	}
	pass := cookiesOf(h.visit("GET", "/wall", "", "Cookie: "+session))
	name, value, _ := strings.Cut(pass, "=")
	data, err := base64.RawURLEncoding.DecodeString(value)
	if err != nil {
		t.Fatal(err)
	}
	for i := range data {
		data[i] ^= 1
		if r := h.visit("GET", "/wall", "", "Cookie: "+name+"="+base64.RawURLEncoding.EncodeToString(data)); r.StatusCode == http.StatusOK {
			t.Errorf("good with another byte %d", i)
		}
		data[i] ^= 1
	}
	other := newHouse(t, Options{Operate: SecretOf([]byte(operates)), Look: SecretOf([]byte("another-door-18"))})
	none := newHouse(t, Options{Operate: SecretOf([]byte(operates))})
	for what, h := range map[string]*house{"another secret": other, "no secret to look": none} {
		if r := h.visit("GET", "/wall", "", "Cookie: "+pass); r.StatusCode == http.StatusOK {
			t.Errorf("%s: the pass is still good", what)
		}
	}
	if r := h.visit("GET", "/wall", "", "Cookie: "+pass); r.StatusCode != http.StatusOK {
		t.Errorf("untouched: %d", r.StatusCode)
	}
}

// Signing out takes the pass away with the session.
func TestSignOutTakesThePass(t *testing.T) {
	h := newHouse(t, both())
	session := cookiesOf(h.visit("POST", "/login", "secret="+looks, "Content-Type: application/x-www-form-urlencoded"))
	pass := h.visit("GET", "/wall", "", "Cookie: "+session).Cookies()[0]
	for _, c := range h.visit("POST", "/logout", "", "Cookie: "+session).Cookies() {
		if c.Name == pass.Name && c.MaxAge < 0 {
			return
		}
	}
	t.Error("the pass stays")
}
