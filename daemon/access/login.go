package access

import (
	"bytes"
	_ "embed"
	"html/template"
	"net/http"
	"net/url"
	"strings"

	"beltwarden/daemon/client"
)

//go:embed login.html
var loginText string

var loginTemplate = template.Must(template.New("login").Parse(loginText))

// maxForm bounds the form, which holds a secret and a path.
const maxForm = 16 << 10

// maxNext bounds the path to go back to.
const maxNext = 2000

// loginPage is what the page shows.
type loginPage struct {
	Title   string
	Ask     bool   // for a secret
	Next    string // path to go to afterwards
	Problem string // what is wrong with what was sent
	Remedy  string
	Session bool // whether signing in again could help
	ByCode  bool // the problem is with the code
}

func (s *loginPage) write(w http.ResponseWriter, status int) {
	var b bytes.Buffer
	if err := loginTemplate.Execute(&b, s); err != nil { // texts alone: it cannot fail
		http.Error(w, "cannot write the page", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes()) // a reader who has gone needs no answer
}

// handleLogin answers at /login.
func (g *Gate) handleLogin(w http.ResponseWriter, r *http.Request) {
	switch r.Method {
	case http.MethodGet, http.MethodHead:
		g.showLogin(w, r)
	case http.MethodPost:
		g.login(w, r)
	default:
		w.Header().Set("Allow", "GET, HEAD, POST")
		g.refuse(w, r, http.StatusMethodNotAllowed, "the method "+r.Method+" is not possible here", "use GET or POST")
	}
}

// handleLogout answers at /logout.
func (g *Gate) handleLogout(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodPost { // a link or an image could sign people out
		w.Header().Set("Allow", "POST")
		g.refuse(w, r, http.StatusMethodNotAllowed, "signing out is not a page", "use the button Sign out")
		return
	}
	g.logout(w, r)
}

// showLogin asks for the secret.
func (g *Gate) showLogin(w http.ResponseWriter, r *http.Request) {
	next := localPath(r.URL.Query().Get("next"))
	role, _, done := g.sessionOf(r)
	done()
	if Local(r) || len(g.secrets) == 0 || role == Operate {
		http.Redirect(w, r, next, http.StatusSeeOther)
		return
	}
	(&loginPage{Title: "Sign in", Ask: true, Next: next}).write(w, http.StatusOK)
}

// login begins a session.
func (g *Gate) login(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, maxForm)
	if err := r.ParseForm(); err != nil {
		(&loginPage{Title: "Sign in", Ask: true, Next: "/", Problem: "The form cannot be read.", Remedy: "Send it again."}).write(w, http.StatusBadRequest)
		return
	}
	next, given := localPath(r.PostForm.Get("next")), strings.TrimSpace(r.PostForm.Get("secret"))
	if Local(r) || len(g.secrets) == 0 {
		http.Redirect(w, r, next, http.StatusSeeOther)
		return
	}
	if g.insecure(r) {
		(&loginPage{Title: "Sign in", Ask: true, Next: next, Problem: notEncrypted, Remedy: openEncrypted}).write(w, http.StatusForbidden)
		return
	}
	if code := strings.TrimSpace(r.PostForm.Get("code")); code != "" {
		g.signInByCode(w, r, code, next)
		return
	}
	if given == "" {
		(&loginPage{Title: "Sign in", Ask: true, Next: next, Problem: "Both are missing.", Remedy: "Enter the code or the secret."}).write(w, http.StatusUnprocessableEntity)
		return
	}
	role, answered := g.checkSecret(w, r, given)
	if role == None {
		if !answered {
			(&loginPage{Title: "Sign in", Ask: true, Next: next, Problem: "The secret is wrong.",
				Remedy: "Copy all of it from its file. Capital and small letters matter."}).write(w, http.StatusUnauthorized)
		}
		return
	}
	g.beginSession(w, r, role, next)
}

// beginSession signs a browser in, in place of whoever was signed in there before.
func (g *Gate) beginSession(w http.ResponseWriter, r *http.Request, role Role, next string) {
	g.endSessions(r)
	g.setCookie(w, r, g.sessions.begin(role))
	w.Header().Set("Cache-Control", "no-store")
	http.Redirect(w, r, next, http.StatusSeeOther)
}

// What is said where the browser would not keep its session.
const (
	notEncrypted  = "This page is not encrypted, so the browser cannot stay signed in."
	openEncrypted = "Open the machine's address that begins with https."
)

// insecure reports whether the browser came by an address that is not encrypted, while the machine's is.
func (g *Gate) insecure(r *http.Request) bool {
	return g.secure(r) && strings.HasPrefix(r.Header.Get("Origin"), "http://") && !isLocalName(hostName(r.Host))
}

// logout ends the session, and everything that it has under way.
func (g *Gate) logout(w http.ResponseWriter, r *http.Request) {
	g.endSessions(r)
	g.setCookie(w, r, "")
	g.setPass(w, r, "")
	w.Header().Set("Cache-Control", "no-store")
	http.Redirect(w, r, "/login", http.StatusSeeOther)
}

func (g *Gate) endSessions(r *http.Request) {
	for _, c := range r.CookiesNamed(g.cookieName(r)) {
		g.sessions.end(c.Value)
	}
}

// refuse answers in the form that the sender can read.
func (g *Gate) refuse(w http.ResponseWriter, r *http.Request, status int, detail, remedy string) {
	if !wantsPage(r) {
		client.Refuse(w, status, detail, remedy)
		return
	}
	(&loginPage{Title: http.StatusText(status), Next: "/", Problem: sentence(detail), Remedy: sentence(remedy),
		Session: len(g.secrets) > 0 && status != http.StatusTooManyRequests}).write(w, status)
}

// sentence makes a line of a problem one of a page.
func sentence(s string) string {
	if s == "" {
		return ""
	}
	return strings.ToUpper(s[:1]) + s[1:] + "."
}

// wantsPage reports whether a person at a browser waits for a page.
func wantsPage(r *http.Request) bool {
	p := r.URL.Path
	return strings.Contains(r.Header.Get("Accept"), "text/html") && !strings.HasPrefix(p, "/api/") && p != "/metrics" && p != "/readyz"
}

// returnPath is where a browser wanted to go: the page it requested, or the one with the
// form that it has sent.
func returnPath(r *http.Request) string {
	if readOnly(r) {
		return localPath(r.URL.RequestURI())
	}
	if u, err := url.Parse(r.Header.Get("Referer")); err == nil && u.Host == r.Host {
		return localPath(u.RequestURI())
	}
	return "/"
}

// localPath returns a path of ours as it stands, and "/" for everything that could lead
// elsewhere or nowhere.
func localPath(next string) string {
	const home = "/"
	if len(next) > maxNext || !strings.HasPrefix(next, "/") || strings.HasPrefix(next, "//") ||
		strings.ContainsFunc(next, func(c rune) bool { return c == '\\' || c <= ' ' || c >= 0x7f }) {
		return home
	}
	u, err := url.Parse(next)
	if err != nil || u.Scheme != "" || u.Host != "" || u.User != nil || strings.HasPrefix(u.Path, "//") || strings.ContainsAny(u.Path, "\\\r\n\x00") ||
		strings.HasPrefix(u.Path, "/login") || strings.HasPrefix(u.Path, "/logout") {
		return home
	}
	return next
}
