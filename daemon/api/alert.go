package api

import (
	"context"
	"errors"
	"net/http"
	"time"

	"beltwarden/daemon/alert"
	"beltwarden/daemon/client"
)

// Alerts is what the interface needs of the switchboard.
type Alerts interface {
	Receivers(ctx context.Context) ([]alert.State, error)
	Test(ctx context.Context, receiver string) error
}

// alerts shows the outbox for every receiver that was ever configured.
func (b *api) alerts(ctx context.Context, _ *http.Request) ([]client.Receiver, error) {
	return Receivers(ctx, b.Alerts)
}

// Receivers returns how every receiver of alerts stands, in the form that is sent.
func Receivers(ctx context.Context, a Alerts) ([]client.Receiver, error) {
	list, err := a.Receivers(ctx)
	return mapSlice(list, func(c alert.State) client.Receiver {
		return client.Receiver{Name: c.Name, Configured: c.Level > 0, Kind: c.Kind, Level: c.Level, Pending: c.Pending, KeptBack: c.KeptBack,
			Failing: c.Failing, Delivered: c.Delivered, LastError: c.LastError, LastDelivered: c.LastDelivered,
			Oldest: stampOrNil(c.Oldest), OldestAgeS: c.OldestAge.Seconds(), Quiet: c.Quiet, Limited: c.Limited}
	}), err
}

// testAlert sends a test message and answers with what came of it: that it did not
// arrive is an answer, no failure of the request.
func (b *api) testAlert(w http.ResponseWriter, r *http.Request) error {
	var q client.AlertTest
	if err := decode(r, &q); err != nil {
		return err
	}
	allowLongReply(w)
	begin := time.Now()
	err := b.Alerts.Test(r.Context(), q.Receiver)
	if errors.Is(err, alert.ErrNoReceiver) {
		return &badRequest{http.StatusNotFound, err.Error(), "see the list of receivers: beltwarden alert list"}
	}
	t := client.AlertTested{Receiver: q.Receiver, Arrived: err == nil, TookS: time.Since(begin).Seconds()}
	if err != nil {
		t.Error = err.Error()
	}
	return answer(w, http.StatusOK, t)
}
