package api

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"beltwarden/daemon/alert"
	"beltwarden/daemon/client"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// phone is a receiver in memory.
type phone struct {
	got []*alert.Message
	err error
}

func (p *phone) Name() string { return "phone" }
func (p *phone) Kind() string { return "service" }
func (p *phone) Close()       {}
func (p *phone) Notify(_ context.Context, m *alert.Message) error {
	p.got = append(p.got, m)
	return p.err
}

func calls(l *ledger.Ledger, p *phone) *alert.Switchboard {
	return alert.NewSwitchboard(alert.SwitchboardOptions{Outbox: l, Receivers: []alert.Receiver{{Notifier: p, Level: 1}},
		Words: alert.Writer{Machine: "clip press"}, Log: zap.NewNop()})
}

func TestAlertChannels(t *testing.T) {
	b := setUp(t)
	ctx := t.Context()
	if err := b.ledger.Commit(ctx, ledger.AlertQueued{Alert: ledger.Alert{ID: "a-1", Kind: "link", State: "Aborted"}}); err != nil {
		t.Fatal(err)
	}
	for _, receiver := range []string{"phone", "old"} {
		if _, err := b.ledger.PendingAlerts(ctx, receiver, time.Now(), 1); err != nil {
			t.Fatal(err)
		}
	}
	if err := b.ledger.Commit(ctx, ledger.AlertTried{ID: "a-1", Receiver: "phone", Err: "no answer", NextTry: time.Now()}); err != nil {
		t.Fatal(err)
	}
	w := b.ask("GET", "/api/v1/alerts", "")
	var list []client.Receiver
	if err := json.Unmarshal(w.Body.Bytes(), &list); err != nil || w.Code != http.StatusOK || len(list) != 2 {
		t.Fatalf("%d %s %v", w.Code, w.Body, err)
	}
	one, old := list[0], list[1]
	if one.Name != "phone" || !one.Configured || one.Kind != "service" || one.Level != 1 || one.Pending != 1 || one.Failing != 1 ||
		one.LastError != "no answer" || one.Oldest == nil {
		t.Errorf("%+v", one)
	}
	if old.Name != "old" || old.Configured || old.Pending != 1 || old.Kind != "" {
		t.Errorf("%+v", old)
	}
}

func TestTestAlert(t *testing.T) {
	p := new(phone)
	b := setUp(t, func(o *Options) { o.Alerts = calls(o.Ledger.(*ledger.Ledger), p) })
	test := func(body string) (int, client.AlertTested, string) {
		w := b.ask("POST", "/api/v1/alerts/test", body)
		var a client.AlertTested
		_ = json.Unmarshal(w.Body.Bytes(), &a)
		return w.Code, a, w.Body.String()
	}
	if code, a, body := test(`{"channel":"phone"}`); code != 200 || !a.Arrived || a.Error != "" || len(p.got) != 1 || p.got[0].Subject != "Test, clip press: you are called here" {
		t.Errorf("%d %s %v", code, body, p.got)
	}
	p.err = errors.New("no answer")
	if code, a, body := test(`{"channel":"phone"}`); code != 200 || a.Arrived || a.Error != "no answer" {
		t.Errorf("%d %s", code, body)
	}
	if code, _, body := test(`{"channel":"pager"}`); code != 404 || !strings.Contains(body, "beltwarden alert list") {
		t.Errorf("%d %s", code, body)
	}
	if code, _, body := test(`{"chanel":"phone"}`); code != 422 || !strings.Contains(body, "channel") {
		t.Errorf("%d %s", code, body)
	}
	if p.got[0].ID == p.got[1].ID {
		t.Error("two tests have one identity")
	}
}

func TestAcknowledge(t *testing.T) {
	b := setUp(t)
	if w := b.ask("POST", "/api/v1/alerts/acknowledge", `{"by":"Ana"}`); w.Code != 200 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	i := slices.IndexFunc(b.run.asked, func(r supervisor.Request) bool { return r.Acknowledge })
	if i < 0 || !strings.Contains(b.run.asked[i].By, "Ana") {
		t.Errorf("asked for %+v", b.run.asked)
	}
}
