package access

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	_ "embed"
	"errors"
	"html/template"
	"math/big"
	"net/http"
	"strings"
	"sync"
	"time"
)

// InvitePath begins the address by which a telephone signs in; the rest is the token of an
// [Invitation].
const InvitePath = "/i/"

// Bounds on invitations. They are kept in memory alone, and end with the daemon.
const (
	inviteFor       = 10 * time.Minute
	maxInvitations  = 16                          // open at one time; the oldest goes first
	rememberUsed    = time.Hour                   // to say that one was used or is too old
	maxWrongCodes   = 50                          // typed, of anybody, while invitations are open; then none of their codes is taken
	tokenLength     = 20                          // as short as a small QR code needs it
	codeLength      = 8                           // characters of the code that is typed
	codeAlphabet    = "234679ACDEFGHJKMNPQRTVWXY" // none that looks like another: 25^8 codes, 37 bits
	maxRemembered   = 256
	maxTypedLength  = 64
	maxInvitedToken = 64
)

// Invitation lets one browser sign in, once, in the next minutes: by the address of its token, which a
// telephone reads from a QR code, or by the code, which is typed.
type Invitation struct {
	Token string    // last part of an address: 20 letters and digits, 100 bits
	Code  string    // two groups of four
	Until time.Time // it can be used
}

// Errors of an invitation that lets nobody in.
var (
	errNotInvited = errors.New("the code was not made here")
	errUsedUp     = errors.New("the code is used up")
	errTooOld     = errors.New("the code is too old")
)

// invitation is what is kept of one: sums alone, so that the memory shows no token.
type invitation struct {
	token, code [sha256.Size]byte
	role        Role
	until       time.Time
	used        bool
}

// invitations are those that are open, and those of late.
type invitations struct {
	mu    sync.Mutex
	list  []*invitation // the oldest first
	wrong int           // codes that were typed wrong since the last invitation was made
}

// sumOf is the sum of a token or a code, however it was typed.
func sumOf(text string) [sha256.Size]byte {
	return sha256.Sum256([]byte(strings.ToUpper(strings.NewReplacer("-", "", " ", "").Replace(text))))
}

// Invite makes an invitation for a role. It fails where nobody signs in.
func (g *Gate) Invite(role Role) (Invitation, error) {
	if len(g.secrets) == 0 {
		return Invitation{}, errors.New("nobody signs in here: no secret is set")
	}
	now := time.Now()
	v := Invitation{Token: rand.Text()[:tokenLength], Until: now.Add(inviteFor)}
	var code []byte
	for i := range codeLength {
		if i == codeLength/2 {
			code = append(code, '-')
		}
		n, _ := rand.Int(rand.Reader, big.NewInt(int64(len(codeAlphabet)))) // never fails
		code = append(code, codeAlphabet[n.Int64()])
	}
	v.Code = string(code)
	g.invitations.add(&invitation{token: sumOf(v.Token), code: sumOf(v.Code), role: role, until: v.Until}, now)
	return v, nil
}

// add keeps one more, and forgets what is long over.
func (l *invitations) add(v *invitation, now time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.wrong = 0
	kept, open := l.list[:0], 0
	for _, o := range l.list {
		if now.Before(o.until.Add(rememberUsed)) {
			kept = append(kept, o)
		}
		if !o.used && now.Before(o.until) {
			open++
		}
	}
	for _, o := range kept {
		if open >= maxInvitations && !o.used && now.Before(o.until) {
			o.until, open = now, open-1
		}
	}
	l.list = append(kept[max(0, len(kept)-maxRemembered):], v)
}

// find returns the role that a token invites to; typed is for the code instead. With use it is used up
// by that.
func (l *invitations) find(text string, typed, use bool, now time.Time) (Role, error) {
	sum := sumOf(text)
	l.mu.Lock()
	defer l.mu.Unlock()
	err := errNotInvited
	for _, v := range l.list {
		if typed && (sum != v.code || l.wrong >= maxWrongCodes) || !typed && sum != v.token {
			continue
		}
		switch {
		case v.used:
			err = errUsedUp
		case !now.Before(v.until):
			err = errTooOld
		default:
			v.used = use
			return v.role, nil
		}
	}
	if typed && errors.Is(err, errNotInvited) {
		l.wrong++
	}
	return None, err
}

//go:embed invite.html
var inviteText string

var inviteTemplate = template.Must(template.New("invite").Parse(inviteText))

// invitePage is what the address of an invitation shows.
type invitePage struct {
	Title, Machine  string
	Role            string // with the button; "": there is none
	Problem, Remedy string
}

// handleInvite answers the address of an invitation: GET shows the machine, the role and one button, POST
// signs in. Cameras and previews open links, so that opening one changes nothing.
func (g *Gate) handleInvite(w http.ResponseWriter, r *http.Request) {
	reading := readOnly(r)
	if !reading && r.Method != http.MethodPost {
		w.Header().Set("Allow", "GET, HEAD, POST")
		showInvite(w, http.StatusMethodNotAllowed, invitePage{Title: "That is not possible", Problem: "This address is opened, and its button pressed.", Remedy: "Open it in a browser."})
		return
	}
	if g.insecure(r) {
		showInvite(w, http.StatusForbidden, invitePage{Title: "This page is not encrypted", Problem: notEncrypted, Remedy: openEncrypted})
		return
	}
	from := g.sender(r)
	if _, wait := g.throttle.allowed(from); wait > 0 {
		g.refuseBlocked(w, r, wait)
		return
	}
	token := r.URL.Path[len(InvitePath):]
	if len(token) > maxInvitedToken {
		token = ""
	}
	role, err := g.invitations.find(token, false, !reading, time.Now())
	switch {
	case errors.Is(err, errNotInvited):
		if g.recordWrong(w, r, from) {
			showInvite(w, http.StatusForbidden, invitePage{Title: "This code is not valid", Problem: inviteProblem(err), Remedy: inviteRemedy})
		}
	case err != nil:
		showInvite(w, http.StatusGone, invitePage{Title: "This code is no longer good", Problem: inviteProblem(err), Remedy: inviteRemedy})
	case reading:
		showInvite(w, http.StatusOK, invitePage{Title: "Sign in", Machine: g.machine(), Role: role.String()})
	default:
		g.beginSession(w, r, role, "/")
	}
}

const inviteRemedy = "Make another at the machine's computer: beltwarden invite."

// inviteProblem says why a code lets nobody in.
func inviteProblem(err error) string {
	switch {
	case errors.Is(err, errUsedUp):
		return "This code has been used: each is good once."
	case errors.Is(err, errTooOld):
		return "This code has expired."
	}
	return "This code was not made by this machine, or the daemon has been restarted since."
}

func (g *Gate) machine() string {
	if g.o.Machine == nil {
		return ""
	}
	return g.o.Machine()
}

func showInvite(w http.ResponseWriter, status int, p invitePage) {
	var b bytes.Buffer
	if err := inviteTemplate.Execute(&b, p); err != nil { // texts alone: it cannot fail
		http.Error(w, "cannot write the page", http.StatusInternalServerError)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Cache-Control", "no-store")
	h.Set("Referrer-Policy", "no-referrer") // the address is the secret
	h.Set("X-Robots-Tag", "noindex")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes()) // a reader who has gone needs no answer
}

// signInByCode begins a session by a code that was typed; the answer is written.
func (g *Gate) signInByCode(w http.ResponseWriter, r *http.Request, code, next string) {
	from := g.sender(r)
	if _, wait := g.throttle.allowed(from); wait > 0 {
		g.refuseBlocked(w, r, wait)
		return
	}
	if len(code) > maxTypedLength {
		code = ""
	}
	role, err := g.invitations.find(code, true, true, time.Now())
	if err == nil {
		g.beginSession(w, r, role, next)
		return
	}
	status := http.StatusGone
	if errors.Is(err, errNotInvited) {
		if status = http.StatusUnauthorized; !g.recordWrong(w, r, from) {
			return
		}
	}
	problem := inviteProblem(err)
	if errors.Is(err, errNotInvited) {
		problem = "This code is wrong, or the daemon has been restarted since it was made."
	}
	(&loginPage{Title: "Sign in", Ask: true, Next: next, ByCode: true, Problem: problem, Remedy: inviteRemedy}).write(w, status)
}
