package access

import (
	"context"
	"io"
	"net/http"
)

// mostBody bounds the bytes of a request, unless its handler takes the whole of it.
const mostBody = 1 << 20

// wholeKey is the context key of a request's body as it came.
type wholeKey struct{}

// bounded puts the usual bound on the body of a request.
func bounded(w http.ResponseWriter, r *http.Request) *http.Request {
	whole := r.Body
	r = r.WithContext(context.WithValue(r.Context(), wholeKey{}, whole))
	r.Body = http.MaxBytesReader(w, whole, mostBody)
	return r
}

// Whole returns the body of a request without the usual bound, for a handler that
// has one of its own.
func Whole(r *http.Request) io.ReadCloser {
	if whole, ok := r.Context().Value(wholeKey{}).(io.ReadCloser); ok {
		return whole
	}
	return r.Body
}
