package api

import (
	"net/http"

	"beltwarden/daemon/client"
)

// withProblems gives the answers of the mux itself the form of problems.
func withProblems(mux *http.ServeMux) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if _, pattern := mux.Handler(r); pattern != "" {
			mux.ServeHTTP(w, r)
			return
		}
		// The mux says whether the path or the method is wrong, and which methods are allowed.
		m := &statusRecorder{header: http.Header{}}
		mux.ServeHTTP(m, r)
		if allow := m.header.Get("Allow"); m.status == http.StatusMethodNotAllowed {
			w.Header().Set("Allow", allow)
			client.Refuse(w, m.status, "the method "+r.Method+" is not possible here", "use "+allow)
			return
		}
		client.Refuse(w, http.StatusNotFound, "there is nothing at "+r.URL.Path, "the interface begins at /api/v1/status")
	})
}

// statusRecorder keeps the status of an answer and drops the rest.
type statusRecorder struct {
	header http.Header
	status int
}

func (m *statusRecorder) Header() http.Header         { return m.header }
func (m *statusRecorder) Write(p []byte) (int, error) { return len(p), nil }
func (m *statusRecorder) WriteHeader(status int) {
	if m.status == 0 {
		m.status = status
	}
}
