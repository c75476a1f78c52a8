package app

import (
	"context"
	"net/http"

	"beltwarden/daemon/access"
	"beltwarden/daemon/api"
	"beltwarden/daemon/board"
	"beltwarden/daemon/client"
	"beltwarden/supervisor/job"
)

// board makes the operator's pages.
func (a *App) board(o job.Options) http.Handler {
	return board.New(board.Options{
		Run: a.run, Ledger: a.ledger,
		Lots:    func(ctx context.Context) ([]client.LotSummary, error) { return api.Lots(ctx, a.ledger) },
		Lot:     func(ctx context.Context, id int64) (*client.LotDetail, error) { return api.Lot(ctx, a.ledger, id) },
		Inspect: a.inspect, Job: o, AdvanceFeed: a.o.Config.Discharge.AdvanceFeedMMPerMin,
		Channels: a.channels(), Version: a.o.Version, Log: a.log.Named("board"),
		Operates: func(*http.Request) bool { return true },
		LogOut:   func(*http.Request) bool { return false },
		Who:      access.Who,
	})
}

// both serves programs under the addresses that are theirs, and the pages under all
// others.
func both(programs, pages http.Handler) http.Handler {
	mux := http.NewServeMux()
	for _, path := range []string{"/api/", "/healthz", "/readyz", "/metrics"} {
		mux.Handle(path, programs)
	}
	mux.Handle("/", pages)
	return mux
}
