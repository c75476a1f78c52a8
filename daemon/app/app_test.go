package app

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"go.uber.org/zap"

	"beltwarden/config"
	"beltwarden/daemon/client"
	"beltwarden/serialio"
	"beltwarden/supervisor"
	"beltwarden/supervisor/ledger"
)

// A lot of three clips with a visit after the second, as an operator has it made:
// over the socket, with alerts, metrics and a restart of the daemon in between.
func TestLotEndToEnd(t *testing.T) {
	heard := new(ear)
	receiver := httptest.NewServer(heard)
	defer receiver.Close()
	c, r := settings(t), machine(t)
	c.Hold.EveryParts, c.Alerts.Ahead = 2, 0
	c.Alerts.Webhooks = []config.Webhook{{URL: receiver.URL, Timeout: patience}}
	o := Options{Config: c, Opener: r.Open, Version: "9.9.9"}
	a := start(t, o)
	d := connect(t, c.Server.Socket)
	ctx := t.Context()
	reach(t, d, supervisor.Idle)

	path, err := filepath.Abs(clipJob)
	if err != nil {
		t.Fatal(err)
	}
	opened, err := d.OpenLot(ctx, client.LotRequest{Name: "stake clips", Jobs: []string{path}, Good: []int{3}, Start: true})
	if err != nil || opened.LotID != 1 {
		t.Fatalf("%+v, %v", opened, err)
	}
	held := reach(t, d, supervisor.Held)
	if held.Cause.Code != supervisor.CauseCheckParts || held.Lot.Made != 2 {
		t.Errorf("held for %+v after %d parts", held.Cause, held.Lot.Made)
	}
	if err := d.Ready(ctx); err != nil {
		t.Errorf("not ready: %v", err)
	}
	body := metricsOf(t, a.Addr())
	for _, want := range []string{`beltwarden_hold_reason{reason="check_parts"} 1`, "beltwarden_parts_completed_total 2",
		`beltwarden_build_info{version="9.9.9"} 1`, "beltwarden_serial_connected 1", "process_open_fds"} {
		if !strings.Contains(body, want) {
			t.Errorf("the metrics lack %s", want)
		}
	}

	far := 9.0
	if _, err := d.Check(ctx, client.CheckRequest{Visit: supervisor.Visit{OffsetMM: &far, Good: 2}, By: "Ada"}); err != nil {
		t.Fatal(err)
	}
	var p *client.Problem
	if _, err := d.Command(ctx, client.CommandRequest{Command: supervisor.Unhold}); !errors.As(err, &p) || p.Status != http.StatusConflict || p.Remedy == "" {
		t.Errorf("unhold with the belt off its place: %v", err)
	}
	if _, err := d.Check(ctx, client.CheckRequest{Visit: supervisor.Visit{Realigned: true}, By: "Ada"}); err != nil {
		t.Fatal(err)
	}
	if _, err := d.Command(ctx, client.CommandRequest{Command: supervisor.Unhold}); err != nil {
		t.Fatal(err)
	}
	reach(t, d, supervisor.Complete)
	if _, err := d.Check(ctx, client.CheckRequest{Visit: supervisor.Visit{Good: 1}}); err != nil {
		t.Fatal(err)
	}
	if got := len(r.Parts()); got != 3 {
		t.Errorf("the machine made %d parts", got)
	}
	if err := stopApp(a); err != nil {
		t.Fatal(err)
	}
	if _, bed := targets(r); bed != 0 {
		t.Errorf("the bed is left at %v", bed)
	}
	if _, err := d.Status(ctx); !unreachable(err) {
		t.Errorf("after the end: %v", err)
	}

	start(t, o) // the count is what the ledger says
	detail, err := d.Lot(ctx, 1)
	if err != nil {
		t.Fatal(err)
	}
	if detail.Status != ledger.LotClosed || detail.Good != 3 || detail.Made != 3 || len(detail.Cycles) != 3 ||
		len(detail.Holds) != 1 || len(detail.Checks) != 3 || len(detail.Alterations) == 0 || !strings.HasPrefix(detail.Checks[0].By, "Ada (") || detail.Checks[2].By == "" {
		t.Errorf("the lot after a restart: %+v", detail)
	}
	until(t, "both alerts are delivered", func() bool {
		receivers, err := d.Alerts(ctx)
		return err == nil && len(receivers) == 1 && receivers[0].Configured && receivers[0].Delivered == 2 && receivers[0].Pending == 0
	})
	if got := heard.reasons(); len(got) != 2 || got[0] != supervisor.CauseCheckParts || got[1] != supervisor.CauseDone {
		t.Errorf("alerts for %v", got)
	}
	events, err := d.EventsAfter(ctx, 0, 1000)
	if err != nil || len(events) == 0 || events[0].Kind != "lot" {
		t.Fatalf("events %+v, %v", events, err)
	}
	newest, err := d.Events(ctx, 1)
	if err != nil || len(newest) != 1 || !newest[0].At.Equal(events[len(events)-1].At) || newest[0].Seq != events[len(events)-1].Seq {
		t.Errorf("the newest event: %+v, %v", newest, err)
	}
	if lots, err := d.Lots(ctx); err != nil || len(lots) != 1 || lots[0].Name != "stake clips" {
		t.Errorf("%+v, %v", lots, err)
	}
}

// A daemon that ends in the middle of a part switches the heaters off first.
func TestStopInAPartSwitchesOff(t *testing.T) {
	c := settings(t)
	r, a, _ := inAPart(t, c)
	if nozzle, _ := targets(r); nozzle == 0 {
		t.Fatal("the nozzle is cold while a part is made: the test tries nothing")
	}
	if err := stopApp(a); err != nil {
		t.Fatal(err)
	}
	if nozzle, bed := targets(r); nozzle != 0 || bed != 0 {
		t.Errorf("left at %v and %v degrees", nozzle, bed)
	}
}

// A machine that is not there is no reason not to run: the operator is called, and
// the port is tried again.
func TestWithoutBoard(t *testing.T) {
	c := settings(t)
	a := start(t, Options{Config: c, Opener: func(_ context.Context, s serialio.Settings) (serialio.Port, error) {
		return nil, &serialio.OpenError{Path: s.Path, Reason: serialio.OpenAbsent, Hint: "Plug the machine in."}
	}})
	d := connect(t, c.Server.Socket)
	reach(t, d, supervisor.Resetting)
	until(t, "the operator reads what is missing", func() bool {
		s, err := d.Status(t.Context())
		return err == nil && strings.Contains(s.Advice, "no such port")
	})
	var p *client.Problem
	if err := d.Ready(t.Context()); !errors.As(err, &p) || p.Status != http.StatusServiceUnavailable || !strings.Contains(p.Detail, "board") {
		t.Errorf("ready without a board: %v", err)
	}
	if err := stopApp(a); err != nil {
		t.Error(err)
	}
}

func TestRunEndsWithItsContext(t *testing.T) {
	c, r := settings(t), machine(t)
	a, err := New(t.Context(), Options{Config: c, Opener: r.Open, Log: zap.NewNop()})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- a.Run(ctx) }()
	d := connect(t, c.Server.Socket)
	for { // until it listens
		if _, err := d.Status(t.Context()); err == nil {
			break
		}
	}
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if _, err := os.Lstat(c.Server.Socket); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the socket is left: %v", err)
	}
}

func TestAlter(t *testing.T) {
	c, r := settings(t), machine(t)
	start(t, Options{Config: c, Opener: r.Open, Alter: func(s *supervisor.Settings) { s.Machine = "altered" }})
	s, err := connect(t, c.Server.Socket).Status(t.Context())
	if err != nil || s.Machine != "altered" {
		t.Errorf("%+v, %v", s, err)
	}
}

// Failure goes the same way as success: what was opened is closed again.
func TestFailedStartLeavesNothing(t *testing.T) {
	c, r := settings(t), machine(t)
	if err := os.MkdirAll(filepath.Dir(c.Server.Socket), 0o750); err != nil {
		t.Fatal(err)
	}
	c.Server.Listen = "127.0.0.1:notaport"
	a, err := New(t.Context(), Options{Config: c, Opener: r.Open, Log: zap.NewNop()})
	if err != nil {
		t.Fatal(err)
	}
	if err := a.Start(t.Context()); err == nil {
		t.Fatal("listens on no port")
	}
	if _, err := os.Lstat(c.Server.Socket); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the socket is left: %v", err)
	}
	c.Server.Listen = "127.0.0.1:0"
	start(t, Options{Config: c, Opener: r.Open}) // the ledger's lock is free
}

func TestLedgerErrorsStayRecognisable(t *testing.T) {
	c, r := settings(t), machine(t)
	start(t, Options{Config: c, Opener: r.Open})
	c2 := *c
	c2.Server.Socket += "2"
	if _, err := New(t.Context(), Options{Config: &c2, Opener: r.Open, Log: zap.NewNop()}); !errors.Is(err, ledger.ErrLocked) {
		t.Errorf("a second daemon on one ledger: %v", err)
	}
}

// When the records cannot be kept nothing may go on, and somebody must know, even
// though the outbox is out of reach.
func TestLedgerFailsInAPart(t *testing.T) {
	heard := new(ear)
	receiver := httptest.NewServer(heard)
	defer receiver.Close()
	c := settings(t)
	c.Alerts.Webhooks = []config.Webhook{{URL: receiver.URL, Timeout: patience}}
	r, a, d := inAPart(t, c)
	if err := a.Ledger().Close(); err != nil { // every record from now on is refused
		t.Fatal(err)
	}
	until(t, "the receiver hears of the ledger", func() bool { return slices.Contains(heard.reasons(), supervisor.CauseLedger) })
	until(t, "the heaters are off", func() bool { nozzle, bed := targets(r); return nozzle == 0 && bed == 0 })
	if err := d.Ready(t.Context()); err == nil {
		t.Error("ready without a ledger")
	}
	if !strings.Contains(metricsOf(t, a.Addr()), "beltwarden_ledger_up 0") {
		t.Error("the metrics say that the ledger answers")
	}
}
