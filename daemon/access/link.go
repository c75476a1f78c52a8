package access

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	_ "embed"
	"encoding/base32"
	"encoding/binary"
	"errors"
	"html/template"
	"net/http"
	"strings"
	"sync"
	"time"
)

// ComingPath begins the paths of signed links; the rest is what [LinkKey.Sign] returns.
const ComingPath = "/coming/"

// Link is what a signed link is for: that whoever was called about an alert says that somebody is
// coming. It signs nobody in, and moves nothing.
type Link struct {
	Alert    string // its identity
	Receiver string // that the link was sent to
	Until    time.Time
}

// LinkKey signs links. It is kept for as long as they are to be good.
type LinkKey [sha256.Size]byte

// macBytes is how much of the code goes into a link: half of it, the least that RFC 2104, section 5,
// advises.
const macBytes = sha256.Size / 2

// linkEncoding has letters and digits alone: a program that finds addresses in a text may leave out a
// last sign that is neither.
var linkEncoding = base32.NewEncoding("abcdefghijklmnopqrstuvwxyz234567").WithPadding(base32.NoPadding)

// maxToken bounds a link before anything is worked out.
const maxToken = 512

// Errors of links.
var (
	errForged  = errors.New("the link was not made here")
	errExpired = errors.New("the link is too old")
)

// Sign returns the last part of a link's address.
func (k *LinkKey) Sign(l Link) string {
	data := binary.BigEndian.AppendUint64(nil, uint64(l.Until.Unix()))
	data = append(append(append(data, l.Alert...), 0), l.Receiver...)
	return linkEncoding.EncodeToString(append(k.mac(data), data...))
}

func (k *LinkKey) mac(data []byte) []byte {
	h := hmac.New(sha256.New, k[:])
	h.Write([]byte("coming\x00")) // the key may sign other things some day
	h.Write(data)
	return h.Sum(nil)[:macBytes]
}

// read returns what a link is for. With errExpired it is what it was for.
func (k *LinkKey) read(token string, now time.Time) (l Link, err error) {
	if len(token) > maxToken {
		return Link{}, errForged
	}
	all, err := linkEncoding.DecodeString(token)
	if err != nil || len(all) < macBytes+8 || !hmac.Equal(all[:macBytes], k.mac(all[macBytes:])) {
		return Link{}, errForged
	}
	data := all[macBytes:]
	alert, receiver, _ := bytes.Cut(data[8:], []byte{0})
	l = Link{string(alert), string(receiver), time.Unix(int64(binary.BigEndian.Uint64(data)), 0)}
	if !now.Before(l.Until) {
		return l, errExpired
	}
	return l, nil
}

// Called is an alert as far as somebody may read it who was not let in.
type Called struct {
	Machine, Subject, Text string
	Acted                  bool // somebody has acted since, so that its links are used up
}

// Coming is what signed links need of the daemon.
type Coming struct {
	Key LinkKey
	// Alert returns an alert by its identity; nil for one that is not there.
	Alert func(ctx context.Context, id string) (*Called, error)
	// Acknowledge records that somebody is coming; it returns when that is kept.
	Acknowledge func(ctx context.Context, l Link) error

	once sync.Mutex // one link after the other, so that each is good once
}

//go:embed coming.html
var comingText string

var comingTemplate = template.Must(template.New("coming").Parse(comingText))

// comingPage is what the page of a link shows.
type comingPage struct {
	*Called        // nil: nothing of the alert is shown
	Title   string // of the page
	Ask     bool   // with the button
	Problem string
	Remedy  string
}

// handleComing answers a signed link: GET shows a page with one button, POST acknowledges. Mail scanners
// and previews open links, so that opening one changes nothing.
func (g *Gate) handleComing(w http.ResponseWriter, r *http.Request) {
	reading := readOnly(r)
	if !reading && r.Method != http.MethodPost {
		w.Header().Set("Allow", "GET, HEAD, POST")
		showComing(w, http.StatusMethodNotAllowed, comingPage{Title: "That is not possible", Problem: "This link is opened, and its button pressed.", Remedy: "Open it in a browser."})
		return
	}
	from := g.sender(r)
	if _, wait := g.throttle.allowed(from); wait > 0 {
		g.refuseBlocked(w, r, wait)
		return
	}
	c := g.o.Coming
	l, err := c.Key.read(strings.TrimPrefix(r.URL.Path, ComingPath), time.Now())
	switch {
	case errors.Is(err, errForged):
		if g.recordWrong(w, r, from) {
			showComing(w, http.StatusForbidden, comingPage{Title: "This link is not valid", Problem: "This link was not made by this machine, or not all of it has arrived.",
				Remedy: "Open the whole link from the message, or sign in and acknowledge on the page Alerts."})
		}
		return
	case err != nil:
		showComing(w, http.StatusGone, comingPage{Title: "This link is too old", Problem: "This link has expired.", Remedy: "Sign in to see how the machine stands."})
		return
	}
	if !reading {
		c.once.Lock()
		defer c.once.Unlock()
	}
	called, err := c.Alert(r.Context(), l.Alert)
	switch {
	case err != nil:
		showComing(w, http.StatusServiceUnavailable, failedComing(nil))
	case called == nil:
		showComing(w, http.StatusNotFound, comingPage{Title: "There is no such alert", Problem: "The alert of this link is not in the ledger of this machine.", Remedy: "Sign in to see how the machine stands."})
	case called.Acted:
		showComing(w, http.StatusGone, comingPage{Called: called, Title: "This link is used up", Problem: "Somebody has already acted on this alert.", Remedy: "Nobody else is called about it."})
	case reading:
		showComing(w, http.StatusOK, comingPage{Called: called, Title: "Are you coming?", Ask: true})
	case c.Acknowledge(r.Context(), l) != nil:
		showComing(w, http.StatusServiceUnavailable, failedComing(called))
	default:
		showComing(w, http.StatusOK, comingPage{Called: called, Title: "Noted: you are coming"})
	}
}

// failedComing is what is shown where the ledger or the run does not answer.
func failedComing(called *Called) comingPage {
	return comingPage{Called: called, Title: "That could not be recorded", Problem: "The machine's computer could not record it; others are still called.", Remedy: "Go to the machine, or try again."}
}

func showComing(w http.ResponseWriter, status int, p comingPage) {
	var b bytes.Buffer
	if err := comingTemplate.Execute(&b, p); err != nil { // texts alone: it cannot fail
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
