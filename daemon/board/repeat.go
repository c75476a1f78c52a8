package board

import (
	"bytes"
	"crypto/sha256"
	"io"
	"net/http"
	"sync"
)

// mostAnswered bounds how many answers are remembered; the oldest go first.
const mostAnswered = 1024

// mostKey bounds the length of an idempotency key.
const mostKey = 200

// answered remembers the answers to requests that carried an Idempotency-Key, so
// that a request which travels twice is carried out once.
type answered struct {
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

func newAnswered() *answered { return &answered{byKey: map[string]*reply{}} }

// claim returns the answer that belongs to a key, and whether the caller is the
// one who is to make it.
func (a *answered) claim(key string, body [sha256.Size]byte) (*reply, bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if p := a.byKey[key]; p != nil {
		return p, false
	}
	p := &reply{body: body, done: make(chan struct{})}
	if len(a.order) >= mostAnswered {
		delete(a.byKey, a.order[0])
		a.order = append(a.order[:0], a.order[1:]...)
	}
	a.byKey[key] = p
	a.order = append(a.order, key)
	return p, true
}

// settle publishes an answer; one that says nothing was carried out is forgotten.
func (a *answered) settle(key string, p *reply, w *recorder) {
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

// once makes a handler carry out a request with the same key one time only.
func (b *board) once(next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		key := r.Header.Get("Idempotency-Key")
		if key == "" {
			next(w, r)
			return
		}
		if len(key) > mostKey {
			refuse(w, http.StatusBadRequest, "the Idempotency-Key is too long", "use at most 200 characters")
			return
		}
		data, err := io.ReadAll(r.Body)
		if err != nil {
			b.fail(w, r, unread(err))
			return
		}
		key = r.URL.Path + "\x00" + key
		for {
			p, mine := b.answered.claim(key, sha256.Sum256(data))
			if mine {
				b.first(w, r, next, key, p, data)
				return
			}
			if p.body != sha256.Sum256(data) {
				refuse(w, http.StatusUnprocessableEntity, "the Idempotency-Key belongs to another request", "use a new key for each request")
				return
			}
			select {
			case <-p.done:
			case <-r.Context().Done():
				b.fail(w, r, r.Context().Err())
				return
			}
			if p.kept {
				p.write(w)
				return
			}
		}
	}
}

// first carries the request out and keeps the answer, also when it panics, so
// that nobody waits for ever.
func (b *board) first(w http.ResponseWriter, r *http.Request, next http.HandlerFunc, key string, p *reply, data []byte) {
	rec := &recorder{ResponseWriter: w, header: http.Header{}}
	defer b.answered.settle(key, p, rec)
	r.Body = io.NopCloser(bytes.NewReader(data))
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
	http.ResponseWriter // for what http.ResponseController asks of it
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
