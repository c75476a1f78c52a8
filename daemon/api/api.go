// Package api is what programs see of the daemon over HTTP: its health, its
// metrics and the JSON interface. It reads published snapshots and the ledger, and
// hands every request to the run; it never touches the port.
package api

import (
	"context"
	"net/http"
	"time"

	"go.uber.org/zap"

	"beltwarden/daemon/client"
	"beltwarden/daemon/idempotency"
	"beltwarden/daemon/report"
	"beltwarden/daemon/shelf"
	"beltwarden/supervisor"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// Run is what the interface needs of the supervisor.
type Run interface {
	Snapshot() *supervisor.Snapshot
	Do(ctx context.Context, r supervisor.Request) (supervisor.Result, error)
}

// Ledger is what the interface reads of the ledger.
type Ledger interface {
	report.Ledger
	Lots(ctx context.Context) ([]ledger.Lot, error)
	supervisor.AdhesionStore
	NextIDs(ctx context.Context) (ledger.NextIDs, error)
}

// Options are what the interface is made of.
type Options struct {
	Run    Run
	Ledger Ledger
	// Inspect reads a job file for the machine at hand, see [job.Inspect].
	Inspect job.Inspector
	// Take reads it for a lot, from a copy that the lot keeps; nil: there are no copies.
	Take job.Inspector
	// Kept reports whether the copy of a job of that SHA-256 is there; nil: there are no copies.
	Kept func(digest string) bool
	// Shelf holds uploaded jobs; nil when there is no folder for them.
	Shelf   *shelf.Shelf
	Metrics http.Handler // answers /metrics
	// Invite makes a code by which one browser signs in; its errors are of the type [InviteError].
	Invite func(q client.InviteRequest, by string) (client.Invitation, error)
	Alerts Alerts
	// Report is what a lot's report needs beside the ledger.
	Report report.Settings
	Log    *zap.Logger
}

// Bounds on what a request may cost.
const (
	readLimit    = 10 * time.Second // one look into the ledger
	inspectLimit = 30 * time.Minute // reading all job files of a lot
	maxEvents    = 1000
	maxViewers   = 8 // requests of theirs that read job files or wait for it
)

type api struct {
	Options
	inspector chan struct{} // holds one token for the request that reads job files
	viewers   struct {      // the same for those who may only look, so that no operator waits for them
		inspector chan struct{}
		waiting   chan struct{} // a token for each
	}
}

// New returns the handler of everything that the daemon serves to programs.
func New(o Options) http.Handler {
	b := &api{Options: o, inspector: make(chan struct{}, 1)}
	b.viewers.inspector, b.viewers.waiting = make(chan struct{}, 1), make(chan struct{}, maxViewers)
	mux := http.NewServeMux()
	for pattern, handler := range b.routes(o.Metrics) {
		mux.Handle(pattern, handler)
	}
	return withProblems(mux)
}

// handler answers a request, or returns the error that [api.fail] answers with.
type handler func(w http.ResponseWriter, r *http.Request) error

func (b *api) handle(h handler) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if err := h(w, r); err != nil {
			b.fail(w, r, err)
		}
	}
}

// routes are all that is answered; openapi.yaml describes each.
func (b *api) routes(metrics http.Handler) map[string]http.Handler {
	answers := idempotency.New()
	act := func(next handler) http.Handler { return answers.Handler(idempotency.Header, b.handle(next)) }
	read := func(next handler) http.Handler { return b.handle(next) }
	return map[string]http.Handler{
		"GET /healthz":                    read(func(w http.ResponseWriter, _ *http.Request) error { return text(w, http.StatusOK, "alive") }),
		"GET /readyz":                     read(b.ready),
		"GET /metrics":                    metrics,
		"GET /api/v1/status":              read(b.status),
		"GET /api/v1/lots":                read(query(b, b.lots)),
		"GET /api/v1/lots/{id}":           read(query(b, b.lot)),
		"GET /api/v1/lots/{id}/report":    read(b.lotReport),
		"GET /api/v1/events":              read(query(b, b.events)),
		"GET /api/v1/alerts":              read(query(b, b.alerts)),
		"POST /api/v1/alerts/test":        act(b.testAlert),
		"POST /api/v1/alerts/acknowledge": act(ask(b, acknowledge)),
		"POST /api/v1/commands":           act(ask(b, command)),
		"POST /api/v1/checks":             act(ask(b, recordVisit)),
		"POST /api/v1/scale":              act(ask(b, scale)),
		"POST /api/v1/setup/move":         act(ask(b, setupMove)),
		"POST /api/v1/setup/found":        act(ask(b, setupFound)),
		"POST /api/v1/trials/begin":       act(ask(b, beginTrial)),
		"POST /api/v1/trials/end":         act(ask(b, endTrial)),
		"POST /api/v1/lots":               act(b.openLot),
		"POST /api/v1/lots/{id}/end":      act(ask(b, b.endLot)),
		"POST /api/v1/invitations":        act(b.invite),
		"GET /api/v1/jobs":                read(b.jobs),
		"GET /api/v1/jobs/{name}":         read(b.job),
		"POST /api/v1/jobs":               read(b.putJob), // the same file sent twice is stored once
		"DELETE /api/v1/jobs/{name}":      act(b.removeJob),
		"GET /api/v1/openapi.yaml":        read(serveOpenAPI),
	}
}

// ready answers whether the daemon can do its work: the board answers, and so does
// the ledger.
func (b *api) ready(w http.ResponseWriter, r *http.Request) error {
	s := b.Run.Snapshot()
	if !s.Line.Connected {
		why := "the board is not connected"
		if s.Line.Problem != "" {
			why += ": " + s.Line.Problem
		}
		return text(w, http.StatusServiceUnavailable, why)
	}
	ctx, cancel := context.WithTimeout(r.Context(), readLimit)
	defer cancel()
	if _, err := b.Ledger.NextIDs(ctx); err != nil {
		return text(w, http.StatusServiceUnavailable, "the ledger does not answer: "+err.Error())
	}
	return text(w, http.StatusOK, "ready")
}

func (b *api) status(w http.ResponseWriter, _ *http.Request) error {
	return answer(w, http.StatusOK, b.Run.Snapshot())
}

// text answers in plain words.
func text(w http.ResponseWriter, status int, line string) error {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write([]byte(line + "\n")) // a reader who has gone needs no answer
	return nil
}
