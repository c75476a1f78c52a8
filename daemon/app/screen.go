package app

import (
	"context"
	"io"
	"net/http"
	"time"

	"beltwarden/daemon/access"
	"beltwarden/daemon/api"
	"beltwarden/daemon/client"
	"beltwarden/daemon/report"
	"beltwarden/daemon/screen"
	"beltwarden/daemon/shelf"
	"beltwarden/supervisor/job"
)

// screen makes the operator's pages.
func (a *App) screen(o job.Options) http.Handler {
	var files screen.Jobs
	if a.shelf != nil {
		files = jobs{a.shelf}
	}
	return screen.New(screen.Options{
		Run: a.run, Ledger: configuredOutbox{a.ledger, a.calls},
		Lots: func(ctx context.Context) ([]client.LotSummary, error) { return api.Lots(ctx, a.ledger) },
		Lot: func(ctx context.Context, id int64) (*client.LotDetail, error) {
			return api.Lot(ctx, a.ledger, id, a.jobs.hasCopy)
		},
		Inspect: a.jobs.inspect, Take: a.jobs.take, Job: o, AdvanceFeed: a.o.Config.Discharge.AdvanceFeedMMPerMin,
		Alerts: func(ctx context.Context) ([]client.Receiver, error) { return api.Receivers(ctx, a.calls) },
		Cost: func(filamentG float64, busy time.Duration, visits, good int) *screen.Cost {
			c := report.QuoteCost(ReportSettings(a.o.Config).Rates, filamentG, busy, visits, good)
			if c.Total == nil || c.PerGood == nil {
				return nil
			}
			return &screen.Cost{Currency: c.Currency, Total: *c.Total, Each: *c.PerGood, LeftOut: len(c.LeftOut)}
		},
		Jobs: files, TestAlert: a.calls.Test, Version: a.o.Version, Log: a.log.Named("screen"),
		Operates: func(r *http.Request) bool { return access.RoleOf(r) == access.Operate },
		LogOut:   access.HasSession,
		Who:      access.Actor,
		Slowly:   access.SlowBody,
	})
}

// route serves programs under the addresses that are theirs, and the pages under all
// others.
func route(programs, pages http.Handler) http.Handler {
	mux := http.NewServeMux()
	for _, path := range []string{"/api/", "/healthz", "/readyz", "/metrics"} {
		mux.Handle(path, programs)
	}
	mux.Handle("/", pages)
	return mux
}

// jobs is the folder of uploaded jobs as the screen sees it.
type jobs struct{ *shelf.Shelf }

func (j jobs) Put(ctx context.Context, name string, r io.Reader) (screen.JobFile, error) {
	i, err := j.Shelf.Put(ctx, name, r)
	return jobFile(i), err
}

func (j jobs) List() ([]screen.JobFile, error) {
	items, err := j.Shelf.List()
	list := make([]screen.JobFile, 0, len(items))
	for _, i := range items {
		list = append(list, jobFile(i))
	}
	return list, err
}

func jobFile(i shelf.Item) screen.JobFile {
	return screen.JobFile{Name: i.Name, Path: i.Path, Bytes: i.Bytes, Stored: i.Stored}
}
