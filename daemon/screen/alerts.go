package screen

import (
	"context"
	"net/http"
	"slices"
	"time"

	"beltwarden/daemon/client"
	"beltwarden/daemon/wording"
	"beltwarden/supervisor"
)

// alertsView is the lasting mark for alerts that do not get through.
type alertsView struct {
	None    bool // no receiver is configured
	Failing []channelView
	Others  []string // who is called if nobody acts on it
}

type channelView struct {
	Name, Why, Since string
	Waiting          int
}

func alertsOf(channels []client.Receiver, now time.Time) alertsView {
	v := alertsView{None: !slices.ContainsFunc(channels, func(c client.Receiver) bool { return c.Configured })}
	for _, c := range channels {
		switch {
		case !c.Configured:
		case c.Failing > 0:
			v.Failing = append(v.Failing, channelView{Name: c.Name, Why: sentence(c.LastError), Waiting: c.Pending, Since: since(c.Oldest, now)})
		case c.Level > 1 && c.KeptBack > 0 && !c.Quiet:
			v.Others = append(v.Others, c.Name)
		}
	}
	return v
}

func since(s *client.Stamp, now time.Time) string {
	if s == nil || s.At.IsZero() {
		return ""
	}
	return wording.Clock(s.At, now)
}

// alertsPage shows how it stands with each receiver.
type alertsPage struct {
	Key       string
	Channels  []receiver
	Test      bool // a test can be sent
	Others    bool // somebody else is called if nobody acts
	By        field
	Told, Bad string
}

type receiver struct {
	Name, Kind, When, State, Error, Oldest, Last string
	Pending, KeptBack, Delivered                 int
	Configured                                   bool
}

// kinds and levels of receivers in words.
var (
	channelKinds = map[string]string{"webhook": "webhook", "mail": "e-mail", "service": "chat or push service", "alertmanager": "Alertmanager"}
	calledWhen   = []string{"", "called first", "called if nobody has acted for a while", "called last, if still nobody has acted"}
)

// alertsSaid are what the page says after a form was carried out.
var alertsSaid = map[string]string{"known": "Acknowledged. Nobody else is called about the alerts so far."}

func (sc *screen) alerts(w http.ResponseWriter, r *http.Request) {
	sc.showAlerts(w, r, http.StatusOK, alertsSaid[r.URL.Query().Get("done")], "")
}

func (sc *screen) showAlerts(w http.ResponseWriter, r *http.Request, status int, done, bad string) {
	ctx, cancel := context.WithTimeout(r.Context(), readLimit)
	defer cancel()
	channels, err := sc.Alerts(ctx)
	if err != nil {
		sc.fail(w, r, err)
		return
	}
	s := sc.Run.Snapshot()
	p := sc.page(r, "Alerts")
	v := alertsPage{Key: p.Key, Test: sc.TestAlert != nil && p.Operates, Told: done, Bad: bad,
		By: field{Name: "by", Label: "Your name", Auto: "name"}}
	for _, c := range channels {
		v.Channels = append(v.Channels, receiverOf(c, s.At))
		v.Others = v.Others || c.Configured && c.Level > 1
	}
	p.Body = v
	sc.write(w, status, "alerts", p)
}

// receiverOf puts the state of a receiver in words.
func receiverOf(c client.Receiver, now time.Time) receiver {
	x := receiver{Name: c.Name, Kind: channelKinds[c.Kind], Pending: c.Pending, KeptBack: c.KeptBack, Delivered: c.Delivered,
		Error: sentence(c.LastError), Configured: c.Configured}
	if c.Level > 0 && c.Level < len(calledWhen) {
		x.When = calledWhen[c.Level]
	}
	switch {
	case !c.Configured:
		x.State = "no longer configured: receives nothing"
	case c.Failing > 0:
		x.State = "not reached"
	case c.Pending > 0:
		x.State = "sending"
	case c.KeptBack > 0 && c.Quiet:
		x.State = "quiet hours: alerts that can wait are sent when they end"
	case c.KeptBack > 0 && c.Limited:
		x.State = "hourly limit reached: the rest is sent in one message"
	case c.KeptBack > 0:
		x.State = "waiting for somebody to act"
	default:
		x.State = "all delivered"
	}
	if c.Pending > 0 {
		x.Oldest = since(c.Oldest, now)
	}
	if !c.LastDelivered.IsZero() {
		x.Last = wording.Clock(c.LastDelivered, now)
	}
	return x
}

// testAlert sends a test to one receiver and says what came of it.
func (sc *screen) testAlert(w http.ResponseWriter, r *http.Request) {
	if sc.TestAlert == nil {
		sc.nothing(w, r)
		return
	}
	name := r.PostFormValue("channel")
	channels, err := sc.Alerts(r.Context())
	if err != nil {
		sc.fail(w, r, err)
		return
	}
	if !slices.ContainsFunc(channels, func(c client.Receiver) bool { return c.Configured && c.Name == name }) {
		sc.showAlerts(w, r, http.StatusUnprocessableEntity, "", "There is no such receiver.")
		return
	}
	if err := sc.TestAlert(r.Context(), name); err != nil {
		sc.showAlerts(w, r, http.StatusOK, "", "The test did not reach "+name+": "+err.Error()+".")
		return
	}
	sc.showAlerts(w, r, http.StatusOK, "The test was accepted by "+name+". Check that it arrived.", "")
}

// acknowledge records that somebody knows, so that nobody else is called.
func (sc *screen) acknowledge(w http.ResponseWriter, r *http.Request) {
	if _, err := sc.Run.Do(r.Context(), supervisor.Request{Acknowledge: true, By: sc.Who(r, r.PostFormValue("by"))}); err != nil {
		status, what, _ := sc.reason(r, err)
		sc.showAlerts(w, r, status, "", "Cannot record it: "+what+".")
		return
	}
	http.Redirect(w, r, "/alerts?done=known", http.StatusSeeOther)
}
