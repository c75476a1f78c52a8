// Package idempotency carries out a request once, even if it arrives twice: the second gets the
// answer to the first.
package idempotency

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"io"
	"net/http"
	"net/url"
	"sync"

	"beltwarden/daemon/client"
)

// MaxAnswers is how many answers are remembered; the oldest is forgotten first.
const MaxAnswers = 1024

// maxKey bounds the length of an idempotency key.
const maxKey = 200

// Answers remembers the answers to requests that carried a key. Its methods may be
// used from any goroutine. They are forgotten with the process.
type Answers struct {
	// Refuse answers a request that is not carried out; nil is [client.Refuse].
	Refuse func(w http.ResponseWriter, r *http.Request, status int, detail, remedy string)

	mu    sync.Mutex
	byKey map[string]*reply
	order []string // keys, the oldest first
}

// reply is an answer being made or already given.
type reply struct {
	body   [sha256.Size]byte
	done   chan struct{} // closed once the rest is set
	kept   bool          // false: it was not carried out, and the next one may be
	status int
	header http.Header
	data   []byte
}

// New returns an empty memory.
func New() *Answers { return &Answers{byKey: map[string]*reply{}} }

// Key finds the key of a request in it or in its body; "" is none.
type Key func(r *http.Request, body []byte) string

// Header takes the key from the header Idempotency-Key.
func Header(r *http.Request, _ []byte) string { return r.Header.Get("Idempotency-Key") }

// Field takes the key from a field of a form that was sent urlencoded.
func Field(name string) Key {
	return func(_ *http.Request, body []byte) string {
		form, err := url.ParseQuery(string(body))
		if err != nil {
			return ""
		}
		return form.Get(name)
	}
}

// Status returns the status of the answer that was given to a key at a path, 0 for none yet.
func (a *Answers) Status(path, key string) int {
	a.mu.Lock()
	defer a.mu.Unlock()
	if p := a.byKey[cacheKey(path, key)]; p != nil && p.kept {
		return p.status
	}
	return 0
}

// cacheKey is what an answer is kept under.
func cacheKey(path, key string) string { return path + "\x00" + key }

func (a *Answers) refuse(w http.ResponseWriter, r *http.Request, status int, detail, remedy string) {
	if a.Refuse != nil {
		a.Refuse(w, r, status, detail, remedy)
		return
	}
	client.Refuse(w, status, detail, remedy)
}

// claim returns the answer for a key, and whether the caller has to make it.
func (a *Answers) claim(key string, body [sha256.Size]byte) (*reply, bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if p := a.byKey[key]; p != nil {
		return p, false
	}
	p := &reply{body: body, done: make(chan struct{})}
	if len(a.order) >= MaxAnswers {
		delete(a.byKey, a.order[0])
		a.order = append(a.order[:0], a.order[1:]...)
	}
	a.byKey[key] = p
	a.order = append(a.order, key)
	return p, true
}

// settle publishes an answer. One that says that nothing was carried out is forgotten.
func (a *Answers) settle(key string, p *reply, w *recorder) {
	a.mu.Lock()
	defer a.mu.Unlock()
	p.status, p.header, p.data = w.status, w.header.Clone(), w.data.Bytes()
	p.kept = w.status != 0 && w.status < http.StatusInternalServerError
	if !p.kept && a.byKey[key] == p {
		delete(a.byKey, key)
		for i, k := range a.order {
			if k == key {
				a.order = append(a.order[:i], a.order[i+1:]...)
				break
			}
		}
	}
	close(p.done)
}

// Handler makes next carry out a request with the same key at the same path only once. Requests
// without a key always go through. A failure (status 500 and above) is not kept, so that a later
// try can succeed.
func (a *Answers) Handler(keyOf Key, next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		data, err := io.ReadAll(r.Body)
		if long := new(http.MaxBytesError); errors.As(err, &long) {
			a.refuse(w, r, http.StatusRequestEntityTooLarge, "the request is too long", "send less")
			return
		} else if err != nil {
			a.refuse(w, r, http.StatusBadRequest, "cannot read the request: "+err.Error(), "send it again")
			return
		}
		r.Body = io.NopCloser(bytes.NewReader(data))
		key := keyOf(r, data)
		if key == "" {
			next(w, r)
			return
		}
		if len(key) > maxKey {
			a.refuse(w, r, http.StatusBadRequest, "the Idempotency-Key is too long", "use at most 200 characters")
			return
		}
		key = cacheKey(r.URL.Path, key)
		for {
			p, mine := a.claim(key, sha256.Sum256(data))
			if mine {
				a.carryOut(w, r, next, key, p)
				return
			}
			if p.body != sha256.Sum256(data) {
				a.refuse(w, r, http.StatusUnprocessableEntity, "the same key was sent before, with another request", "use a new Idempotency-Key for each request")
				return
			}
			select {
			case <-p.done:
			case <-r.Context().Done():
				a.refuse(w, r, http.StatusServiceUnavailable, "the request was cancelled before it was carried out", "try again")
				return
			}
			if p.kept {
				p.write(w)
				return
			}
		}
	}
}

// carryOut carries the request out and keeps the answer, even if it panics, so that nobody waits
// for ever.
func (a *Answers) carryOut(w http.ResponseWriter, r *http.Request, next http.HandlerFunc, key string, p *reply) {
	rec := &recorder{ResponseWriter: w, header: http.Header{}}
	defer a.settle(key, p, rec)
	next(rec, r)
	(&reply{status: rec.status, header: rec.header, data: rec.data.Bytes()}).write(w)
}

func (p *reply) write(w http.ResponseWriter) {
	for name, values := range p.header {
		w.Header()[name] = values
	}
	w.WriteHeader(p.status)
	_, _ = w.Write(p.data) // a reader who has gone needs no answer
}

// recorder keeps an answer instead of sending it.
type recorder struct {
	http.ResponseWriter // for http.ResponseController
	header              http.Header
	status              int
	data                bytes.Buffer
}

// Header implements http.ResponseWriter.
func (w *recorder) Header() http.Header { return w.header }

// WriteHeader implements http.ResponseWriter.
func (w *recorder) WriteHeader(status int) {
	if w.status == 0 {
		w.status = status
	}
}

// Write implements http.ResponseWriter.
func (w *recorder) Write(p []byte) (int, error) {
	w.WriteHeader(http.StatusOK)
	return w.data.Write(p)
}

// Unwrap gives http.ResponseController the connection.
func (w *recorder) Unwrap() http.ResponseWriter { return w.ResponseWriter }
