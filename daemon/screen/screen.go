// Package screen is what the operator sees of the daemon in a browser: when to be at the
// machine next and why, how many good parts there are, and forms for everything that is
// done at the machine. Pages are made on the server and work without script; a script of
// our own keeps them live. The screen reads published snapshots and the ledger and hands
// every request to the run; it never touches the port.
package screen

import (
	"context"
	"io"
	"net/http"
	"time"

	"go.uber.org/zap"

	"beltwarden/daemon/client"
	"beltwarden/daemon/idempotency"
	"beltwarden/supervisor"
	"beltwarden/supervisor/job"
	"beltwarden/supervisor/ledger"
)

// Run is what the screen needs of the supervisor.
type Run interface {
	Snapshot() *supervisor.Snapshot
	Do(ctx context.Context, r supervisor.Request) (supervisor.Result, error)
}

// Ledger is what the screen reads of the ledger.
type Ledger interface {
	Journal(ctx context.Context, limit int) ([]ledger.Event, error)
}

// Options are what a screen is made of.
type Options struct {
	Run    Run
	Ledger Ledger
	// Lots lists all lots, the newest first, and Lot gives one with its history.
	Lots func(ctx context.Context) ([]client.LotSummary, error)
	Lot  func(ctx context.Context, id int64) (*client.LotDetail, error)
	// Inspect reads a job file for the machine at hand, and Job says for which machine.
	// Take reads it for a lot, from a copy that the lot keeps; nil: there are no copies.
	Inspect job.Inspector
	Take    job.Inspector
	Job     job.Options
	// AdvanceFeed is that of the discharge, mm/min.
	AdvanceFeed float64
	Jobs        Jobs // nil: none can be uploaded
	// Alerts returns the state of every receiver of alerts, the configured ones first.
	Alerts func(ctx context.Context) ([]client.Receiver, error)
	// TestAlert sends a test to a receiver and returns what came of it; nil where that is
	// not possible.
	TestAlert func(ctx context.Context, receiver string) error
	// Operates says whether a request may do more than look, and Who asks, where a form
	// does not say. LogOut is whether there is a session to end.
	Operates func(r *http.Request) bool
	Who      func(r *http.Request, said string) string
	LogOut   func(r *http.Request) bool
	// Slowly returns the body of a request that may take long, as long as it keeps coming.
	Slowly func(w http.ResponseWriter, r *http.Request) io.ReadCloser
	// Cost is what a lot would cost by the rates of the configuration; nil, or a nil answer, for none.
	Cost    func(filamentG float64, busy time.Duration, visits, good int) *Cost
	Version string
	Log     *zap.Logger
}

// Bounds on what a request may cost.
const (
	readLimit    = 10 * time.Second // one look into the ledger
	inspectLimit = 30 * time.Minute // reading all job files of a lot
	mostEvents   = 200
)

type screen struct {
	Options
	pages     pages
	hub       *hub
	pace      pace
	answers   *idempotency.Answers // to forms
	inspector chan struct{}        // holds one token for the request that reads job files
}

// New returns the handler of the screen's pages.
func New(o Options) http.Handler {
	sc := &screen{Options: o, pages: parse(), answers: idempotency.New(), inspector: make(chan struct{}, 1)}
	sc.hub = newHub(sc.fragments)
	sc.answers.Refuse = sc.again
	act := func(next http.HandlerFunc) http.HandlerFunc {
		return sc.operators(sc.answers.Handler(idempotency.Field("key"), next))
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", sc.now)
	mux.HandleFunc("GET /stream", sc.stream)
	newWall(WallOptions{Machines: []func() Seen{ownRun(o.Run)}, Pages: true, Log: o.Log}).serve(mux)
	mux.HandleFunc("GET /visit", sc.operators(sc.visitForm))
	mux.HandleFunc("POST /visit", act(sc.recordVisit))
	mux.HandleFunc("GET /command/{name}", sc.operators(sc.commandForm))
	mux.HandleFunc("POST /command", act(sc.command))
	mux.HandleFunc("GET /setup", sc.operators(sc.setupForm))
	mux.HandleFunc("POST /setup", act(sc.setupAct))
	mux.HandleFunc("GET /lots", sc.lots)
	mux.HandleFunc("GET /lots/new", sc.operators(sc.shelved(sc.orderForm)))
	mux.HandleFunc("POST /lots/new", sc.operators(sc.shelved(sc.upload)))
	mux.HandleFunc("POST /lots", act(sc.shelved(sc.openLot)))
	mux.HandleFunc("GET /lots/{id}", sc.lot)
	mux.HandleFunc("POST /lots/{id}/end", act(sc.endLot))
	mux.HandleFunc("GET /alerts", sc.alerts)
	mux.HandleFunc("POST /alerts/test", act(sc.testAlert))
	mux.HandleFunc("POST /alerts/acknowledge", act(sc.acknowledge))
	mux.HandleFunc("GET /events", sc.events)
	mux.Handle("GET /static/{file}", http.HandlerFunc(serveStatic))
	mux.HandleFunc("/", sc.nothing)
	return mux
}

// operators keeps those out who may only look.
func (sc *screen) operators(next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if !sc.Operates(r) {
			sc.sorry(w, r, http.StatusForbidden, "You have view-only access", "Sign in with an operator's secret to do this.")
			return
		}
		next(w, r)
	}
}

// shelved is for pages that need a place for job files.
func (sc *screen) shelved(next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if sc.Jobs == nil {
			sc.sorry(w, r, http.StatusNotFound, "No folder for job files is configured", "Set server.jobs_folder in the configuration, or open the lot from the command line.")
			return
		}
		next(w, r)
	}
}

// nothing answers for a page that does not exist.
func (sc *screen) nothing(w http.ResponseWriter, r *http.Request) {
	sc.sorry(w, r, http.StatusNotFound, "There is no such page", "Choose a page at the top.")
}

// now shows how everything stands.
func (sc *screen) now(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), readLimit)
	defer cancel()
	fragments, err := sc.fragments(ctx)
	if err != nil {
		sc.fail(w, r, err)
		return
	}
	p := sc.page(r, "Now")
	p.Live, p.Said = true, doneTexts[r.URL.Query().Get("done")]
	p.Body = fragments.html
	sc.write(w, http.StatusOK, "now", p)
}
