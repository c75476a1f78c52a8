package board

import (
	"context"
	"net/http"
	"slices"

	"beltwarden/daemon/screen"
	"beltwarden/supervisor/ledger"
)

// alertsPage shows how it stands with each receiver.
type alertsPage struct {
	Key       string
	Channels  []receiver
	Test      bool // a test can be sent
	Told, Bad string
}

type receiver struct {
	Name, State, Error, Oldest string
	Pending, Delivered         int
	Configured                 bool
}

func (b *board) alerts(w http.ResponseWriter, r *http.Request) {
	b.showAlerts(w, r, http.StatusOK, "", "")
}

func (b *board) showAlerts(w http.ResponseWriter, r *http.Request, status int, told, bad string) {
	ctx, cancel := context.WithTimeout(r.Context(), readLimit)
	defer cancel()
	queue, err := b.Ledger.AlertQueue(ctx)
	if err != nil {
		b.fail(w, r, err)
		return
	}
	s := b.Run.Snapshot()
	p := b.page(r, "Alerts")
	v := alertsPage{Key: p.Key, Test: b.TestAlert != nil && p.Operates, Told: told, Bad: bad}
	for _, name := range b.Channels {
		if !slices.ContainsFunc(queue, func(c ledger.Channel) bool { return c.Name == name }) {
			queue = append(queue, ledger.Channel{Name: name})
		}
	}
	for _, c := range queue {
		x := receiver{Name: c.Name, Pending: c.Pending, Delivered: c.Delivered, Error: c.LastError, Configured: slices.Contains(b.Channels, c.Name)}
		switch {
		case !x.Configured:
			x.State = "no longer configured: nothing is sent to it"
		case c.Failing > 0:
			x.State = "does not get through"
		case c.Pending > 0:
			x.State = "on its way"
		default:
			x.State = "all delivered"
		}
		if c.Pending > 0 && !c.Oldest.At.IsZero() {
			x.Oldest = screen.Clock(c.Oldest.At, s.At)
		}
		v.Channels = append(v.Channels, x)
	}
	p.Body = v
	b.write(w, status, "alerts", p)
}

// testAlert sends a test to one receiver and says what came of it.
func (b *board) testAlert(w http.ResponseWriter, r *http.Request) {
	if b.TestAlert == nil {
		b.nothing(w, r)
		return
	}
	name := r.PostFormValue("channel")
	if !slices.Contains(b.Channels, name) {
		b.showAlerts(w, r, http.StatusUnprocessableEntity, "", "There is no such receiver.")
		return
	}
	if err := b.TestAlert(r.Context(), name); err != nil {
		b.showAlerts(w, r, http.StatusBadGateway, "", "The test did not get through to "+name+": "+err.Error()+".")
		return
	}
	b.showAlerts(w, r, http.StatusOK, "The test was taken by "+name+": see that it has arrived.", "")
}
