package app

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"beltwarden/config"
	"beltwarden/daemon/alert"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// bundleAfter is the age from which alerts that could not be delivered are sent
// together: nobody acts on yesterday's one by one.
const bundleAfter = time.Hour

// alertRetry says how long to wait after a failed delivery.
func alertRetry(c *config.Settings) alert.Retry {
	return alert.Retry{First: c.Alerts.RetryFirst, Limit: c.Alerts.RetryLimit}
}

// alertPolicy says when who is called.
func alertPolicy(c *config.Settings) alert.Policy {
	p := alert.Policy{EscalateAfter: c.Alerts.EscalateAfter, QuietHolds: c.Alerts.QuietHolds, PerHour: c.Alerts.PerHour, Stale: bundleAfter,
		ClockFloor: builtAfter()}
	if from, to, ok := config.ParseSpan(c.Alerts.Quiet); ok {
		p.Quiet = alert.Span{FromMin: from, ToMin: to}
	}
	return p
}

// alertWords returns what the texts of alerts need of the configuration.
func alertWords(c *config.Settings) alert.Writer {
	w := alert.Writer{Machine: c.Machine.Name}
	if u := c.Server.PublicURL; u != "" {
		w.VisitURL = strings.TrimSuffix(u, "/") + "/visit"
	}
	return w
}

// receivers makes what the alerts are sent with. The error names every file that cannot
// be read and every address that cannot be used; the other receivers are returned.
func (a *App) receivers() (list []alert.Receiver, err error) {
	c := &a.o.Config.Alerts
	agent := strings.TrimSuffix("beltwarden/"+a.o.Version, "/")
	var wrong []error
	add := func(where string, level int, n alert.Notifier, errs ...error) {
		if err := errors.Join(errs...); err != nil {
			wrong = append(wrong, fmt.Errorf("%s: %w", where, err))
			return
		}
		for _, before := range list {
			if before.Name() == n.Name() {
				wrong = append(wrong, fmt.Errorf("%s: %s has the name of a receiver before it; give each its own", where, n.Name()))
				return
			}
		}
		list = append(list, alert.Receiver{Notifier: n, Level: level})
	}
	for i, h := range c.Webhooks {
		o, err := webhookOptions(h, agent)
		o.Dial = a.o.Dial
		hook, fault := alert.NewWebhook(o)
		add(fmt.Sprintf("alerts.webhooks[%d]", i), h.Level, hook, firstError(err, fault))
	}
	for i, m := range c.Mails {
		o, err := mailOptions(m, agent)
		o.Dial = a.o.Dial
		mail, fault := alert.NewMail(o)
		add(fmt.Sprintf("alerts.mails[%d]", i), m.Level, mail, firstError(err, fault))
	}
	for i, s := range c.Services {
		address, err := readSecretText(s.URLFile)
		service, fault := alert.NewService(alert.ServiceOptions{Name: s.Name, URL: address, Timeout: s.Timeout})
		add(fmt.Sprintf("alerts.services[%d]", i), s.Level, service, firstError(err, fault))
	}
	for i, m := range c.Alertmanagers {
		o, err := webhookOptions(config.Webhook{Receiver: m.Receiver, URL: m.URL, URLFile: m.URLFile, Header: m.Header, Timeout: m.Timeout}, agent)
		o.Dial = a.o.Dial
		to, fault := alert.NewAlertmanager(alert.AlertmanagerOptions{Webhook: o, Machine: a.o.Config.Machine.Name,
			Snapshot: a.lastSnapshot})
		add(fmt.Sprintf("alerts.alertmanagers[%d]", i), m.Level, to, firstError(err, fault))
	}
	return list, errors.Join(wrong...)
}

// lastSnapshot is the run's newest, or of no state where there is no run.
func (a *App) lastSnapshot() *supervisor.Snapshot {
	if a.run == nil {
		return &supervisor.Snapshot{}
	}
	return a.run.Snapshot()
}

// Call sends a text to every receiver of alerts while no daemon runs, until ctx ends. The
// error names each receiver that cannot be used or has not taken it; the others have.
func Call(ctx context.Context, c *config.Settings, version, text string) (reached int, err error) {
	a := App{o: Options{Config: c, Version: version}}
	list, err := a.receivers()
	words := alertWords(c)
	wrong := []error{err}
	for _, err := range alert.SendAll(ctx, list, &words, text, alertRetry(c)) {
		if err == nil {
			reached++
		}
		wrong = append(wrong, err)
	}
	return reached, errors.Join(wrong...)
}

// firstError returns the first error; those after it follow from it.
func firstError(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

func webhookOptions(h config.Webhook, agent string) (o alert.WebhookOptions, err error) {
	o = alert.WebhookOptions{Name: h.Name, URL: h.URL, Header: h.Header, Timeout: h.Timeout, Agent: agent}
	if h.URLFile != "" {
		o.URL, err = readSecretText(h.URLFile)
	}
	if err == nil && h.SignFile != "" {
		err = readSecretLine(h.SignFile, func(text []byte) { o.Sign = bytes.Clone(text) })
		if why := weakness(o.Sign); err == nil && why != "" {
			err = fmt.Errorf("cannot sign with what %s holds: %s", h.SignFile, why)
		}
	}
	return o, err
}

func mailOptions(m config.Mail, agent string) (o alert.MailOptions, err error) {
	o = alert.MailOptions{Name: m.Name, Host: m.Host, Port: m.Port, TLS: m.TLS, User: m.User, From: m.From, To: m.To, Timeout: m.Timeout, Agent: agent}
	if m.PasswordFile != "" {
		o.Password, err = readSecretText(m.PasswordFile)
	}
	return o, err
}

// configuredOutbox is the ledger with the outbox as the metrics should show it: without what is
// kept back on purpose.
type configuredOutbox struct {
	*ledger.Ledger
	calls *alert.Switchboard
}

// AlertQueue returns how each receiver stands.
func (t configuredOutbox) AlertQueue(ctx context.Context) ([]ledger.Receiver, error) {
	receivers, err := t.calls.Receivers(ctx)
	var queue []ledger.Receiver
	for _, c := range receivers {
		queue = append(queue, ledger.Receiver{Name: c.Name, Pending: c.Pending, Failing: c.Failing, Delivered: c.Delivered,
			LastError: c.LastError, Oldest: c.Oldest})
	}
	return queue, err
}
