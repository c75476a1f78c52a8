package screen

import (
	"bytes"
	"context"
	"crypto/rand"
	"embed"
	"errors"
	"html/template"
	"net/http"

	"go.uber.org/zap"

	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

//go:embed pages/*.html
var pageFiles embed.FS

// pages are the templates, one set for each page.
type pages map[string]*template.Template

// names of the pages; each is a file that fills the frame.
var pageNames = []string{"now", "visit", "command", "lots", "lot", "order", "setup", "events", "alerts", "sent", "sorry"}

// parse reads the templates, which are part of the program: a mistake in them ends it at
// once, and every test with it.
func parse() pages {
	frame := template.Must(template.New("frame").Funcs(functions).ParseFS(pageFiles, "pages/frame.html", "pages/sections.html", "pages/fields.html"))
	list := pages{"sections": frame}
	for _, name := range pageNames {
		list[name] = template.Must(template.Must(frame.Clone()).ParseFS(pageFiles, "pages/"+name+".html"))
	}
	return list
}

// page is what every page is filled with.
type page struct {
	Title, Machine, Version string
	Path                    string // of the page, for the mark in the list of pages
	Live                    bool   // kept live by the script
	Operates, LogOut        bool
	Setup                   bool   // the configuration says of something that it is not known
	Asset                   string // changes with what is served under /static/
	Said                    string // what the last form has done
	Key                     string // of the form on the page
	Body                    any
}

func (sc *screen) page(r *http.Request, title string) *page {
	s := sc.Run.Snapshot()
	return &page{Title: title, Machine: s.Machine, Setup: s.Setup != nil && len(s.Setup.Unknown) > 0, Version: sc.Version, Path: r.URL.Path,
		Operates: sc.Operates(r), LogOut: sc.LogOut(r), Asset: assetVersion, Key: rand.Text()}
}

// write makes a page whole before the first byte of it goes out.
func (sc *screen) write(w http.ResponseWriter, status int, name string, p *page) {
	var text bytes.Buffer
	if err := sc.pages[name].ExecuteTemplate(&text, "frame", p); err != nil {
		sc.Log.Error("cannot make a page", zap.String("page", name), zap.Error(err))
		http.Error(w, "cannot make the page: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(text.Bytes()) // a reader who has gone needs no answer
}

// sorry is a page that says why there is no other.
func (sc *screen) sorry(w http.ResponseWriter, r *http.Request, status int, what, remedy string) {
	p := sc.page(r, what)
	p.Body = struct{ What, Remedy string }{what, remedy}
	sc.write(w, status, "sorry", p)
}

// fail answers with the page that an error is.
func (sc *screen) fail(w http.ResponseWriter, r *http.Request, err error) {
	status, what, remedy := sc.reason(r, err)
	sc.sorry(w, r, status, what, remedy)
}

// reason says what an error is to the operator.
func (sc *screen) reason(r *http.Request, err error) (status int, what, remedy string) {
	var refusal *supervisor.Refusal
	switch {
	case errors.As(err, &refusal):
		return http.StatusConflict, "Cannot " + refusal.What + ": " + refusal.Why, sentence(refusal.Remedy)
	case errors.Is(err, supervisor.ErrEnded):
		return http.StatusServiceUnavailable, "The daemon is shutting down and takes no more requests", "Try again when it is running again."
	case errors.Is(err, ledger.ErrNotFound):
		return http.StatusNotFound, sentence(err.Error()), "See the list of lots."
	case errors.Is(err, ledger.ErrTooMany):
		return http.StatusConflict, sentence(err.Error()), "Count the parts again."
	case errors.Is(err, ledger.ErrFull):
		return http.StatusInsufficientStorage, sentence(err.Error()), "Make room on the ledger's disk."
	case errors.Is(err, context.DeadlineExceeded):
		return http.StatusServiceUnavailable, "The ledger or a job file takes too long to read", "Try again. If it persists, check the disk."
	case r.Context().Err() != nil:
		return http.StatusServiceUnavailable, "The request was cancelled before it was carried out", "Try again."
	}
	sc.Log.Error("unexpected error", zap.String("path", r.URL.Path), zap.Error(err))
	return http.StatusInternalServerError, sentence(err.Error()), "See the daemon's log."
}
