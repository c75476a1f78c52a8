package app

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"strings"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"beltwarden/config"
	"beltwarden/daemon/access"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// recordLimit bounds how long recording such an alert may take.
const recordLimit = 10 * time.Second

// openGate sets up who is admitted.
func (a *App) openGate(c config.Server) (err error) {
	a.links = a.openLinks()
	o := access.Options{BoundsBody: carriesJob, OnBurst: a.alertSignInFailures, Coming: a.links, Machine: func() string { return a.run.Snapshot().Machine }}
	if o.Operate, err = readAccessSecret(c.SecretFile); err != nil {
		return err
	}
	if o.Look, err = readAccessSecret(c.LookSecretFile); err != nil {
		return err
	}
	a.secret = o.Operate.Set() || o.Look.Set()
	if c.PublicURL != "" {
		if o.Public, err = url.Parse(c.PublicURL); err != nil {
			return fmt.Errorf("cannot use server.public_url: %w", err)
		}
	}
	if p, ok := config.ParsePrefix(c.TrustedProxy); ok {
		o.Proxy = p
	}
	if name, err := os.Hostname(); err == nil { // names that nobody outside can make resolve to us
		o.Hosts = []string{name, strings.TrimSuffix(name, ".local") + ".local"}
	}
	if a.gate, err = access.New(o); err != nil {
		return err
	}
	a.onStop("sessions", func(context.Context) error { a.gate.Close(); return nil })
	if c.TLSCertFile == "" {
		return nil
	}
	pair, err := secretPaths(c.TLSCertFile, c.TLSKeyFile)
	if err != nil {
		return err
	}
	a.certificate, err = access.NewCertificate(pair[0], pair[1], func(err error) {
		a.log.Error("the new certificate cannot be used, keeping the old one", zap.Error(err))
	})
	return err
}

// carriesJob are the requests whose body may be a job file; their handlers bound it.
func carriesJob(r *http.Request) bool {
	return r.Method == http.MethodPost && (r.URL.Path == "/api/v1/jobs" || r.URL.Path == "/lots/new")
}

// alertCount counts the alerts about wrong secrets, for their identities.
type alertCount struct{ sent atomic.Int64 }

// alertSignInFailures alerts the operator that somebody tries secrets.
func (a *App) alertSignInFailures(b access.Burst) {
	from, further := b.From.String(), "more from there"
	if !b.From.IsValid() {
		from, further = "many addresses", "those of strangers"
	}
	text := fmt.Sprintf("%d failed sign-in attempts from %s; %s are refused for a while", b.Failures, from, further)
	a.log.Warn("wrong secrets", zap.String("from", from), zap.Int("failures", b.Failures))
	s := a.run.Snapshot()
	alert := ledger.Alert{ID: fmt.Sprintf("%s-access-%d", a.startID, a.signInAlerts.sent.Add(1)), Kind: "access", State: s.State.String(), Reason: "access", Text: text}
	payload, err := json.Marshal(supervisor.AlertBody{ID: alert.ID, Machine: s.Machine, State: alert.State, Reason: alert.Reason, Text: text,
		Advice: "ask your people whether it was one of them; if not, find out who is on the network; make a new secret", TravelMM: s.Belt.TravelMM})
	if err == nil { // texts and a number: it cannot fail
		alert.Payload = payload
	}
	ctx, cancel := context.WithTimeout(context.Background(), recordLimit)
	defer cancel()
	if err := a.ledger.Commit(ctx, ledger.EventNoted{Kind: "access", Text: text}, ledger.AlertQueued{Alert: alert}); err != nil {
		a.log.Error("cannot record failed sign-in attempts", zap.Error(err))
	}
}
