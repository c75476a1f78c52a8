package alert

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"sync"
	"time"

	"beltwarden/supervisor"
)

const (
	// tellAgain is how often a condition that lasts is sent again.
	tellAgain = time.Minute
	// mostResolve is how many conditions that are over are remembered while nobody takes them.
	mostResolve = 100
)

// AlertmanagerOptions describe an Alertmanager of Prometheus.
type AlertmanagerOptions struct {
	Webhook  WebhookOptions // its URL is that of the Alertmanager, such as http://127.0.0.1:9093
	Machine  string
	Snapshot func() *supervisor.Snapshot
}

// Alertmanager is a [Notifier] that posts alerts to the interface of that name,
// version 2. Holds, suspensions, aborts and a finished lot are sent again while they
// last, and ended when they are over; what else there is ends by itself, after the
// resolve_timeout of the Alertmanager. When a condition begins is left to its clock: by one of
// ours that is behind, every alert would be over before it is taken, and one that is ahead is refused.
type Alertmanager struct {
	post *Webhook
	o    AlertmanagerOptions

	mu     sync.Mutex
	posted []posted // conditions that were sent and not yet ended
}

// posted is one alert in the shape of the interface.
type posted struct {
	Labels       map[string]string `json:"labels"`
	Annotations  map[string]string `json:"annotations,omitempty"`
	EndsAt       time.Time         `json:"endsAt,omitzero"`
	GeneratorURL string            `json:"generatorURL,omitempty"`
}

// NewAlertmanager returns a receiver. It connects to nothing yet.
func NewAlertmanager(o AlertmanagerOptions) (*Alertmanager, error) {
	u, err := url.Parse(o.Webhook.URL)
	if err != nil {
		return nil, errors.New("cannot use the address of an Alertmanager: it is not of the form http://host:port")
	}
	o.Webhook.URL = u.JoinPath("api", "v2", "alerts").String()
	w, err := NewWebhook(o.Webhook)
	if err != nil {
		return nil, errors.New("cannot use the address of an Alertmanager: it is not of the form http://host:port")
	}
	return &Alertmanager{post: w, o: o}, nil
}

// Name implements [Notifier].
func (m *Alertmanager) Name() string { return m.post.Name() }

// Kind implements [Notifier].
func (m *Alertmanager) Kind() string { return "alertmanager" }

// Close implements [Notifier].
func (m *Alertmanager) Close() { m.post.Close() }

// Notify implements [Notifier].
func (m *Alertmanager) Notify(ctx context.Context, message *Message) error {
	a := message.About
	p := posted{Labels: m.labels(a.State, a.Kind, message.Urgency), GeneratorURL: message.Visit,
		Annotations: map[string]string{"summary": message.Subject, "description": message.Text}}
	if err := m.send(ctx, message.ID, p); err != nil {
		return err
	}
	if m.lasts(p) {
		m.mu.Lock()
		defer m.mu.Unlock()
		m.posted = append(slices.DeleteFunc(m.posted, func(q posted) bool { return same(p, q) }), p)
	}
	return nil
}

// labels make one condition of what has the same state and reason. What changes
// while it lasts is no label: it would make another condition of it.
func (m *Alertmanager) labels(state, kind string, u Urgency) map[string]string {
	l := map[string]string{"alertname": "BeltwardenNeedsSomebody", "machine": m.o.Machine, "reason": kind,
		"severity": [...]string{"info", "warning", "critical"}[u]}
	if state != "" {
		l["state"] = state
	}
	return l
}

func same(p, q posted) bool { return fmt.Sprint(p.Labels) == fmt.Sprint(q.Labels) }

// lasts says whether an alert is about the state that the machine is in.
func (m *Alertmanager) lasts(p posted) bool {
	s := m.o.Snapshot()
	switch s.State {
	case supervisor.Held, supervisor.Suspended, supervisor.Aborting, supervisor.Aborted, supervisor.Complete:
		return p.Labels["state"] == s.State.String() && p.Labels["reason"] == s.Cause.Code
	}
	return false
}

func (m *Alertmanager) send(ctx context.Context, id string, p ...posted) error {
	body, err := json.Marshal(p)
	if err != nil {
		return fmt.Errorf("cannot write the alert: %w", err)
	}
	return m.post.post(ctx, id, body)
}

// keep sends conditions again while they last and ends them when they are over,
// until ctx ends. An Alertmanager that does not listen gets it the next time.
func (m *Alertmanager) keep(ctx context.Context) {
	ticker := time.NewTicker(pollEvery)
	defer ticker.Stop()
	var sent time.Time
	for {
		select {
		case <-ctx.Done():
			return
		case now := <-ticker.C:
			over := m.over()
			if len(over) == 0 && now.Sub(sent) < tellAgain {
				continue
			}
			sent = now
			m.again(ctx, over, now)
		}
	}
}

// over returns the conditions sent that do not hold any more.
func (m *Alertmanager) over() (list []posted) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, p := range m.posted {
		if !m.lasts(p) {
			list = append(list, p)
		}
	}
	return list
}

// again posts what lasts, and the end of what is over, by the clock of the Alertmanager:
// by one of ours that is ahead it would go on until then.
func (m *Alertmanager) again(ctx context.Context, over []posted, now time.Time) {
	m.mu.Lock()
	all := slices.Clone(m.posted)
	m.mu.Unlock()
	for i := range all {
		if slices.ContainsFunc(over, func(q posted) bool { return same(all[i], q) }) {
			all[i].EndsAt = now.Add(time.Duration(m.post.ahead.Load()))
		}
	}
	if len(all) == 0 {
		return
	}
	err := m.send(ctx, "again", all...)
	m.mu.Lock()
	defer m.mu.Unlock()
	if err == nil {
		m.posted = slices.DeleteFunc(m.posted, func(q posted) bool {
			return slices.ContainsFunc(over, func(p posted) bool { return same(p, q) })
		})
	}
	if n := len(m.posted) - mostResolve; n > 0 {
		m.posted = m.posted[n:] // they end by themselves
	}
}
